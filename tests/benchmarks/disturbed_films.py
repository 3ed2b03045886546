"""Drills filmed among disturbances, drawn at random: what a practice room and a phone do to a film.

Tables of all sizes, carom too; kicks of one to four rails to a pocket, at a ball, at any ball, and banks; soft and
firm, draw and follow; balls frozen to rails and to each other; hands, heads and bodies over the table at the strike and
during the roll; decoys between tries; a lamp in the picture; light that changes; knocks; upright phones; 15 to 240
frames a second, varying and dropped.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import cos, degrees, pi, radians, sin

import cv2
import numpy as np

from calibration.camera import Camera
from calibration.table import RAILS, STANDARD_TABLES, Pocket, Rail, Table, Vector
from tests.benchmarks.drawn_films import (
    CLEAR_BALL_M,
    CLEAR_RAIL_M,
    CLOTHS,
    COLOURS,
    MadeUp,
    any_camera,
    bank,
    free_place,
)
from tests.rendering import (
    WHITE,
    Cover,
    Decoy,
    Disturbances,
    LightChange,
    Look,
    Physics,
    Try,
    aim_rad,
    looking_at,
    oblique_camera,
)
from tests.rendering.acts import Act, plan
from tests.rendering.disturbances import CoverKind, DecoyKind
from tests.rendering.scene import Colour
from vision.shot import Shot

TRIES = 2
# Of films with many frames a second fewer tries, for a shorter while.
QUICK_FPS, QUICK_TRIES, QUICK_WATCH_S = 100, 1, 3.0
SPREAD_DEG = 0.7
# Frozen balls stand this far from what they touch: a contact of its own would be one of no speed.
FROZEN_M = 0.0001
UPRIGHT = (720, 1280)
# How far a knock turns a camera at most, degrees, and moves it, metres.
KNOCK_DEG, KNOCK_M = 1.2, 0.01
Clock = Callable[[float], Vector]


def draw_disturbed(rng: np.random.Generator) -> MadeUp:
    """A drill, its film and what disturbs it."""
    table = STANDARD_TABLES[str(rng.choice(["9ft", "8ft", "8ft-home", "7ft", "carom"]))]
    view, camera, turn_deg = _camera(rng, table)
    cloth = str(rng.choice(list(CLOTHS)))
    look = Look(
        cloth=CLOTHS[cloth],
        pockets=table.has_pockets,
        lamp_m=(float(rng.uniform(-0.8, 0.8)), float(rng.uniform(-0.6, 0.6)), float(rng.uniform(1.0, 2.2))),
        light=float(rng.uniform(0.55, 1.2)),
        ambient=float(rng.uniform(0.2, 0.5)),
        noise_sd=float(rng.uniform(1.0, 4.0)),
        texture=float(rng.uniform(0.01, 0.05)),
    )
    pace, fps, clock, exposure_s = _times(rng)
    names = [str(n) for n in rng.permutation(list(COLOURS))[:4]]
    if not table.has_pockets:
        names = ["red", "yellow"]
    dress: dict[str, tuple[Colour, str]] = {"cue": (WHITE, str(rng.choice(["plain", "spots"])))}
    for name in names:
        pattern = str(rng.choice(["plain", "disc", "stripe"])) if name != "black" else "disc"
        dress[name] = (COLOURS[name], pattern if table.has_pockets else "plain")
    kinds = ["pocket", "ball to pocket", "hit", "any", "bank"] if table.has_pockets else ["hit", "any"]
    kind = str(rng.choice(kinds))
    if kind == "bank":
        shot, tries = bank(rng, table, names, False)
        tries = tuple(replace(t, speed_mps=float(rng.uniform(1.2, 5.0)), follow=_follow(rng)) for t in tries[:TRIES])
    else:
        shot, tries = _kick(rng, table, names, kind)
    if fps > QUICK_FPS:
        tries = tuple(replace(t, watch_s=QUICK_WATCH_S) for t in tries[:QUICK_TRIES])
    disturbed, disturbances = _disturbances(rng, table, camera, tries)
    told = (
        f"{table.name}, {view}, {camera.width}x{camera.height} turned {turn_deg}, {cloth}, {pace}, "
        f"exposure 1/{1 / exposure_s:.0f}, light {look.light:.2f}, {kind} {'-'.join(shot.rails)}; {disturbed}"
    )
    crf = int(rng.integers(16, 27))
    return MadeUp(told, table, camera, look, shot, tries, dress, fps, crf, exposure_s, 8, disturbances, clock, turn_deg)


def _camera(rng: np.random.Generator, table: Table) -> tuple[str, Camera, int]:
    """What it sees from where, and how its stored pictures are turned."""
    if rng.random() < 0.7:
        view, camera = any_camera(rng, table, small=True)
        return view, camera, int(rng.choice([0, 0, 0, 180]))
    turn_deg, roll = int(rng.choice([90, 270])), float(rng.uniform(-3, 3))
    if rng.random() < 0.5:
        height = float(rng.uniform(2.2, 3.2))
        x, y = table.centre_m + rng.uniform(-0.2, 0.2, 2)
        focal = 0.84 * height * min(UPRIGHT[0] / (table.width_m + 0.3), UPRIGHT[1] / (table.length_m + 0.3))
        target = (float(table.centre_m[0]), float(table.centre_m[1]), 0.0)
        place = (float(x), float(y), height)
        up = (1.0, 0.0, 0.0)
        return "above", looking_at(place, target, size=UPRIGHT, focal_px=focal, up=up, roll_deg=roll), turn_deg
    behind, height = float(rng.uniform(0.6, 1.3)), float(rng.uniform(2.0, 2.8))
    near = float(np.hypot(behind, height))
    focal = 0.8 * UPRIGHT[0] * near / (table.width_m + 0.3)
    return (
        "from the head",
        oblique_camera(table, size=UPRIGHT, behind_m=behind, height_m=height, focal_px=focal, roll_deg=roll),
        turn_deg,
    )


def _times(rng: np.random.Generator) -> tuple[str, float, Clock | None, float]:
    """How the film runs: in words, its frame rate, its times when they are not even, the exposure."""
    way = str(rng.choice(["even", "even", "varying", "dropped", "15", "120", "240"]))
    fps = {"even": float(rng.choice([24, 25, 30, 50, 60])), "varying": 30.0, "dropped": 30.0}.get(way) or float(way)
    exposure_s = min(float(rng.choice([1 / 500, 1 / 150, 1 / 80])), 0.6 / fps)
    seed = int(rng.integers(1 << 31))
    if way not in ("varying", "dropped"):
        return f"{fps:.0f}/s", fps, None, exposure_s

    def clock(length_s: float) -> Vector:
        own = np.random.default_rng(seed)
        steps = np.full(int(length_s * 2 * fps), 1 / fps)
        if way == "varying":
            # As a phone in dim light: now thirty, now twenty-four a second, with a little jitter.
            slow = np.repeat(own.random(len(steps) // 40 + 1) < 0.4, 40)[: len(steps)]
            steps = np.where(slow, 1 / 24, 1 / 30) * own.uniform(0.96, 1.04, len(steps))
        times = np.concatenate([[0.0], np.cumsum(steps)])
        if way == "dropped":
            lost = np.zeros(len(times), dtype=bool)
            for at in np.flatnonzero(own.random(len(times)) < 0.02):
                lost[at + 1 : at + 1 + int(own.integers(1, 4))] = True
            times = times[~lost]
        return np.asarray(times[times < length_s])

    return f"30/s {way}", fps, clock, exposure_s


def _follow(rng: np.random.Generator) -> float:
    return float(rng.choice([rng.uniform(-0.6, 0), rng.uniform(0, 0.4), rng.uniform(0.4, 1.0)]))


WAYS: tuple[tuple[Pocket, tuple[Rail, ...]], ...] = (
    ("foot-right", ("left",)),
    ("head-left", ("right",)),
    ("foot-right", ("left", "foot")),
    ("head-right", ("foot", "left")),
    ("head-left", ("left", "foot", "right")),
    ("foot-left", ("right", "foot", "left", "right")),
)
OTHER_WAYS: tuple[tuple[Rail, ...], ...] = (("left",), ("head",), ("left", "foot"), ("left", "foot", "right"))


def _kick(rng: np.random.Generator, table: Table, names: Sequence[str], kind: str) -> tuple[Shot, tuple[Try, ...]]:
    """A kick to a pocket, at a ball by a pocket, at a ball anywhere; drawn until one is found that can be played."""
    while True:
        shot, tries = _kick_if_any(rng, table, names, kind)
        if len(tries) == TRIES:
            return shot, tries


def _kick_if_any(
    rng: np.random.Generator, table: Table, names: Sequence[str], kind: str
) -> tuple[Shot, tuple[Try, ...]]:
    """The same with as many tries as were found at once; other balls lie about, now and then frozen."""
    pocket, rails = WAYS[int(rng.integers(len(WAYS)))]
    others: dict[str, Vector] = {}
    if kind in ("hit", "any"):
        rails = OTHER_WAYS[int(rng.integers(len(OTHER_WAYS)))]
        ball = free_place(rng, table, [])
        if rng.random() < 0.3:
            ball = _frozen_to_rail(rng, table, rails[-1])
        place = (float(ball[0]), float(ball[1]))
        shot = Shot("kick", "kick", rails, "hit", target_ball=place if kind == "hit" else "any")
        target: Vector = ball
        others[names[0]] = ball
    else:
        mouth = table.mouth_m(pocket)
        ball = mouth + np.sign(table.centre_m - mouth) * rng.uniform(0.05, 0.12, 2)
        place = (float(ball[0]), float(ball[1]))
        at_ball = kind == "ball to pocket"
        shot = Shot("kick", "kick", rails, "pocketed", target_ball=place if at_ball else None, target_pocket=pocket)
        target = shot.target_point_m(table)
        if at_ball:
            others[names[0]] = ball
    spare = names[1 : 1 + int(rng.integers(0, 3))]
    for k, name in enumerate(spare):
        others[name] = free_place(rng, table, [*others.values()])
        if k == 1 and rng.random() < 0.5:
            turn = rng.uniform(0, 2 * pi)
            beside = others[spare[0]] + (2 * table.ball_radius_m + FROZEN_M) * np.array([cos(turn), sin(turn)])
            if _clear(beside, table, [p for n, p in others.items() if n not in (name, spare[0])]):
                others[name] = beside
    tries: list[Try] = []
    slowest = 1.0 + 0.6 * (len(rails) - 1)
    for drawn in range(3 * TRIES):
        if len(tries) == TRIES or (not tries and drawn == TRIES):
            break
        cue = free_place(rng, table, [*others.values()])
        if rng.random() < 0.15:
            cue = _frozen_to_rail(rng, table, rails[0])
        if not all(np.hypot(*(cue - p)) > CLEAR_BALL_M for p in others.values()):
            continue
        speed = float(rng.uniform(slowest, 5.0))
        from_m, to_m = (float(cue[0]), float(cue[1])), (float(target[0]), float(target[1]))
        try:
            needed = aim_rad(from_m, to_m, rails, speed, table, Physics())
        except ValueError:
            continue
        starts = {n: (float(p[0]), float(p[1])) for n, p in ({"cue": cue} | others).items()}
        bearing = degrees(needed) + rng.normal(0, SPREAD_DEG)
        tries.append(Try(starts, bearing, speed, wait_s=1.9, watch_s=4.5, follow=_follow(rng)))
    return shot, tuple(tries)


def _clear(place: Vector, table: Table, taken: Sequence[Vector]) -> bool:
    inside = (place > CLEAR_RAIL_M).all() and (place < np.array([table.length_m, table.width_m]) - CLEAR_RAIL_M).all()
    return bool(inside and all(np.hypot(*(place - other)) > CLEAR_BALL_M for other in taken))


def _frozen_to_rail(rng: np.random.Generator, table: Table, but: Rail) -> Vector:
    """A place at a rail other than ``but``, away from its ends and its side pocket."""
    rail = str(rng.choice([r for r in RAILS if r != but]))
    axis, level = table.track_coordinate(rail)  # type: ignore[arg-type]
    place = np.array([table.length_m, table.width_m]) * rng.choice([rng.uniform(0.15, 0.4), rng.uniform(0.6, 0.85)])
    place[axis] = level + (FROZEN_M if level < 0.5 else -FROZEN_M)
    return np.asarray(place)


def _disturbances(
    rng: np.random.Generator, table: Table, camera: Camera, tries: Sequence[Try]
) -> tuple[str, Disturbances]:
    """What happens besides, in words and as it is to be drawn."""
    decoys = _decoys(rng, tries)
    acts = plan(tries, table, Physics(), decoys)
    told = [d.kind for d in decoys]
    covers: list[Cover] = []
    light: list[LightChange] = []
    for act in acts:
        if act.truth is None:
            continue
        if rng.random() < 0.4:
            covers.append(_at_the_strike(rng, act))
            told.append(f"{covers[-1].kind} at the strike at {act.truth.t_s:.1f} s")
        if rng.random() < 0.4:
            covers.append(_in_the_roll(rng, act))
            told.append(f"{covers[-1].kind} over the roll at {covers[-1].from_s:.1f} s")
    length_s = acts[-1].ends_s
    flicker = (0.0, 0.0)
    how = str(rng.choice(["steady", "steady", "flicker", "exposure", "switched"]))
    if how == "flicker":
        flicker = (float(rng.uniform(0.01, 0.05)), float(rng.uniform(0.5, 10)))
        told.append(f"flicker {flicker[0]:.2f}")
    elif how in ("exposure", "switched"):
        at_s = float(rng.uniform(0.2, 0.9) * length_s)
        factor = float(rng.choice([rng.uniform(0.55, 0.85), rng.uniform(1.15, 1.6)]))
        light.append(LightChange(at_s, factor, at_once=how == "switched"))
        told.append(f"{how} by {factor:.2f} at {at_s:.1f} s")
    knocks: list[tuple[float, Camera]] = []
    if rng.random() < 0.25:
        at_s = float(rng.uniform(0.3, 0.9) * length_s)
        turn = np.radians(rng.normal(0, KNOCK_DEG / 2, 3).clip(-KNOCK_DEG, KNOCK_DEG))
        moved = camera.position_m + rng.uniform(-KNOCK_M, KNOCK_M, 3)
        turned = np.asarray(cv2.Rodrigues(turn)[0] @ camera.rotation)
        knocks.append((at_s, replace(camera, rotation=turned, position_m=moved)))
        told.append(f"knocked at {at_s:.1f} s")
    lamps = _lamp(rng, table, [camera, *(c for _, c in knocks)], tries) if rng.random() < 0.2 else []
    told += ["lamp in the picture"] if lamps else []
    return ", ".join(told) or "undisturbed", Disturbances(covers, decoys, light, flicker, knocks, lamps)


def _decoys(rng: np.random.Generator, tries: Sequence[Try]) -> list[Decoy]:
    kinds: tuple[DecoyKind, ...] = ("hand roll", "raked", "nudged", "practice strokes", "walker", "leaning")
    decoys: list[Decoy] = []
    for k, one in enumerate(tries):
        if rng.random() > 0.4:
            continue
        kind = kinds[int(rng.integers(len(kinds)))]
        ball = str(rng.choice(list(one.starts_m)))
        turn = rng.uniform(0, 2 * pi)
        towards = np.array([cos(turn), sin(turn)])
        speed, way = rng.uniform(0.3, 0.9), rng.uniform(0.2, 0.4) if kind == "raked" else rng.uniform(0.02, 0.05)
        # Away from rails and other balls, which a hand would not push a ball into.
        middle = np.mean([*one.starts_m.values()], axis=0)
        here = np.array(one.starts_m[ball])
        if kind in ("raked", "nudged"):
            inwards = np.array([1.27, 0.6]) - here
            towards = inwards / max(float(np.hypot(*inwards)), 0.1)
            if np.hypot(*(here - middle)) < 1e-9:
                towards = np.array([cos(turn), sin(turn)])
        by, velocity = towards * way, towards * speed
        decoys.append(
            Decoy(
                kind,
                k,
                ball,
                velocity=(float(velocity[0]), float(velocity[1])),
                by_m=(float(by[0]), float(by[1])),
                lasts_s=float(rng.uniform(2.5, 4.0)),
            )
        )
    return decoys


def _at_the_strike(rng: np.random.Generator, act: Act) -> Cover:
    """Somebody over the cue ball as it is struck, for up to a second."""
    assert act.truth is not None
    kind: CoverKind = ("head", "hand", "arm")[int(rng.integers(3))]  # type: ignore[assignment]
    strike, start = act.truth.t_s, act.truth.cue_start_m
    before, after = float(rng.uniform(0.15, 0.4)), float(rng.uniform(-0.1, 0.3))
    return Cover(kind, (float(start[0]), float(start[1])), strike - before, strike + after)


def _in_the_roll(rng: np.random.Generator, act: Act) -> Cover:
    """Somebody or something over the path of the cue ball while it rolls there."""
    assert act.truth is not None
    kind: CoverKind = ("body", "arm", "lamp")[int(rng.integers(3))]  # type: ignore[assignment]
    middle = act.truth.t_s + float(rng.uniform(0.7, 2.5))
    place = act.motion.where("cue", middle)
    if place is None:
        place = act.truth.cue_start_m
    half = float(rng.uniform(0.05, 0.25))
    return Cover(kind, (float(place[0]), float(place[1])), middle - half, middle + half)


def _lamp(rng: np.random.Generator, table: Table, cameras: Sequence[Camera], tries: Sequence[Try]) -> list[Vector]:
    """Corners of a lamp above the table that hides no ball's start from any of the cameras; none where none fits."""
    starts = np.array([(*p, table.ball_radius_m) for one in tries for p in one.starts_m.values()])
    for _ in range(20):
        x, y = table.centre_m + rng.uniform(-0.4, 0.4, 2)
        turn, level = radians(rng.uniform(-20, 20)), rng.uniform(0.7, 1.1)
        along, side = 0.45 * np.array([cos(turn), sin(turn)]), 0.06 * np.array([-sin(turn), cos(turn)])
        corners = np.array([np.append(np.array([x, y]) + a * along + b * side, level) for a, b in CORNERS])
        if all(_hides_none(camera, corners, starts, table) for camera in cameras):
            return [corners]
    return []


CORNERS = ((-1, -1), (1, -1), (1, 1), (-1, 1))


def _hides_none(camera: Camera, corners: Vector, starts: Vector, table: Table) -> bool:
    outline = camera.project(corners)
    if camera.position_m[2] < corners[0, 2] + 0.3 or not np.isfinite(outline).all():
        return False
    room = 3 * table.ball_radius_m * 1000 / camera.mm_per_px(table)
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(shape, (float(u), float(v)), True) < -room for u, v in camera.project(starts))
