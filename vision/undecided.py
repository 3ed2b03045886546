"""Whether a shot was still to be decided when its balls were last seen: lost from view, or the film at its end; or
whether it was made by a rail that it may have met unseen."""

from math import cos, inf, isfinite, sin

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.grazes import GRAZED_M
from vision.contacts.run import Run
from vision.contacts.sent_into_rail import has_rubber
from vision.contacts.turns import UNSEEN_S, turned_unseen
from vision.legs import GRAVITY_MPS2, TANGENT_S, Path, motion_at
from vision.met_unseen import MET_WITHIN_M
from vision.reading import BallHit, RailHit
from vision.shot import Shot
from vision.strokes import Stroke
from vision.tracks import GONE_S

# A ball last seen faster than this had not come to rest; one still this far short of its target had not got there.
UNDER_WAY_MPS, SHORT_OF_TARGET_M = 0.12, 0.08
# A sighting this close to the end of the film is its last; a ball last seen this close to it is not known to be gone.
FILM_ENDS_S, NOT_GONE_S = 0.1, GONE_S + 0.1
# A ball is seen to go on towards a rail by a step of so many standard deviations.
STILL_NEARER_SDS = 4.0
# A ball that rolls is slowed by so much at least (0.005 to 0.015 g are published); for so long after a contact it may
# still slide, and its spin speed it up.
LEAST_ROLLING_MPS2, SLID_S = 0.005 * GRAVITY_MPS2, 0.5
# A ball whose line passes a pocket's mouth within this may still drop there, off a jaw perhaps.
BOUND_WITHIN_M = 0.12


def undecided(
    stroke: Stroke,
    shot: Shot,
    table: Table,
    run: Run,
    leg: int | None,
    target_name: str | None,
    target: Vector | None,
    flags: list[str],
) -> bool:
    """Whether it may yet have been made by the ball of ``run``, which takes the rails, where no ball is seen to drop.

    Where that ball dropped: whether it may have met a rail before that was not told.
    ``leg`` is its index of the leg after the last rail, ``target`` (2,) the point to pass through, metres; None where
    there is none. ``flags`` are those found so far: what went wrong for good decides the shot.
    """
    if {"wrong_rails", "wrong_ball_first"} & set(flags):
        return leg is None and _turned_unseen(run, shot)
    if "wrong_pocket" in flags:
        return False
    dropped = next((p for p in stroke.pocketed if p.ball == run.ball), None)
    if dropped is not None:
        if leg is not None:
            return False
        unseen = dropped.t_s - run.legs[-1].t[-1] > UNSEEN_S
        return unseen or (dropped.pocket == shot.target_pocket and _perhaps_met(run, shot, table))
    if leg is None:
        # Nobody saw it lie still, or what it met on its way.
        return _under_way(run) or run.ball in stroke.vanished or _turned_unseen(run, shot)
    waits = shot.target_ball is not None and target_name is not None
    if leg == len(run.legs) - 1 and target is not None and _under_way(run):
        ahead = float((target - run.legs[leg].xy[-1]) @ _last_heading(run))
        if ahead - MET_WITHIN_M > _rolls_on_m(run):
            # Whatever waits there, it does not get that far.
            return False
        if waits and run.ball in stroke.vanished and ahead > -table.ball_radius_m:
            # Lost from sight there, it may just have met the ball that waits.
            return True
        # A ball that waits is met at its target point, and the film may have ended just before.
        if ahead > (0.0 if waits and _last_seen_s(run) > stroke.end_s - FILM_ENDS_S else SHORT_OF_TARGET_M):
            return True
    # The ball that is to drop may yet do so when the film ends.
    drops = run if shot.kind == "bank" or not waits else stroke.others.get(target_name or "")
    if drops is None:
        if target_name in stroke.vanished:
            # Gone without a trace: of when it left, and whereto, no frame tells.
            return True
        met = any(target_name in hit.balls for hit in run.ball_hits)
        return met and _last_seen_s(run) > stroke.end_s - FILM_ENDS_S
    pocket = shot.target_pocket
    if drops.ball in stroke.vanished or (drops.ball in stroke.covered and _under_way(drops)):
        # Whether what came over it was a hand, or only looks like one, it may have dropped.
        return pocket is not None and _bound_for(drops, table.mouth_m(pocket))
    if _last_seen_s(drops) < stroke.end_s - NOT_GONE_S or not _under_way(drops):
        return False
    return _bound_for(drops, table.mouth_m(pocket)) if pocket is not None else drops is not run


def ends_before_a_hit(stroke: Stroke, table: Table) -> bool:
    """Whether the film ends while the cue ball, which has met no ball yet, is on its way to one that lies there."""
    run = stroke.cue
    if run.ball_hits or not _under_way(run) or _last_seen_s(run) < stroke.end_s - FILM_ENDS_S:
        return False
    ahead = _last_heading(run)
    for rest in stroke.resting.values():
        away = rest.at_m - run.legs[-1].xy[-1]
        if away @ ahead > 0 and abs(ahead[0] * away[1] - ahead[1] * away[0]) < 2 * table.ball_radius_m:
            return True
    return False


def _turned_unseen(run: Run, shot: Shot) -> bool:
    """Whether, before what was met wrongly, something turned the ball out of sight: a rail of the shot perhaps."""
    coming = list(shot.rails)
    for k, junction in enumerate(run.junctions):
        # A leg of two sightings may hold the turn between them.
        before = run.legs[k]
        if turned_unseen(before) is not None:
            return True
        seen_s = before.t[-1] if len(before) > 2 else before.t[0]
        if junction is None and run.legs[k + 1].t[0] - seen_s > UNSEEN_S:
            return True
        if isinstance(junction, RailHit) and (not coming or junction.rail != coming.pop(0)):
            return False
        if isinstance(junction, BallHit) and "cue" not in junction.balls[1:]:
            return False
    return turned_unseen(run.legs[-1]) is not None


def _perhaps_met(run: Run, shot: Shot, table: Table) -> bool:
    """Whether a ball came so near to a rail of the shot that it may have met it too softly for a contact to be told."""
    told = {hit.rail for hit in run.rail_hits}
    for rail in (r for r in shot.rails if r not in told):
        axis, level = table.track_coordinate(rail)
        outward = 1.0 if level > table.length_m / 4 else -1.0
        for leg in run.legs:
            short_m = outward * (level - leg.xy[:, axis])
            # One that is seen still nearer a moment later had not met it yet.
            nearer = np.append(np.diff(short_m) < -STILL_NEARER_SDS * leg.sd[1:], False)
            near = leg.xy[(np.abs(short_m) < GRAZED_M) & ~nearer]
            if any(has_rubber(rail, place, table) for place in near):
                return True
    return False


def _heading(leg: Path) -> Vector:
    """Direction, (2,), of a leg as it ends."""
    velocity = motion_at(leg, float(leg.t[-1])).velocity_mps
    return velocity / max(float(np.hypot(*velocity)), 1e-9)


def _last_heading(run: Run) -> Vector:
    """Direction, (2,), of a run as it ends: of a leg that was seen but once, as it came off the rail before it."""
    rail = run.junctions[-1] if run.junctions else None
    if len(run.legs[-1]) == 1 and isinstance(rail, RailHit) and isfinite(rail.bearing_out_rad):
        return np.array([cos(rail.bearing_out_rad), sin(rail.bearing_out_rad)])
    return _heading(run.legs[-1])


def _last_seen_s(run: Run) -> float:
    return float(run.legs[-1].t[-1])


def _bound_for(run: Run, place_m: Vector) -> bool:
    """Whether a ball last ran towards a place closely and fast enough that it may get there, or was about there."""
    leg = run.legs[-1]
    ahead = place_m - leg.xy[-1]
    if np.hypot(*ahead) < BOUND_WITHIN_M:
        return True
    heading = _heading(leg)
    along = float(ahead @ heading)
    aside = float(np.hypot(*(ahead - along * heading)))
    return aside < BOUND_WITHIN_M and 0 < along < _rolls_on_m(run) + BOUND_WITHIN_M


def _rolls_on_m(run: Run) -> float:
    """How far a ball rolls on at most from where it was last seen, by its speed there; infinite where its last leg is
    too short to tell."""
    last = run.legs[-1]
    if last.t[-1] - last.t[0] < SLID_S + TANGENT_S:
        return inf
    now = motion_at(last, float(last.t[-1]))
    return (now.speed_mps + 3 * now.velocity_sd_mps) ** 2 / (2 * LEAST_ROLLING_MPS2)


def _under_way(run: Run) -> bool:
    """Whether a ball was still moving when it was last seen.

    One that comes to rest is seen to do so: where the last leg is no more than two sightings it is as fast as it came
    there, or between the two; one that was seen but once has just set off.
    """
    last = run.legs[-1]
    if len(last) == 2:
        return float(np.hypot(*(last.xy[1] - last.xy[0])) / (last.t[1] - last.t[0])) > UNDER_WAY_MPS
    known = last if len(last) > 2 or len(run.legs) == 1 else run.legs[-2]
    return len(known) < 2 or motion_at(known, float(known.t[-1])).speed_mps > UNDER_WAY_MPS
