"""A film of one kick at a ball that hangs over a corner, for tests of what is done to films afterwards."""

from math import degrees
from pathlib import Path

from calibration.camera import Setup
from calibration.table import STANDARD_TABLES
from tests.rendering import Physics, Try, aim_rad, overhead_camera, render_clip
from vision.read import read_clip
from vision.reading import Reading
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(640, 360))
HANGING = (2.452, 0.088)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
FPS = 30


def film_kick(path: Path) -> None:
    """Film it at an even rate of ``FPS``."""
    start, speed, physics = (0.9, 0.3), 2.2, Physics()
    ghost = KICK.target_point_m(TABLE)
    bearing = degrees(aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], speed, TABLE, physics)) + 1.2
    attempt = Try({"cue": start, "red": HANGING}, bearing, speed, wait_s=1.5, watch_s=3.5)
    render_clip(path, CAMERA, TABLE, [attempt], fps=FPS, physics=physics, sub_exposures=4, crf=14)


def read_kick(path: Path) -> Reading:
    """Read it, or what was made of it, with the true camera."""
    return read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA))
