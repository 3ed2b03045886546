"""What the command line tells beside the point, and where to shoot from next."""

from dataclasses import replace
from math import radians

import numpy as np

from app.fitting.fit import fit_shot
from app.telling.fit_words import fit_words, weight_words
from app.telling.point_view import point_view
from app.telling.point_words import tell_point
from app.telling.rounding import chance_words
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import KICK, kicks

TABLE = STANDARD_TABLES["9ft"]


def test_ways_to_aim_the_speed_and_a_move_are_told() -> None:
    speeds = np.random.default_rng(3).uniform(1.2, 3.2, 24)
    rows = [
        replace(
            r,
            row=k + 2,
            speed_mps=float(speeds[k]),
            bearing_rad=r.bearing_rad + radians(0.8) * (float(speeds[k]) - 2.2),
            at=f"2026-03-0{1 + k % 2}T18:00",
        )
        for k, r in enumerate(kicks(24))
    ]
    ways, speed, moved = fit_words(fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK))
    assert ways.startswith("Mean miss to expect by the way of aiming: ")
    assert "as if the rail were a mirror" in ways
    assert speed.startswith("With each m/s harder the line needed turns by 0.")
    assert "chance" not in speed
    assert moved.startswith("From day to day its direction varies by ")
    assert len(fit_words(fit_shot(kicks(5), shot_name="kick", table=TABLE, shot=KICK))) == 1
    assert fit_words(fit_shot(kicks(2), shot_name="kick", table=TABLE, shot=KICK)) == []


def test_where_the_log_cannot_tell_it_says_from_where_to_shoot() -> None:
    alike = [replace(kicks(1)[0], row=k) for k in range(2, 9)]
    said = tell_point(point_view(fit_shot(alike, shot_name="kick", table=TABLE, shot=KICK).to_json()), KICK, TABLE)
    assert said[0].startswith("No point yet: all starts lie on one line of aim")
    assert said[1].startswith("An attempt from ")
    assert said[1].endswith("corner would tell most.")


def test_what_is_next_to_nothing_has_no_digits() -> None:
    assert [weight_words(w) for w in (1.5e-64, 0.004, 0.021, 0.8)] == ["nothing", "nothing", "0.021", "0.8"]
    assert [chance_words(p) for p in (0.0, 0.0004, 0.0312)] == ["below 0.001", "below 0.001", "0.031"]
