"""Disturbances in the made-up films: covers hide, light dims, hands move balls that lie where the truth says."""

from math import log

import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.rendering import Cover, Decoy, Disturbances, LightChange, Physics, Try, overhead_camera
from tests.rendering.acts import plan
from tests.rendering.disturbances import EXPOSURE_S, SWAY_S, draw_cover

NINE = STANDARD_TABLES["9ft"]
READY = Try({"cue": (0.9, 0.3), "red": (1.3, 0.5)}, 60.0, 2.0)


@pytest.mark.parametrize("kind", ["body", "arm", "head", "hand", "lamp"])
def test_a_cover_hides_its_place_while_it_is_there(kind: str) -> None:
    camera = overhead_camera(NINE, size=(480, 270), aside_m=(0.0, 0.0))
    # Where the camera stands straight above, so that height does not move it aside.
    cover = Cover(kind, (float(camera.position_m[0]), float(camera.position_m[1])), 5.0, 5.4)  # type: ignore[arg-type]
    u, v = np.rint(camera.project(np.array([[*cover.at_m, 0.0]]))[0]).astype(int)
    for time_s, hidden in ((4.5, False), (5.2, True), (5.9, False)):
        levels = np.full((270, 480, 3), 255, np.float32)
        draw_cover(levels, camera, NINE, cover, time_s)
        assert (levels[v, u] < 250).any() == hidden
    assert SWAY_S < 0.5


def test_light_is_switched_at_once_and_an_exposure_follows() -> None:
    switched = Disturbances(light=[LightChange(3.0, 0.6)])
    assert [switched.gain(t) for t in (2.9, 3.0, 9.0)] == pytest.approx([1.0, 0.6, 0.6])
    followed = Disturbances(light=[LightChange(3.0, 0.6, at_once=False)])
    assert followed.gain(3.0 + EXPOSURE_S * log(2)) == pytest.approx(0.6**0.5)
    levels = np.full((2, 2, 3), 100, np.float32)
    assert (switched.dimmed(levels, 0.0) == levels).all()
    assert (switched.dimmed(levels, 4.0) < 85).all()


def test_a_ball_rolled_by_hand_leaves_it_at_the_hands_speed_and_is_brought_back() -> None:
    decoy = Decoy("hand roll", 0, "red", velocity=(0.4, 0.2))
    first, second = plan([READY], NINE, Physics(), [decoy])
    push = first.pushes[0]
    assert push.where(push.from_s) == pytest.approx(READY.starts_m["red"])
    let_go = (push.where(push.to_s) - push.where(push.to_s - 1e-4)) / 1e-4
    assert let_go == pytest.approx([0.4, 0.2], abs=1e-3)
    rolled = first.motion.leg_at("red", push.to_s)
    assert rolled is not None
    assert rolled.velocity == pytest.approx([0.4, 0.2])
    assert [carry[0] for carry in first.carries] == ["red"]
    assert second.truth is not None
    assert second.motion.starts_m["red"] == pytest.approx(READY.starts_m["red"])


def test_practice_strokes_and_leaning_move_nothing() -> None:
    for kind in ("practice strokes", "leaning", "walker"):
        act = plan([READY], NINE, Physics(), [Decoy(kind, 0)])[0]  # type: ignore[arg-type]
        assert not act.carries
        assert not act.pushes
        assert act.truth is None
        assert act.decoy is not None
        assert act.decoy.from_s < act.decoy.to_s < act.ends_s
