"""Whether a shot was still to be decided when its balls were last seen: lost from view, or the film at its end; or
whether it was made by a rail that it may have met unseen."""

from math import cos, hypot, inf, isfinite, sin

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.grazes import GRAZED_M
from vision.contacts.knocks import SAME_S
from vision.contacts.run import Run
from vision.contacts.sent_into_rail import has_rubber
from vision.contacts.turns import UNSEEN_S, turned_unseen
from vision.dropped import SEEMS_THERE_S
from vision.legs import GRAVITY_MPS2, TANGENT_S, Path, motion_at
from vision.reading import BallHit, RailHit
from vision.shot import Shot
from vision.strokes import Stroke
from vision.tracks import GONE_S

# A ball last seen faster than this had not come to rest; one still this far short of its target had not got there.
UNDER_WAY_MPS, SHORT_OF_TARGET_M = 0.12, 0.08
# A sighting this close to the end of the film is its last; a ball last seen this close to it is not known to be gone.
FILM_ENDS_S, NOT_GONE_S = 0.1, GONE_S + 0.1
# A ball that comes this near to where another should lie, besides both radii, may have met it: it need not lie right
# there, and may be met between two frames.
MET_WITHIN_M = 0.02
# Between two sightings the cue ball goes no farther than its speed takes it, give or take so much: it gains none there,
# but the speed of one that was hardly seen is known no better than to this share.
REACH_M, FASTER_SHARE = 0.03, 1.15
# A ball is seen to go on towards a rail by a step of so many standard deviations.
STILL_NEARER_SDS = 4.0
# What turned a ball on the open bed, so many radii from where it would meet a rail at least, was no rail; it is told by
# so many sightings for so long on either side, for a stick spoils a few, and a ball changes another's velocity by more
# than this.
OPEN_BED_RADII, TURN_SEEN, TURN_SEEN_S, HIT_MPS = 1.0, 3, 0.08, 0.3
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
