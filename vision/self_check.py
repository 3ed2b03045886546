"""Checking a camera without a truth: what balls at rest in a film say of the measurement.

Balls have one size all over the table, lie still when they lie still, and are as far apart as a tape says. Nothing of
this was used to find the camera, but for the balls' mean size, which told the table.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.accuracy import place_sd_m
from calibration.ball_outline import BallOutline
from calibration.ball_size import LEAST_AGREEMENT, LEAST_CONTRAST, MOST_SD_SHARE
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.setup_check import check_setup
from calibration.size_over_table import SizedBall, size_over_table, size_sd_m
from calibration.still import draw_setup
from calibration.table import Table, Vector
from vision.background import learn_background
from vision.checked import Distance, Drift, OnSpot, Scatter, SelfCheck, SizedPlace
from vision.film.clip import Clip, open_clip
from vision.resting import RestingBall, busiest_stretch, find_resting, watch
from vision.stands import longest_part, register_part

# A ball this near to a spot may lie on it.
SPOT_REACH_M = 0.025
# Pairs of balls whose distance is told, the farthest first; a pair within this of one told before is the same again.
DISTANCES_TOLD, SAME_PLACE_M = 3, 0.03
# Two balls whose distance differs from the tape's by more are not the two that it was held to.
OTHER_PAIR_M = 0.10
# A drift is told of a ball that lay for so long, and does no harm up to so much (pixels at 1920 across).
LEAST_DRIFT_S, MOST_DRIFT_PX = 10.0, 0.3
# Neighbouring looks share compression and light: of so many one counts.
LOOKS_ALIKE = 4


def check_clip_setup(
    path: Path,
    *,
    table: str = "auto",
    head: str | None = None,
    corners_px: Vector | None = None,
    setup: Setup | None = None,
    tapes_m: Sequence[float] = (),
    progress: Callable[[float], None] | None = None,
) -> SelfCheck:
    """Check a camera by the balls at rest in a film, where its camera stood longest.

    Parameters
    ----------
    path : the film; minutes are better than seconds, balls all over the table better than two.
    table, head, corners_px : as for ``read.setup_clip``; used when no ``setup`` is given.
    setup : a camera registered before, which is checked as it is.
    tapes_m : distances between centres of two balls at rest, by a tape.

    Raises
    ------
    InputError : the film cannot be read or shows no table, or the saved camera is of another picture size.
    """
    with open_clip(path) as clip:
        if setup is not None and (clip.width, clip.height) != (setup.camera.width, setup.camera.height):
            raise InputError(
                f"{path}: the film has {clip.width} x {clip.height} pixels, the camera was registered at "
                f"{setup.camera.width} x {setup.camera.height}; give a film of that camera."
            )
        part = longest_part(clip)
        if not part.stills:
            raise InputError(f"{path}: not one frame of the film can be decoded; copy it anew.")
        if setup is None:
            setup = register_part(clip, part, table, head, corners_px)
        background = learn_background(part.stills, setup.camera, setup.table)
        until_s = part.until_s if np.isfinite(part.until_s) else np.inf
        noses = check_setup([still.bgr() for still in part.stills[::2]], setup)
        # Where not even the noses are, the camera is another's, and what looks like balls there is none.
        seen = bool(np.isfinite(noses.worst_px))
        balls = find_resting(clip, setup, background, part.from_s, until_s, progress) if seen else []
        places, sizes = _sizes(balls, setup)
        distances = _distances(balls, setup)
        taped = [(tape, _taped(distances, tape)) for tape in tapes_m]
        return SelfCheck(
            setup=setup,
            from_s=part.from_s,
            until_s=part.until_s,
            whole=not (part.from_s > clip.start_s or part.until_s < clip.start_s + clip.duration_s),
            noses=noses,
            balls=tuple(balls),
            places=tuple(places),
            sizes=size_over_table(sizes, setup.table),
            spots=tuple(_on_spots(balls, setup)),
            distances=tuple(_once(distances)[:DISTANCES_TOLD]),
            tapes=tuple(pair for _, pair in taped if pair is not None),
            tapes_without=tuple(tape for tape, pair in taped if pair is None),
            scatter=tuple(_scatter(clip, balls, setup)),
            drift=_drift(balls, setup),
            still=draw_setup(part.stills[0].bgr(), setup, rotation_deg=clip.rotation_deg),
        )


def spots_m(table: Table) -> dict[str, Vector]:
    """The spots: a quarter, half and three quarters along the middle line (WPA's published equipment specification)."""
    shares = (("head", 0.25), ("centre", 0.5), ("foot", 0.75))
    return {name: np.array([share * table.length_m, table.width_m / 2]) for name, share in shares}


def _sizes(balls: Sequence[RestingBall], setup: Setup) -> tuple[list[SizedPlace], list[SizedBall]]:
    """Diameters place by place. A ball that came to lie where one of its colour lay before adds to that."""
    groups: list[list[RestingBall]] = []
    for ball in balls:
        same = [g for g in groups if g[0].colour == ball.colour and _apart(g[0], ball) < SAME_PLACE_M]
        if same:
            same[0].append(ball)
        else:
            groups.append([ball])
    places, sizes = [], []
    for group in groups:
        outlines = [outline for ball in group for outline in ball.outlines]
        good = [outline for outline in outlines if not _blemish(outline)]
        colour, at_m, nan = group[0].colour, np.mean([ball.at_m for ball in group], axis=0), float("nan")
        if not good:
            why = _blemish(outlines[-1]) if outlines else "not seen for long enough"
            places.append(SizedPlace(colour, at_m, nan, nan, why))
            continue
        size = SizedBall(
            ball=colour,
            at_m=at_m,
            radius_m=float(np.median([outline.radius_m for outline in good])),
            noise_sd_m=float(np.median([outline.sd_m for outline in good]) / np.sqrt(len(good))),
            radius_px=float(np.median([outline.radius_px for outline in good])),
            slant=_slant(at_m, setup),
        )
        sizes.append(size)
        places.append(SizedPlace(colour, at_m, 2 * size.radius_m, 2 * size_sd_m(size), ""))
    return places, sizes


def _slant(at_m: Vector, setup: Setup) -> float:
    """Sine of the angle between the line of sight to a ball and straight down."""
    way = np.array([*at_m, setup.table.ball_radius_m]) - setup.camera.position_m
    return float(np.hypot(*way[:2]) / np.linalg.norm(way))


def _blemish(outline: BallOutline) -> str:
    """Why an outline does not tell the ball's size; empty when it does."""
    if outline.contrast <= LEAST_CONTRAST:
        return "too little contrast with the cloth"
    if outline.agreement <= LEAST_AGREEMENT:
        return "partly hidden"
    return "outline not clear" if outline.sd_m >= MOST_SD_SHARE * outline.radius_m else ""


def _apart(first: RestingBall, second: RestingBall) -> float:
    return float(np.hypot(*(first.at_m - second.at_m)))


def _on_spots(balls: Sequence[RestingBall], setup: Setup) -> list[OnSpot]:
    """For each spot the ball that lay nearest to it, if one was near."""
    found = []
    for name, place in spots_m(setup.table).items():
        near = min(balls, key=lambda b: float(np.hypot(*(b.at_m - place))), default=None)
        if near is not None and np.hypot(*(near.at_m - place)) <= SPOT_REACH_M:
            sd = float(np.hypot(near.sd_m, place_sd_m(setup, near.at_m[None])[0]))
            found.append(OnSpot(name, near, near.at_m - place, sd))
    return found


def _distances(balls: Sequence[RestingBall], setup: Setup) -> list[Distance]:
    """Of all pairs that lay still at the same time, the farthest first."""
    pairs = [
        (first, second)
        for k, first in enumerate(balls)
        for second in balls[k + 1 :]
        if min(first.last_s, second.last_s) > max(first.first_s, second.first_s)
    ]
    return sorted((_distance(first, second, setup) for first, second in pairs), key=lambda d: -d.distance_m)


def _distance(first: RestingBall, second: RestingBall, setup: Setup) -> Distance:
    camera, radius_m = setup.camera, setup.table.ball_radius_m
    places = np.array([first.at_m, second.at_m])
    way = places[1] - places[0]
    distance = float(np.hypot(*way))
    pixels = camera.project(np.column_stack([places, [radius_m, radius_m]]))
    sensitivity = camera.plane_sensitivity(pixels, radius_m)
    slope = (way / distance) @ (sensitivity[1] - sensitivity[0])
    variance = float(slope @ camera.covariance @ slope) + first.sd_m**2 + second.sd_m**2
    # A camera without a covariance is given as exact, which none is.
    known = bool(camera.covariance.any()) and variance >= 0
    return Distance(first, second, distance, float(np.sqrt(variance)) if known else float("nan"))


def _once(distances: Sequence[Distance]) -> list[Distance]:
    """Without pairs that lay where another pair lay."""
    out: list[Distance] = []
    for pair in distances:
        ends = (pair.first, pair.second)
        before = [(p.first, p.second) for p in out] + [(p.second, p.first) for p in out]
        if not any(_apart(ends[0], a) < SAME_PLACE_M and _apart(ends[1], b) < SAME_PLACE_M for a, b in before):
            out.append(pair)
    return out


def _taped(distances: Sequence[Distance], tape_m: float) -> Distance | None:
    """The pair whose distance is nearest to a tape's; None when none is near."""
    nearest = min(distances, key=lambda d: abs(d.distance_m - tape_m), default=None)
    if nearest is None or abs(nearest.distance_m - tape_m) > OTHER_PAIR_M:
        return None
    return replace(nearest, tape_m=tape_m)


def _scatter(clip: Clip, balls: Sequence[RestingBall], setup: Setup) -> list[Scatter]:
    """Scatter from frame to frame of the balls that lie still together, in the stretch where most do."""
    stretch = busiest_stretch(balls)
    if stretch is None:
        return []
    from_s, until_s = stretch
    lying = [ball for ball in balls if ball.first_s <= from_s and ball.last_s >= until_s]
    found = []
    for ball, places in zip(lying, watch(clip, setup, lying, from_s, until_s), strict=True):
        if len(places) > LOOKS_ALIKE:
            # Robustly, so that a passing hand does not count; 1.4826 makes a median deviation a normal's sd.
            away = np.median(np.abs(places - np.median(places, axis=0)), axis=0)
            sd = 1.4826 * float(np.sqrt(np.mean(away**2)))
            found.append(Scatter(ball, len(places), until_s - from_s, sd, ball.sd_m))
    return found


def _drift(balls: Sequence[RestingBall], setup: Setup) -> Drift | None:
    """The drift of the ball that lay longest, from the middle of its first third of looks to that of its last."""
    longest = max(balls, key=lambda b: b.last_s - b.first_s, default=None)
    if longest is None or longest.last_s - longest.first_s < LEAST_DRIFT_S:
        return None
    camera, third = setup.camera, max(len(longest.places_m) // 3, 1)
    early, late = longest.places_m[:third], longest.places_m[-third:]
    spread = float(np.sqrt((early.var(axis=0) + late.var(axis=0)).sum()))
    most_px = MOST_DRIFT_PX * max(camera.width, camera.height) / 1920
    return Drift(
        ball=longest,
        over_s=longest.last_s - longest.first_s,
        drift_m=float(np.hypot(*(np.median(late, axis=0) - np.median(early, axis=0)))),
        sd_m=spread / float(np.sqrt(max(third / LOOKS_ALIKE, 1.0))),
        most_m=most_px * camera.mm_per_px(setup.table) / 1000,
    )
