"""Does the 95 % region hold the true point, when whole drills are filmed, read and fitted? (``--drills N``, 10 else.)

A drill is a film of our own renderer: one ball, one rail, half a dozen attempts from places over the table, lines
spread at random round the needed ones, 640 x 360 pixels; camera, cloth, light and noise are drawn anew for each.
Cushions send a ball off at a tangent of k times that of a mirror, from any angle, and legs are straight: the needed
lines of all starts then meet in one point exactly, k times as far behind the track line as the target lies before it
(a mirror's, by unfolding, for k = 1). So errors of starts, bearings and misses, what a camera turns alike, and the gain
by which a miss is carried back are all that can part the fitted point from the true one.

Each drill is read with its camera found from the film, the size of the table stated (one ball at 360 lines does not
tell it), and with its camera given, and fitted from its measured misses (``misses``) and from its lines alone, as if
each had succeeded (``lines``: the player's spread is the scatter then).
It takes about 20 seconds of processor time.
"""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, nan, radians
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import fit_shot
from app.fitting.region import CONFIDENCE, p_values
from calibration.camera import Camera, Setup
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Vector
from calibration.unfold import reflect
from tests.rendering import WHITE, Look, Physics, Truth, Try, overhead_camera, render_clip
from vision.read import read_clip
from vision.reading import Reading
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
SIZE, FPS = (640, 360), 30.0
ATTEMPTS = (5, 7)
CLOTHS = ((62, 134, 84), (58, 98, 150), (120, 124, 128), (126, 52, 56))
# How cushions differ from a mirror in the drills that say so: k is 1 give or take this (sd).
GAIN_SD = 0.10
# Lines that miss a sight by this much still come off the rail beside the pockets.
CLEAR_DEG = 3.0
AUTOMATIC, GIVEN = "found", "given"
MISSES, LINES = "misses", "lines"


@dataclass(frozen=True)
class FilmedDrill:
    """A drill as it is to be filmed. ``point_m`` (2,) is where the needed lines meet; ``k`` as the module says."""

    shot: Shot
    k: float
    camera: Camera
    look: Look
    tries: tuple[Try, ...]
    point_m: Vector


@dataclass(frozen=True)
class Fitted:
    """One fit of one drill: whether the region holds the truth, and the errors of (phi, kappa) in stated sds, (2,)."""

    mirror: bool
    camera: str
    evidence: str
    held: bool
    standardised: Vector
    distance: float


def draw_drill(rng: np.random.Generator, *, mirror: bool) -> FilmedDrill:
    """A one-rail kick off the left rail to a place on the bed, from starts drawn until their paths are clear."""
    k = 1.0 if mirror else float(np.clip(rng.normal(1.0, GAIN_SD), 0.75, 1.3))
    target = np.array([rng.uniform(1.9, 2.25), rng.uniform(0.2, 0.5)])
    _, level = TABLE.track_coordinate("left")
    point = np.array([target[0], level + k * (level - target[1])])
    spread = rng.uniform(0.3, 0.8)
    tries: list[Try] = []
    count = int(rng.integers(ATTEMPTS[0], ATTEMPTS[1]))
    while len(tries) < count:
        start = rng.uniform([0.3, 0.2], [1.5, 0.8])
        needed = degrees(np.arctan2(*(point - start)[::-1]))
        if not all(_clear(start, radians(needed + off)) for off in (-CLEAR_DEG, 0.0, CLEAR_DEG)):
            continue
        if any(np.hypot(*(start - t.starts_m["cue"])) < 0.15 for t in tries):
            continue
        bearing = needed + float(np.clip(rng.normal(0, spread), -CLEAR_DEG, CLEAR_DEG))
        speed = float(rng.uniform(1.9, 2.6))
        tries.append(Try({"cue": (float(start[0]), float(start[1]))}, bearing, speed, wait_s=1.8, watch_s=3.0))
    shot = Shot("drill", "kick", ("left",), "pocketed", target_pocket="foot-right", target_aim=tuple(target))
    aside = rng.uniform(-0.12, 0.12, 2)
    camera = overhead_camera(
        TABLE,
        size=SIZE,
        height_m=float(rng.uniform(2.4, 3.0)),
        aside_m=(float(aside[0]), float(aside[1])),
        roll_deg=float(rng.uniform(-2, 2)),
        k1=float(rng.uniform(-0.06, 0.0)),
    )
    look = Look(
        cloth=CLOTHS[rng.integers(len(CLOTHS))],
        lamp_m=(float(rng.uniform(-0.4, 0.4)), float(rng.uniform(-0.3, 0.3)), float(rng.uniform(1.2, 2.0))),
        light=float(rng.uniform(0.8, 1.15)),
        noise_sd=float(rng.uniform(1.0, 3.0)),
    )
    return FilmedDrill(shot, k, camera, look, tuple(tries), point)


def _clear(start_m: Vector, bearing_rad: float) -> bool:
    """Whether a line meets the left rail first, and on rubber."""
    contacts, _ = reflect(start_m, bearing_rad, ("left",), TABLE)
    return len(contacts) == 1 and not contacts[0].beyond and contacts[0].at_m[0] < TABLE.length_m - 0.15


def film(drill: FilmedDrill, path: Path, seed: int) -> Truth:
    """Render a drill. Speed is kept along the rail times k, so that the tangent of the angle off it is."""
    physics = Physics(rail_restitution=min(1.0, 1 / drill.k), rail_tangential=min(1.0, drill.k), bends=False)
    return render_clip(
        path,
        drill.camera,
        TABLE,
        drill.tries,
        look=drill.look,
        fps=FPS,
        physics=physics,
        dress={"cue": (WHITE, "plain")},
        sub_exposures=4,
        crf=16,
        seed=seed,
    )


def rows_of(reading: Reading, shot_name: str, *, misses: bool) -> list[AttemptRow]:
    """The attempts as a log holds them; without misses, as lines that are taken for those that succeed."""
    return [
        AttemptRow(
            row=k + 2,
            shot=shot_name,
            start_x_m=float(a.start_m[0]),
            start_y_m=float(a.start_m[1]),
            bearing_rad=a.bearing_rad,
            bearing_sd_rad=a.bearing_sd_rad,
            clip="clip",
            common_bearing_sd_rad=reading.camera.common_bearing_sd_rad,
            miss_m=a.miss_m if misses else nan,
            miss_sd_m=a.miss_sd_m if misses else nan,
            miss_per_rad_m=a.miss_per_rad_m if misses else nan,
            speed_mps=a.speed_mps,
        )
        for k, a in enumerate(reading.attempts)
        if np.isfinite(a.miss_m)
    ]


def fitted(drill: FilmedDrill, reading: Reading, camera: str, evidence: str) -> Fitted:
    """Fit a reading and hold the true point against it."""
    rows = rows_of(reading, drill.shot.name, misses=evidence == MISSES)
    found = fit_shot(rows, shot_name=drill.shot.name, table=TABLE, shot=drill.shot).convergence
    away = drill.point_m - TABLE.centre_m
    true = np.array([np.arctan2(away[1], away[0]), 1 / np.hypot(*away)])
    if found.nodes is None:
        return Fitted(drill.k == 1, camera, evidence, False, np.full(2, nan), nan)
    held = bool(p_values(gather(rows, TABLE, drill.shot).observations, found.nodes, true[None])[0] >= 1 - CONFIDENCE)
    off = found.family - true
    off[0] = float(np.angle(np.exp(1j * off[0])))
    covariance = found.family_covariance
    return Fitted(
        drill.k == 1,
        camera,
        evidence,
        held,
        off / np.sqrt(np.diag(covariance)),
        float(off @ np.linalg.solve(covariance, off)),
    )


def one_drill(seed: int, number: int) -> tuple[list[Fitted], str]:
    """All fits of one drill, and what went wrong with it, if anything did."""
    rng = np.random.default_rng([seed, number])
    drill = draw_drill(rng, mirror=number % 2 == 0)
    results: list[Fitted] = []
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drill.mp4"
        truth = film(drill, path, seed=number)
        for camera, setup in ((AUTOMATIC, None), (GIVEN, Setup(TABLE, "left", drill.camera))):
            table = TABLE.name if setup is None else "auto"
            try:
                reading = read_clip(path, drill.shot, table=table, setup=setup)
            except InputError as error:
                wrong.append(f"camera {camera}: {str(error).removeprefix(f'{path}: ')}")
                continue
            if len(reading.attempts) != len(truth.tries):
                wrong.append(f"camera {camera}: {len(reading.attempts)} of {len(truth.tries)} attempts found")
            for a in reading.attempts:
                if not np.isfinite(a.miss_m):
                    wrong.append(f"camera {camera}: no miss at {a.t_s:.1f} s, flags {', '.join(a.flags) or 'none'}")
            results += [fitted(drill, reading, camera, evidence) for evidence in (MISSES, LINES)]
    return results, "; ".join(wrong)


def run(drills: int = 10, seed: int = 7) -> dict[str, list[dict[str, float | str]]]:
    """Held and total by family with a binomial interval, mean errors in stated sds, and what was not read as it was."""
    results: list[Fitted] = []
    wrong: list[dict[str, float | str]] = []
    for number in range(drills):
        found, why = one_drill(seed, number)
        results += found
        if why:
            wrong.append({"drill": str(number), "what": why})
    rows = [
        summary(cushions, camera, evidence, some)
        for cushions, kinds in (("mirrors", {True}), ("not mirrors", {False}), ("all", {True, False}))
        for camera in (AUTOMATIC, GIVEN)
        for evidence in (MISSES, LINES)
        if (some := [r for r in results if r.mirror in kinds and (r.camera, r.evidence) == (camera, evidence)])
    ]
    return {"regions": rows, "not read as it was": wrong}


def summary(cushions: str, camera: str, evidence: str, results: Sequence[Fitted]) -> dict[str, float | str]:
    """One row: how many regions hold the point, within which limits the true share lies (95 %), and the errors."""
    held = sum(r.held for r in results)
    share = binomtest(held, len(results)).proportion_ci(0.95, method="wilson")
    off = np.array([r.standardised for r in results])
    told = np.isfinite(off).all(axis=1)
    distance = np.array([r.distance for r in results])[told]
    mean_sd = 1 / np.sqrt(max(int(told.sum()), 1))
    return {
        "cushions": cushions,
        "camera": camera,
        "from": evidence,
        "held": f"{held} of {len(results)}",
        "percent_from": 100 * share.low,
        "percent_to": 100 * share.high,
        "mean_direction_in_sds": float(off[told, 0].mean()) if told.any() else nan,
        "mean_inverse_distance_in_sds": float(off[told, 1].mean()) if told.any() else nan,
        "give_or_take": mean_sd,
        # One for two honest standard deviations that are well known; few attempts leave it larger.
        "mean_squared_in_sds": float(distance.mean() / 2) if told.any() else nan,
    }
