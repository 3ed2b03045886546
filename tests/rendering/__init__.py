"""A small renderer of known truth: made-up pictures and clips of tables, for the tests only."""

from tests.rendering.acts import Try, TryTruth
from tests.rendering.balls import BLACK, BLUE, RED, WHITE, YELLOW, Ball
from tests.rendering.disturbances import Cover, Decoy, Disturbances, LightChange
from tests.rendering.film import Truth, render_clip
from tests.rendering.motion import IDEAL, STRAIGHT, Physics
from tests.rendering.picture import Stage, render_table
from tests.rendering.scene import Look
from tests.rendering.strike import aim_rad, simulate
from tests.rendering.view import looking_at, oblique_camera, overhead_camera

__all__ = [
    "BLACK",
    "BLUE",
    "IDEAL",
    "RED",
    "STRAIGHT",
    "WHITE",
    "YELLOW",
    "Ball",
    "Cover",
    "Decoy",
    "Disturbances",
    "LightChange",
    "Look",
    "Physics",
    "Stage",
    "Truth",
    "Try",
    "TryTruth",
    "aim_rad",
    "looking_at",
    "oblique_camera",
    "overhead_camera",
    "render_clip",
    "render_table",
    "simulate",
]
