"""Fitted apart, and together from mirrored corners, as the user chooses."""

from dataclasses import replace
from math import radians

import pytest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.choices import find_images, fit_apart, fit_mirrored, mirror_shot
from app.fitting.compare import mirrored
from app.fitting.fit import fit_shot
from calibration.table import STANDARD_TABLES
from tests.app.test_compare import bare
from tests.app.test_fit import KICK, kicks
from vision.shot import Shot, Stroke

TABLE = STANDARD_TABLES["9ft"]
OTHER = replace(KICK, name="other", rails=("right",), target_pocket="foot-left")
FAR = replace(KICK, name="far", target_pocket="head-right")
TURNED = replace(KICK, name="turned", rails=("right",), target_pocket="head-left")
SHOTS = {s.name: s for s in (KICK, OTHER, FAR, TURNED)}


def images(rows: list[AttemptRow]) -> list[AttemptRow]:
    """The practice seen in a mirror, as a log of the other corner would hold it."""
    return [replace(mirrored(r, TABLE), shot="other", row=r.row + 100) for r in rows]


def test_shots_alike_but_for_their_sides_are_found() -> None:
    found = find_images(SHOTS, TABLE)
    assert {name: (i.of, i.across, i.along) for name, i in found.items()} == {
        "other": ("kick", True, False),
        "far": ("kick", False, True),
        "turned": ("kick", True, True),
    }
    ball = Shot("a", "kick", ("left",), "pocketed", target_ball=(2.4, 0.1), target_pocket="foot-right")
    across = mirror_shot(ball, TABLE, True, False)
    assert across.target_ball == pytest.approx((2.4, 1.17))
    assert find_images({"a": ball, "b": replace(across, name="b")}, TABLE)["b"].of == "a"
    assert find_images({"a": ball, "b": replace(across, name="b", target_ball=(2.4, 1.1))}, TABLE) == {}


def test_a_mirror_turns_left_english_and_a_half_turn_leaves_it() -> None:
    spun = replace(KICK, stroke=Stroke(english="left"))
    assert mirror_shot(spun, TABLE, True, False).stroke.english == "right"
    assert mirror_shot(spun, TABLE, True, True).stroke.english == "left"
    assert mirror_shot(replace(KICK, stroke=Stroke(english="running")), TABLE, True, False).stroke.english == "running"
    assert find_images({"a": spun, "b": replace(OTHER, stroke=spun.stroke)}, TABLE) == {}


def test_pooled_mirrored_corners_are_fitted_as_one() -> None:
    here, there = kicks(10, seed=1), kicks(10, seed=2)
    (pooled,) = fit_mirrored([*here, *images(there)], "pool", TABLE, SHOTS)
    together = fit_shot([*here, *there], shot_name="kick", table=TABLE, shot=KICK)
    assert pooled.convergence.point_m == pytest.approx(together.convergence.point_m, abs=1e-6)
    said = pooled.to_json()
    assert said["pooled"] == [{"by": "mirrored corner", "attempts": {"kick": 10, "other": 10}}]
    assert pooled.attempts == 20


def test_turned_end_for_end_is_the_same_shot_too() -> None:
    rows = [replace(mirrored(r, TABLE, across=True, along=True), shot="turned") for r in kicks(12)]
    (alone,) = fit_mirrored(rows, "pool", TABLE, SHOTS)
    assert alone.shot == "turned"
    (pooled,) = fit_mirrored([*kicks(3, seed=5), *rows], "pool", TABLE, SHOTS)
    together = fit_shot([*kicks(3, seed=5), *kicks(12)], shot_name="kick", table=TABLE, shot=KICK)
    assert pooled.convergence.family == pytest.approx(together.convergence.family, abs=1e-6)


def test_compared_mirrored_corners_are_fitted_apart() -> None:
    same = fit_mirrored([*bare(1), *images(bare(2))], "compare", TABLE, SHOTS)
    assert [f.shot for f in same] == ["kick", "other"]
    assert same[0].mirrored is not None
    assert same[0].mirrored.verdict == "not moved"
    assert same[1].mirrored is None
    differ = fit_mirrored([*bare(1), *images(bare(2, turned_deg=1.5))], "compare", TABLE, SHOTS)
    assert differ[0].to_json()["mirrored"]["verdict"] == "moved"


def test_apart_by_what_was_pooled() -> None:
    rows = [
        replace(r, english="left" if k % 2 else "none", at=f"2026-03-0{1 + k % 3}T10:00", speed_mps=1.0 + k % 2)
        for k, r in enumerate(kicks(18))
    ]
    parts = fit_apart(rows, "english", TABLE, SHOTS)
    assert [(f.shot, f.attempts) for f in parts] == [("kick (english none)", 9), ("kick (english left)", 9)]
    # Each part keeps what the shot file says.
    assert all("mirror" in {r.name for r in f.rules} for f in parts)
    assert all(f.pooled == () or f.pooled[0].by != "english" for f in parts)
    assert [f.shot for f in fit_apart(rows, "day", TABLE)] == [f"kick (day 2026-03-0{k})" for k in (1, 2, 3)]
    assert len(fit_apart(rows, "speed", TABLE)) == 2
    turned = [replace(r, bearing_rad=r.bearing_rad + radians(1) * (r.english == "left")) for r in rows]
    none, left = (f.convergence.family[0] for f in fit_apart(turned, "english", TABLE))
    assert left - none == pytest.approx(radians(1), abs=radians(0.5))


def test_a_pooled_row_from_another_corner_is_named_with_its_shot() -> None:
    """Both corners' logs count their rows from two on: the number alone would be either's."""
    here, there = kicks(10, seed=1), [replace(r, row=r.row - 100) for r in images(kicks(10, seed=2))]
    there[3] = replace(there[3], bearing_rad=there[3].bearing_rad + radians(8.0))
    there.append(replace(there[0], row=40))
    (pooled,) = fit_mirrored([*here, *there], "pool", TABLE, SHOTS)
    (wrong,) = (w for w in pooled.to_json()["weights"] if w["weight"] < 0.5)
    assert (wrong["row"], wrong["shot"]) == (there[3].row, "other")
    assert "40 of 'other' (as 2 of 'other')" in " ".join(pooled.remarks)
    own = fit_shot(here, shot_name="kick", table=TABLE, shot=KICK).to_json()
    assert all("shot" not in w for w in own["weights"])
