"""Films of our own renderer, each of another table, view, cloth, light and drill, read as they come. (``--drills N``)

What one tuned film cannot show: films drawn at random (``--seed S``, ``--first K`` begins at the K-th) of three tries
each, kicks and banks, with and without a target ball, stripes and bystanders; with ``--disturbed`` other ones, with
people and lamps over the table, decoys, light, knocks and the times of phones; with ``--like-cloth`` ones in which the
ball of the drill has nearly the cloth's colour. Told are attempts lost and made up,
wrong outcomes, errors, and errors in units of the stated standard deviations; each error beyond five of them is listed
with its film, and so is each film that was not read as it was. With ``--true-camera`` films are read with that: what
all of a film shares, the error of its registration, is then apart.
"""

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, inf, isfinite
from pathlib import Path

import numpy as np

from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import Rail, Vector
from tests.benchmarks.disturbed_films import draw_disturbed
from tests.benchmarks.drawn_films import MadeUp, draw_film, draw_like_cloth
from tests.known_clips import SAME_CONTACT_S, SAME_STROKE_S, Comparison, Error
from tests.rendering import Truth, TryTruth, render_clip
from tests.rendering.motion import Motion
from tests.vision.films import turned
from vision.read import read_clip
from vision.reading import Attempt
from vision.shot import Shot

# An error of more stated standard deviations than this is listed.
FAR_OFF_SDS = 5.0
# Quantities compared: the unit in which each is told, and how many of it make one of the errors'.
WHATS = {
    "start": ("mm", 1e3),
    "bearing": ("deg", degrees(1)),
    "speed": ("%", 1e2),
    "strike": ("ms", 1e3),
    "contact": ("mm", 1e3),
    "miss": ("mm", 1e3),
}


@dataclass(frozen=True)
class Known:
    """What a try truly was by the shot's definition: the ball that counts, its line and speed; NaN without one."""

    ball: str | None
    start_m: Vector
    bearing_rad: float
    speed_mps: float
    rails_m: tuple[tuple[Rail, float, Vector], ...]
    miss_m: float
    made: bool


def known(true: TryTruth, film: MadeUp) -> Known:
    """Truth of a try. Its miss is NaN as well when another ball was met before the last rail named."""
    motion, shot = true.motion, film.shot
    target_m = None
    if shot.kind == "kick":
        ball, launch = "cue", motion.leg_at("cue", true.t_s)
        waiting = _waiting(motion, shot)
        target_m = motion.starts_m[waiting] if waiting is not None else None
    else:
        met = next((c for c in motion.balls if "cue" in c.balls), None)
        if met is None:
            return Known(None, np.full(2, np.nan), np.nan, np.nan, (), np.nan, False)
        ball = next(b for b in met.balls if b != "cue")
        launch = motion.leg_at(ball, met.t_s)
    assert launch is not None
    target = shot.target_point_m(film.table, target_m) if shot.target_ball != "any" or target_m is not None else None
    own = [c for c in motion.rails if c.ball == ball]
    taken = 0
    while taken < min(len(own), len(shot.rails)) and own[taken].rail == shot.rails[taken]:
        taken += 1
    miss = motion.miss_m(ball, shot.rails, target) if target is not None else np.nan
    met_before = False
    if taken == len(shot.rails):
        last_s = own[taken - 1].t_s
        if any(ball in c.balls and launch.t_s + 1e-6 < c.t_s < last_s for c in motion.balls):
            miss, met_before = np.nan, True
    dropped = {p.ball: p.pocket for p in motion.pockets}
    wanted = ball if shot.kind == "bank" or shot.target_ball is None else waiting
    # A ball that came in by other rails is not made, whatever it dropped into.
    made = taken == len(shot.rails) and not met_before
    if shot.made == "hit":
        made = made and _first_met(motion, ball, own[taken - 1].t_s) == waiting is not None
    else:
        made = made and isfinite(miss) and dropped.get(wanted) == shot.target_pocket
    velocity = launch.velocity_at(launch.t_s)
    return Known(
        ball,
        motion.starts_m[ball],
        float(np.arctan2(velocity[1], velocity[0])),
        float(np.hypot(*velocity)),
        tuple((c.rail, c.t_s, c.at_m) for c in own[:taken]),
        miss,
        made,
    )


def _waiting(motion: Motion, shot: Shot) -> str | None:
    """The ball that a kick is to reach: the one nearest to the place named, or whichever is met first."""
    if shot.target_ball == "any":
        return _first_met(motion, "cue", -inf)
    if shot.target_ball is None:
        return None
    place = np.array(shot.target_ball)
    return min((n for n in motion.starts_m if n != "cue"), key=lambda n: float(np.hypot(*(motion.starts_m[n] - place))))


def _first_met(motion: Motion, ball: str, since_s: float) -> str | None:
    """The first ball that another one meets after a moment."""
    met = next((c for c in motion.balls if ball in c.balls and c.t_s > since_s), None)
    return next(b for b in met.balls if b != ball) if met is not None else None


def held(attempt: Attempt, true: Known) -> tuple[list[Error], list[str]]:
    """Errors of an attempt, and what was told wrongly, in words."""
    wrong: list[str] = []
    if attempt.outcome != "unclear" and (attempt.outcome == "made") != true.made:
        wrong.append(f"outcome {attempt.outcome}")
    if true.ball is None:
        return [], wrong
    turn = float(np.angle(np.exp(1j * (attempt.bearing_rad - true.bearing_rad))))
    errors = [
        Error("start", attempt.start_m - true.start_m, attempt.start_sd_m),
        Error("bearing", np.array([turn]), attempt.bearing_sd_rad),
        Error("speed", np.array([attempt.speed_mps / true.speed_mps - 1]), attempt.speed_sd_mps / true.speed_mps),
    ]
    if isfinite(true.miss_m) and isfinite(attempt.miss_m):
        errors.append(Error("miss", np.array([attempt.miss_m - true.miss_m]), attempt.miss_sd_m))
    elif isfinite(true.miss_m) or isfinite(attempt.miss_m):
        wrong.append("miss not told" if isfinite(true.miss_m) else "miss made up")
    for rail, t_s, at_m in true.rails_m:
        near = [h for h in attempt.contacts if h.rail == rail and abs(h.t_s - t_s) < SAME_CONTACT_S]
        if not near:
            wrong.append(f"{rail} rail not told")
            continue
        hit = min(near, key=lambda h: abs(h.t_s - t_s))
        along = 0 if rail in ("left", "right") else 1
        errors.append(Error("contact", np.array([hit.at_m[along] - at_m[along]]), hit.at_sd_m))
    return [e for e in errors if np.isfinite(e.by).all()], wrong


def read_film(
    film: MadeUp, number: int, to: Path | None = None, true_camera: bool = False
) -> tuple[Comparison | None, int, list[str]]:
    """Errors of one film, how many outcomes were left unclear, and what was wrong in it; kept in the folder ``to``."""
    refusals: list[str] = []
    if to is not None:
        to.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        path = (to or Path(folder)) / f"film{number}.mp4"
        truth: Truth = render_clip(
            path,
            film.camera,
            film.table,
            film.tries,
            look=film.look,
            fps=film.fps,
            dress=film.dress,
            exposure_s=film.exposure_s,
            sub_exposures=film.sub_exposures,
            crf=film.crf,
            seed=number,
            disturbances=film.disturbances,
            clock=film.clock,
            turn_deg=film.turn_deg,
        )
        if film.turn_deg:
            path.write_bytes(turned(path.read_bytes(), film.turn_deg))
        setup = Setup(film.table, "left", film.camera) if true_camera else None
        for table in ("auto", film.table.name)[: 1 if setup else 2]:
            try:
                reading = read_clip(path, film.shot, table=table, setup=setup)
                break
            except InputError as error:
                refusals.append(
                    f"refused{', table given' if table != 'auto' else ''}: {str(error).removeprefix(f'{path}: ')}"
                )
        else:
            return None, 0, refusals
    wrong = refusals
    errors: list[Error] = []
    left, found, outcomes, lost = list(reading.attempts), 0, 0, 0
    unclear = sum(a.outcome == "unclear" for a in left)
    for k, true in enumerate(truth.tries):
        near = [a for a in left if abs(a.t_s - true.t_s) < SAME_STROKE_S]
        if not near:
            why = [f"{n.why} ({n.t_s:.1f} s)" for n in reading.not_attempts if abs(n.t_s - true.t_s) < 1.0]
            wrong.append(f"try {k + 1} lost{': ' + ', '.join(why) if why else ''}")
            continue
        attempt = min(near, key=lambda a: abs(a.t_s - true.t_s))
        left.remove(attempt)
        found += 1
        its_errors, its_wrong = held(attempt, known(true, film))
        its_errors.append(Error("strike", np.array([attempt.t_s - true.t_s]), attempt.t_sd_s))
        errors += its_errors
        outcomes += any(w.startswith("outcome") for w in its_wrong)
        lost += sum(w.endswith("rail not told") for w in its_wrong)
        for e in its_errors:
            off = float(np.abs(e.standardised).max()) if e.sd > 0 else inf
            if off > FAR_OFF_SDS:
                unit, factor = WHATS[e.what]
                size = factor * float(np.abs(e.by).max())
                its_wrong.append(f"{e.what} {size:.2g} {unit} off, {off:.0f} sds")
        if attempt.outcome == "unclear":
            its_wrong.append("unclear")
        if its_wrong:
            flags = f" [{', '.join(attempt.flags)}]" if attempt.flags else ""
            wrong.append(f"try {k + 1} ({true.t_s:.1f} s): {', '.join(its_wrong)}{flags}")
    wrong += [f"false attempt at {a.t_s:.1f} s" for a in left]
    return Comparison(len(truth.tries), found, len(left), outcomes, lost, tuple(errors)), unclear, wrong


def run(
    drills: int = 20,
    seed: int = 1,
    first: int = 0,
    to: Path | None = None,
    disturbed: bool = False,
    like_cloth: bool = False,
    true_camera: bool = False,
) -> dict[str, list[dict[str, float | str]]]:
    """Counts, errors of each quantity, and the films that were not read as they were."""
    read: list[Comparison] = []
    listed: list[dict[str, float | str]] = []
    refused = unclear = 0
    draw = draw_disturbed if disturbed else draw_like_cloth if like_cloth else draw_film
    for number in range(first, first + drills):
        film = draw(np.random.default_rng([seed, number]))
        found, doubtful, wrong = read_film(film, number, to, true_camera)
        unclear += doubtful
        if found is None:
            refused += 1
        else:
            read.append(found)
        for what in wrong:
            listed.append({"film": str(number), "what": what, "drawn": film.told})
            print(f"{number}: {what} ({film.told})", file=sys.stderr, flush=True)
    counts: dict[str, float | str] = {
        "films": str(drills),
        "refused": str(refused),
        "found": f"{sum(c.found for c in read)} of {sum(c.attempts for c in read)}",
        "false": str(sum(c.false for c in read)),
        "wrong_outcomes": str(sum(c.wrong_outcomes for c in read)),
        "unclear": str(unclear),
        "contacts_lost": str(sum(c.lost_contacts for c in read)),
    }
    return {"films": [counts], "errors": [_row(what, read) for what in WHATS], "not read as it was": listed}


def _row(what: str, read: Sequence[Comparison]) -> dict[str, float | str]:
    unit, factor = WHATS[what]
    errors = [e for c in read for e in c.of(what)]
    size = np.array([float(np.hypot.reduce(e.by)) for e in errors])
    off = np.concatenate([np.abs(e.standardised) for e in errors if e.sd > 0]) if errors else np.zeros(0)
    return {
        "quantity": what,
        "n": float(len(size)),
        "unit": unit,
        "median": factor * float(np.median(size)) if len(size) else np.nan,
        "of_95_percent": factor * float(np.percentile(size, 95)) if len(size) else np.nan,
        "rms": factor * float(np.sqrt((size**2).mean())) if len(size) else np.nan,
        "median_in_sds": float(np.median(off) / 0.6745) if len(off) else np.nan,
        "rms_in_sds": float(np.sqrt((off**2).mean())) if len(off) else np.nan,
        "beyond_3_sds": f"{(off > 3).mean():.1%}" if len(off) else "",
    }
