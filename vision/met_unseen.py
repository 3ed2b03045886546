"""Balls met where no frame shows it: in the place of one that was not seen, by one that was out of sight, or one that
has the cloth's own colour."""

from math import hypot

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.knocks import SAME_S
from vision.contacts.run import Run
from vision.dropped import SEEMS_THERE_S
from vision.legs import motion_at
from vision.reading import BallHit
from vision.strokes import Stroke

# A ball that comes this near to where another should lie, besides both radii, may have met it: it need not lie right
# there, and may be met between two frames.
MET_WITHIN_M = 0.02
# Between two sightings the cue ball goes no farther than its speed takes it, give or take so much: it gains none there,
# but the speed of one that was hardly seen is known no better than to this share.
REACH_M, FASTER_SHARE = 0.03, 1.15
# What turned a ball on the open bed, so many radii from where it would meet a rail at least, was no rail; it is told by
# so many sightings for so long on either side, for a stick spoils a few, and a ball changes another's velocity by more
# than this.
OPEN_BED_RADII, TURN_SEEN, TURN_SEEN_S, HIT_MPS = 1.0, 3, 0.08, 0.3


def met_unseen(run: Run, leg: int, place_m: Vector | None, table: Table) -> bool:
    """Whether a ball came up to the place (2,) of another that was not seen, from a leg on, and not over it."""
    if place_m is None:
        return False
    over_m = nearest_m = float("inf")
    for k in range(leg, min(leg + 2, len(run.legs))):
        seen = run.legs[k].xy
        if k == leg:
            # One that is stopped short of it by the other may roll on over its place after.
            over_m = _passed_m(seen, place_m)
        # Where a leg is cut may be nearer than what any frame shows.
        turned = [junction.at_m for junction in run.junctions[k : k + 1] if junction is not None]
        nearest_m = min(nearest_m, _passed_m(np.array([*seen, *turned]), place_m))
    return over_m > table.ball_radius_m and nearest_m < 2 * table.ball_radius_m + MET_WITHIN_M


def sent_unseen(stroke: Stroke, table: Table) -> str | None:
    """The ball that set off first of those that nothing is known to have met, where the cue ball may have met it.

    That is where the cue ball was near, or so long out of sight that it had the time to go there and on to where it is
    seen next. None when there is no such ball.
    """
    # One that was never seen under way may have set off at any time before it was gone.
    gone_s = {**dict.fromkeys(stroke.vanished, stroke.end_s), **{p.ball: p.t_s for p in stroke.pocketed}}
    seen_s = {name: float(run.legs[0].t[0]) for name, run in stroke.others.items()}
    left_s = {name: at_s for name, at_s in {**gone_s, **seen_s}.items() if name in stroke.resting}
    found = [
        (at_s, name)
        for name, at_s in left_s.items()
        if not _known_to_be_met(stroke, name, at_s) and _within_reach(stroke, name, at_s, table)
    ]
    return min(found)[1] if found else None


def met_one_never_seen(run: Run, table: Table) -> bool:
    """Whether something that no frame shows turned a ball on the open bed: one of the cloth's own colour perhaps."""
    for k, junction in enumerate(run.junctions):
        if isinstance(junction, BallHit):
            return False
        before, after = run.legs[k], run.legs[k + 1]
        if junction is not None or min(len(before), len(after)) < TURN_SEEN:
            continue
        if min(leg.t[-1] - leg.t[0] for leg in (before, after)) < TURN_SEEN_S:
            continue
        turned_s = (before.t[-1] + after.t[0]) / 2
        at_m = np.array([before.xy[-1], after.xy[0]])
        from_noses = np.array([at_m, (table.length_m, table.width_m) - at_m])
        if from_noses.min() < table.track_offset_m + OPEN_BED_RADII * table.ball_radius_m:
            continue
        came, went = motion_at(before, turned_s), motion_at(after, turned_s)
        change = float(np.hypot(*(went.velocity_mps - came.velocity_mps)))
        if change > HIT_MPS + 4 * hypot(came.velocity_sd_mps, went.velocity_sd_mps):
            return True
    return False


def _known_to_be_met(stroke: Stroke, name: str, left_s: float) -> bool:
    """Whether another ball is known to have sent off a ball that had left its place by a moment."""
    until_s = left_s + SAME_S
    runs = [stroke.cue, *(run for other, run in stroke.others.items() if other != name)]
    return any(name in hit.balls and hit.t_s < until_s for run in runs for hit in run.ball_hits)


def _within_reach(stroke: Stroke, name: str, left_s: float, table: Table) -> bool:
    """Whether the cue ball may have been at a ball, from one sighting of itself to the next, as that set off, or after
    the last one."""
    rest = stroke.resting[name]
    whole = stroke.cue_path
    knots_s = np.concatenate([[min(stroke.launch.time_s, whole.t[0])], whole.t, [max(stroke.end_s, whole.t[-1])]])
    from_ball_m = np.hypot(*(np.vstack([stroke.rest.at_m, whole.xy]) - rest.at_m).T) - 2 * table.ball_radius_m
    # Where it went after it was last seen does not matter.
    way_m = np.maximum(from_ball_m, 0.0) + np.append(np.maximum(from_ball_m[1:], 0.0), 0.0)
    time_s = np.diff(knots_s)
    set_off = (knots_s[1:] > rest.last_s - SEEMS_THERE_S) & (knots_s[:-1] < left_s)
    return bool((set_off & (way_m < FASTER_SHARE * stroke.launch.speed_mps * time_s + REACH_M)).any())


def _passed_m(way_m: Vector, place_m: Vector) -> float:
    """How near a way through some places (n, 2) comes to a place (2,)."""
    ahead = np.diff(way_m, axis=0, append=way_m[-1:])
    share = ((place_m - way_m) * ahead).sum(axis=1) / np.maximum((ahead**2).sum(axis=1), 1e-12)
    return float(np.hypot(*(way_m + np.clip(share, 0, 1)[:, None] * ahead - place_m).T).min())
