"""The kicked or banked ball of a stroke: which one takes the rails, where it lay, how it set off."""

from dataclasses import dataclass

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.run import Run
from vision.contacts.sent_into_rail import Sent, carried_on, sent_by
from vision.contacts.struck_unseen import LEAST_SENT_MPS
from vision.launch import Launch, fit_launch
from vision.legs import Line, Path, fit_line
from vision.met_unseen import met_one_never_seen, sent_unseen
from vision.reading import BallHit
from vision.set_off import START_TOLERANCE_M
from vision.shot import Shot
from vision.sightings import Rest
from vision.strokes import Stroke

# A first leg of fewer sightings tells nothing of how a ball set off.
FEW_SEEN = 4


@dataclass(frozen=True)
class RailBall:
    """The kicked or banked ball: where it lay, how it set off, its run."""

    name: str
    rest: Rest
    launch: Launch
    run: Run


def rail_ball(stroke: Stroke, shot: Shot, table: Table, flags: list[str]) -> RailBall | None:
    """The ball that takes the rails in a kick or a bank, or None (``flags``, to which it is added, says why)."""
    if shot.kind == "kick":
        return RailBall("cue", stroke.rest, stroke.launch, stroke.cue)
    unseen_first = met_one_never_seen(stroke.cue, table)
    hit = None if unseen_first else next((j for j in stroke.cue.junctions if isinstance(j, BallHit)), None)
    name = hit.balls[1] if hit else sent_unseen(stroke, table)
    run = stroke.others.get(name) if name is not None else None
    if name is None or run is None:
        flags.append("no_ball_hit" if hit is not None or (name is None and not unseen_first) else "path_lost")
        return None
    rest = stroke.resting[name]
    launch = run.launch or _sent_launch(stroke, name, table) or fit_launch(rest.at_m, run.legs[0])
    if hit is None and not _leaves_its_place(rest, run, launch):
        # It was hit, or moved by hand: nobody saw which.
        flags.append("path_lost")
        return None
    return RailBall(name, rest, launch, run)


def _leaves_its_place(rest: Rest, run: Run, launch: Launch) -> bool:
    """Whether a ball sets off in a line from where it lay, faster than hands push balls about."""
    first = run.legs[0]
    if len(first) < FEW_SEEN or not launch.speed_mps > LEAST_SENT_MPS:
        return False
    off, sd = fit_line(first).miss(rest.at_m)
    return abs(off) < START_TOLERANCE_M + 3 * sd


def lost_as_it_set_off(stroke: Stroke, table: Table) -> RailBall | None:
    """The ball that the cue ball met and that was not seen again, as it was sent off; None when it met none, or one
    that no frame shows first."""
    hit = None if met_one_never_seen(stroke.cue, table) else next(iter(stroke.cue.ball_hits), None)
    rest = stroke.resting.get(hit.balls[1]) if hit is not None else None
    if hit is None or rest is None:
        return None
    name = hit.balls[1]
    sent = sent_by(stroke.cue, rest, name, table)
    if sent is None:
        return None
    return RailBall(name, rest, _launch_of(sent), Run(name, (carried_on(rest, sent),), ()))


def _sent_launch(stroke: Stroke, name: str, table: Table) -> Launch | None:
    """How a ball set off by the one that sent it, where it met something before it was seen often enough to tell."""
    if len(stroke.others[name].legs[0]) >= FEW_SEEN:
        return None
    sent = sent_by(stroke.cue, stroke.resting[name], name, table)
    return _launch_of(sent) if sent is not None else None


def _launch_of(sent: Sent) -> Launch:
    begin = sent.begin()
    return Launch(sent.time_s, begin.time_sd_s, sent.speed_mps, begin.velocity_sd_mps)


def ball_start(ball: RailBall, stroke: Stroke) -> Vector:
    """First point of the drawn path: t, x, y of the start."""
    return np.array([ball.launch.time_s if np.isfinite(ball.launch.time_s) else stroke.launch.time_s, *ball.rest.at_m])


def launch_line(rest: Rest, run: Run) -> Line:
    """The line a ball set off on: its resting place and its first leg together."""
    first = run.legs[0]
    place = Path(
        np.append(rest.first_s, first.t), np.vstack([rest.at_m, first.xy]), np.append(max(rest.sd_m, 1e-4), first.sd)
    )
    return fit_line(place)
