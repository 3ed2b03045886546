"""Kicks over one to three rails and banks, aimed well or a little beside, and what is measured of them."""

from collections.abc import Sequence
from functools import cache
from math import degrees, radians

import numpy as np

from calibration.table import Pocket, Rail
from tests.rendering import STRAIGHT, Physics, aim_rad, overhead_camera
from tests.rendering.motion import Motion
from tests.vision.seen import TABLE, motion_of, only_stroke, seen
from vision.outcome import attempt
from vision.place_error import PlaceError
from vision.reading import Attempt
from vision.shot import Made, Shot

ERRORS = PlaceError(overhead_camera(TABLE), TABLE)
PHYSICS = Physics()
HANGING = (2.452, 0.088)  # over the foot-right corner
# Rails -> start, speed and the point that the path should pass.
PATHS: dict[tuple[Rail, ...], tuple[tuple[float, float], float, tuple[float, float]]] = {
    ("left",): ((0.9, 0.3), 2.2, (2.0, 0.4)),
    ("right",): ((0.9, 0.9), 2.2, (2.0, 0.8)),
    ("foot",): ((1.3, 0.3), 2.2, (1.2, 0.9)),
    ("head",): ((1.3, 0.9), 2.2, (1.2, 0.35)),
    ("left", "foot"): ((0.7, 0.3), 3.0, (1.7, 0.5)),
    ("left", "foot", "right"): ((0.5, 0.25), 3.8, (1.4, 0.6)),
    ("foot", "left", "head"): ((1.5, 0.3), 3.8, (1.0, 0.5)),
}


def kick(
    rails: Sequence[Rail],
    made: Made = "pocketed",
    *,
    ball: tuple[float, float] | None = HANGING,
    pocket: Pocket | None = "foot-right",
    aim: tuple[float, float] | None = None,
) -> Shot:
    return Shot("kick", "kick", tuple(rails), made, target_ball=ball, target_pocket=pocket, target_aim=aim)


def read(motion: Motion, shot: Shot, seed: int = 0) -> Attempt:
    return attempt(only_stroke(seen(motion, seed=seed, until_s=7.5)), shot, ERRORS)


@cache
def needed_deg(rails: tuple[Rail, ...], physics: Physics) -> float:
    start, speed, aim = PATHS[rails]
    return degrees(aim_rad(start, aim, rails, speed, TABLE, physics))


@cache
def aimed(rails: tuple[Rail, ...], off_deg: float = 0.0, physics: Physics = PHYSICS) -> tuple[Motion, Shot]:
    """A lone cue ball sent over the rails ``off_deg`` beside the line that passes the aim, and the shot."""
    start, speed, aim = PATHS[rails]
    bearing = needed_deg(rails, physics) + off_deg
    return motion_of({"cue": start}, bearing, speed, physics=physics), kick(rails, ball=None, aim=aim)


@cache
def read_aimed(rails: tuple[Rail, ...], off_deg: float) -> Attempt:
    """Reading of a made-up path, shared by the tests that look at it from several sides."""
    return read(*aimed(rails, off_deg))


@cache
def at_hanging(off_deg: float = 0.0, speed: float = 2.2) -> Motion:
    """The cue ball over the left rail at the ball over the corner, aimed at its ghost ball."""
    ghost = kick(["left"]).target_point_m(TABLE)
    start = (0.9, 0.3)
    bearing = degrees(aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], speed, TABLE, STRAIGHT)) + off_deg
    return motion_of({"cue": start, "red": HANGING}, bearing, speed, physics=STRAIGHT)


def bank_motion(cut_deg: float = 0.0, off_deg: float = 0.0) -> tuple[Motion, Shot]:
    """The red ball is sent over the left rail towards the foot-right corner, the cue ball behind it on the line."""
    red = (1.2, 0.45)
    mouth = TABLE.mouth_m("foot-right")
    target = (float(mouth[0]), float(mouth[1]))
    line = aim_rad(red, target, ["left"], 2.0, TABLE, STRAIGHT) + radians(off_deg)
    centres = np.array([np.cos(line), np.sin(line)])
    ghost = np.array(red) - 2 * TABLE.ball_radius_m * centres
    comes = line - radians(cut_deg)
    cue = ghost - 0.3 * np.array([np.cos(comes), np.sin(comes)])
    speed = 2.3 / np.cos(radians(cut_deg))
    motion = motion_of({"cue": (float(cue[0]), float(cue[1])), "red": red}, degrees(comes), speed, physics=STRAIGHT)
    return motion, Shot("bank", "bank", ("left",), "pocketed", target_pocket="foot-right")
