"""Drills to be filmed, drawn at random: another table, view, cloth, light, film and shot each time."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import cos, degrees, radians, sin

import numpy as np

from calibration.camera import Camera
from calibration.table import STANDARD_TABLES, Pocket, Rail, Table, Vector
from calibration.unfold import unfold
from tests.rendering import (
    BLACK,
    BLUE,
    RED,
    WHITE,
    YELLOW,
    Disturbances,
    Look,
    Physics,
    Try,
    aim_rad,
    looking_at,
    oblique_camera,
    overhead_camera,
)
from tests.rendering.scene import Colour
from vision.shot import Shot

CLOTHS: dict[str, Colour] = {
    "green": (62, 134, 84),
    "dark green": (24, 76, 46),
    "blue": (58, 98, 150),
    "light blue": (84, 150, 190),
    "grey": (120, 124, 128),
    "dark grey": (58, 60, 64),
    "red": (126, 52, 56),
    "tan": (168, 138, 96),
    "purple": (92, 62, 122),
}
COLOURS: dict[str, Colour] = {
    "red": RED,
    "yellow": YELLOW,
    "blue": BLUE,
    "black": BLACK,
    "green": (20, 96, 56),
    "orange": (222, 104, 30),
    "purple": (84, 44, 120),
    "maroon": (104, 26, 38),
}
# How light a ball of the cloth's colour is beside the cloth.
LIKE_CLOTH = (0.6, 1.15)
TRIES = 3
# How a player's lines spread, degrees; how far a start is from a rail, and balls from each other, at least.
SPREAD_DEG, CLEAR_RAIL_M, CLEAR_BALL_M = 0.7, 0.12, 0.14


@dataclass(frozen=True)
class MadeUp:
    """A film as it is to be made. ``dress``: each ball's colour and pattern; ``clock``: its times, else even ones."""

    told: str
    table: Table
    camera: Camera
    look: Look
    shot: Shot
    tries: tuple[Try, ...]
    dress: Mapping[str, tuple[Colour, str]]
    fps: float
    crf: int
    exposure_s: float = 1 / 150
    sub_exposures: int = 5
    disturbances: Disturbances = field(default_factory=Disturbances)
    clock: Callable[[float], Vector] | None = None
    turn_deg: int = 0


def draw_film(rng: np.random.Generator) -> MadeUp:
    """Everything drawn anew; starts and lines are drawn until the path is one that a player would try."""
    table = STANDARD_TABLES[str(rng.choice(["9ft", "8ft", "7ft"]))]
    view, camera = any_camera(rng, table)
    cloth = str(rng.choice(list(CLOTHS)))
    look = Look(
        cloth=CLOTHS[cloth],
        lamp_m=(float(rng.uniform(-0.8, 0.8)), float(rng.uniform(-0.6, 0.6)), float(rng.uniform(1.0, 2.2))),
        light=float(rng.uniform(0.55, 1.2)),
        ambient=float(rng.uniform(0.2, 0.5)),
        noise_sd=float(rng.uniform(1.0, 4.0)),
        texture=float(rng.uniform(0.01, 0.05)),
    )
    fps, crf = float(rng.choice([24, 25, 30, 50, 60])), int(rng.integers(16, 27))
    names = [str(n) for n in rng.permutation(list(COLOURS))[: int(rng.integers(2, 6))]]
    dress: dict[str, tuple[Colour, str]] = {"cue": (WHITE, str(rng.choice(["plain", "spots"])))}
    for name in names:
        dress[name] = (COLOURS[name], str(rng.choice(["plain", "disc", "stripe"])) if name != "black" else "disc")
    kind = str(rng.choice(["kick", "kick at a ball", "bank"]))
    shot, tries = (bank if kind == "bank" else _kick)(rng, table, names, kind == "kick at a ball")
    told = f"{table.name}, {view}, {camera.height}p, {cloth}, {fps:.0f}/s, crf {crf}, light {look.light:.2f}, {kind}"
    return MadeUp(f"{told} {'-'.join(shot.rails)}", table, camera, look, shot, tries, dress, fps, crf)


def draw_like_cloth(rng: np.random.Generator) -> MadeUp:
    """As ``draw_film`` draws it, but the ball that is banked, or to be reached, has nearly the cloth's colour."""
    while True:
        film = draw_film(rng)
        name = list(film.dress)[1]
        if name in film.tries[0].starts_m:
            break
    lightness = float(rng.uniform(*LIKE_CLOTH))
    red, green, blue = (min(round(level * lightness), 255) for level in film.look.cloth)
    own = (red, green, blue), str(rng.choice(["plain", "disc"]))
    told = f"{film.told}, the {name} ball the cloth's colour at {lightness:.2f} of its light"
    return replace(film, told=told, dress={**film.dress, name: own})


def any_camera(rng: np.random.Generator, table: Table, *, small: bool = False) -> tuple[str, Camera]:
    """What it sees the table from, in a word, and the camera; ``small``: 720 rows, which takes less time."""
    size = (1920, 1080) if rng.random() < 0.3 and not small else (1280, 720)
    view = str(rng.choice(["above", "from the head", "from the side"]))
    roll, k1 = float(rng.uniform(-3, 3)), float(rng.uniform(-0.08, 0.01))
    if view == "above":
        aside = (float(rng.uniform(-0.25, 0.25)), float(rng.uniform(-0.2, 0.2)))
        return view, overhead_camera(
            table, size=size, height_m=float(rng.uniform(2.2, 3.2)), aside_m=aside, fill=0.84, roll_deg=roll, k1=k1
        )
    if view == "from the head":
        behind, height = float(rng.uniform(0.6, 1.3)), float(rng.uniform(1.9, 2.8))
        aside_m = float(rng.uniform(-0.3, 0.3))
        return view, oblique_camera(
            table, size=size, behind_m=behind, height_m=height, aside_m=aside_m, roll_deg=roll, k1=k1
        )
    x, y = table.centre_m
    away, height = float(rng.uniform(0.5, 1.1)), float(rng.uniform(2.0, 2.8))
    place = (float(x + rng.uniform(-0.3, 0.3)), -away, height)
    target = (float(x), float(y) * 0.9, 0.0)
    reach = float(np.hypot(height, away + y))
    focal = 0.78 * size[0] * reach / (table.length_m + 0.5)
    return view, looking_at(place, target, size=size, focal_px=focal, roll_deg=roll, k1=k1)


def free_place(rng: np.random.Generator, table: Table, taken: Sequence[Vector]) -> Vector:
    """A free place on the bed, (2,)."""
    while True:
        low, high = np.full(2, CLEAR_RAIL_M), np.array([table.length_m, table.width_m]) - CLEAR_RAIL_M
        place = rng.uniform(low, high)
        if all(np.hypot(*(place - other)) > CLEAR_BALL_M for other in taken):
            return place


def bystanders(rng: np.random.Generator, table: Table, names: Sequence[str], taken: list[Vector]) -> dict[str, Vector]:
    found: dict[str, Vector] = {}
    for name in names:
        found[name] = free_place(rng, table, taken)
        taken.append(found[name])
    return found


def one_try(places: Mapping[str, Vector], bearing_rad: float, speed_mps: float, follow: float) -> Try:
    starts = {name: (float(p[0]), float(p[1])) for name, p in places.items()}
    return Try(starts, degrees(bearing_rad), speed_mps, wait_s=1.9, watch_s=4.5, follow=follow)


def _kick(rng: np.random.Generator, table: Table, names: Sequence[str], at_ball: bool) -> tuple[Shot, tuple[Try, ...]]:
    """A kick to a ball near the corner, or to the corner pocket itself; the other balls lie where they may be met."""
    ways: tuple[tuple[Pocket, tuple[Rail, ...]], ...] = (
        ("foot-right", ("left",)),
        ("foot-left", ("right",)),
        ("foot-right", ("left", "foot")),
        ("head-right", ("foot", "left")),
    )
    pocket, rails = ways[int(rng.integers(len(ways)))]
    mouth = table.mouth_m(pocket)
    inward = np.sign(table.centre_m - mouth)
    ball = mouth + inward * rng.uniform(0.05, 0.12, 2) if at_ball else None
    shot = Shot(
        "kick",
        "kick",
        rails,
        "pocketed",
        target_ball=(float(ball[0]), float(ball[1])) if ball is not None else None,
        target_pocket=pocket,
    )
    target = shot.target_point_m(table)
    waiting = {} if ball is None else {names[0]: ball}
    others = bystanders(rng, table, names[1:3], [*waiting.values()])
    tries: list[Try] = []
    while len(tries) < TRIES:
        cue = free_place(rng, table, [*waiting.values(), *others.values()])
        speed = float(rng.uniform(1.6, 3.5))
        from_m, to_m = (float(cue[0]), float(cue[1])), (float(target[0]), float(target[1]))
        try:
            needed = aim_rad(from_m, to_m, rails, speed, table, Physics())
        except ValueError:
            continue
        bearing = needed + radians(rng.normal(0, SPREAD_DEG))
        tries.append(one_try({"cue": cue} | waiting | others, bearing, speed, float(rng.uniform(0, 0.4))))
    return shot, tuple(tries)


def bank(rng: np.random.Generator, table: Table, names: Sequence[str], _: bool) -> tuple[Shot, tuple[Try, ...]]:
    """A bank of the first ball into a side or corner pocket, cut by up to 35 degrees; the other balls stand about."""
    ways: tuple[tuple[Pocket, Rail], ...] = (
        ("side-right", "left"),
        ("side-left", "right"),
        ("foot-right", "left"),
        ("foot-left", "right"),
    )
    pocket, rail = ways[int(rng.integers(len(ways)))]
    shot = Shot("bank", "bank", (rail,), "pocketed", target_pocket=pocket)
    target = shot.target_point_m(table)
    tries: list[Try] = []
    others = bystanders(rng, table, names[1:3], [])
    while len(tries) < TRIES:
        ball = free_place(rng, table, [*others.values()])
        line = unfold(ball, target, (rail,), table).bearing_rad + radians(rng.normal(0, 2.0))
        turn = radians(rng.uniform(-35, 35))
        ghost = ball - 2 * table.ball_radius_m * np.array([cos(line), sin(line)])
        cue = ghost - rng.uniform(0.25, 0.8) * np.array([cos(line - turn), sin(line - turn)])
        room = np.array([table.length_m, table.width_m]) - CLEAR_RAIL_M
        if not ((cue > CLEAR_RAIL_M) & (cue < room)).all():
            continue
        if any(np.hypot(*(cue - other)) < CLEAR_BALL_M for other in others.values()):
            continue
        bearing = float(np.arctan2(*(ghost - cue)[::-1])) + radians(rng.normal(0, 0.15))
        speed = float(rng.uniform(1.8, 3.6))
        tries.append(one_try({"cue": cue, names[0]: ball} | others, bearing, speed, float(rng.uniform(0, 0.4))))
    return shot, tuple(tries)
