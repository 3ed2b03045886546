"""Whether a ball that vanished dropped into a pocket, told by where it was on its way to when it was last seen; or
whether nobody knows what became of it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.table import POCKETS, Pocket, Table, Vector
from vision.contacts.run import DROP_S, pocket_at, short_of_lip_m
from vision.contacts.sent_into_rail import Sent
from vision.legs import Path, motion_at
from vision.reading import Pocketing
from vision.sightings import Rest, Sighting
from vision.track import Loss
from vision.tracks import GONE_S

# The motion of a ball that vanishes is told from so many sightings, and no older ones.
LATEST, LATELY_S = 4, 0.4
# What a film leaves out between two pictures is carried on, up to this; in so many steps.
MOST_APART_S, STEPS = 0.15, 8
# When a ball was hit is known this well.
SURELY_LEFT_S = 0.01
# So long after it was hit a ball may seem to lie there still: the one that hit it is where it lay.
SEEMS_THERE_S = 0.05
# A ball's place may be seen this much off: it may seem to pass through the end of a nose. Nearer to a nose line than
# this many radii, half of what a ball that touches the nose is from it, it is between the jaws or in the throat.
NOSE_END_M, AT_NOSE_RADII = 0.01, 0.5
# A faster ball in a pocket's throat is over the lip soon after the jaws hide it; a slower one may have been taken up.
CREPT_MPS = 0.2
# So long it may be hidden by the jaws and their shadow then, before it drops: the way from the mouth to the lip, some
# 8 cm, at 0.7 m/s.
THROAT_S = 0.12


def dropped(
    name: str,
    rests: Sequence[Rest],
    path: Sequence[Sighting],
    lost: Sequence[Loss],
    from_s: float,
    until_s: float,
    table: Table,
    sent: Sent | None = None,
) -> Pocketing | None:
    """How the ball ``name`` vanished in a pocket between two moments; None when it did not.

    ``rests``, ``path`` and ``lost`` are all that was seen of it, in order of time; ``sent`` says how the ball that ran
    into it sent it off, for one that no picture shows under way.
    """
    for loss in lost:
        # A hand at the place took the ball up.
        if loss.crowded or not from_s < loss.time_s <= until_s + 0.5:
            continue
        # Put down since by the hand that had taken it up, it is out of play.
        if any(
            taken.crowded and from_s < taken.time_s < loss.time_s and _lay_between(rests, taken.time_s, loss.time_s)
            for taken in lost
        ):
            break
        # Seen again at once, it had only changed tracks.
        if any(loss.time_s < s.time_s < loss.time_s + GONE_S for s in path):
            continue
        missed_s = loss.missed_s if np.isfinite(loss.missed_s) else loss.time_s
        last = _last_motion(rests, path, loss.time_s, sent)
        pocket = _bound_for(last, missed_s, table) if last is not None else None
        if pocket is not None:
            return Pocketing(name, pocket, loss.time_s)
    return None


def vanished(
    rests: Sequence[Rest],
    path: Sequence[Sighting],
    lost: Sequence[Loss],
    from_s: float,
    until_s: float,
    *,
    covered: bool = False,
) -> bool:
    """Whether a ball was lost from sight between two moments with nothing over it, or ``covered`` by something, before
    it was seen to lie still."""
    for loss in lost:
        seen_again = any(loss.time_s < s.time_s < loss.time_s + GONE_S for s in path)
        stopped = _lay_between(rests, from_s, loss.time_s)
        if from_s < loss.time_s <= until_s and loss.crowded == covered and not (seen_again or stopped):
            return True
    return False


def _lay_between(rests: Sequence[Rest], from_s: float, until_s: float) -> bool:
    return any(from_s < rest.first_s <= until_s for rest in rests)


@dataclass(frozen=True)
class _Last:
    """Where a ball was, (2,), and how it moved, (2,), when it was last seen or was hit after that."""

    time_s: float
    at_m: Vector
    velocity_mps: Vector


def _last_motion(rests: Sequence[Rest], path: Sequence[Sighting], lost_s: float, sent: Sent | None) -> _Last | None:
    """By the last sightings under way, with the place that the ball set off from in front where they are few.

    A ball that lay close to the pocket is seen under way once, if at all, in a film of few pictures a second.
    """
    seen = [s for s in path if lost_s - LATELY_S < s.time_s <= lost_s + 1e-6][-LATEST:]
    if not seen:
        if sent is None or not 0 <= sent.time_s - lost_s < MOST_APART_S:
            return None
        return _Last(sent.time_s, sent.line.through_m, sent.speed_mps * sent.line.direction)
    found = Path.of(seen)
    lay = [r for r in rests if lost_s - LATELY_S < r.last_s < seen[0].time_s]
    if len(seen) < LATEST and lay:
        place = lay[-1]
        left_s = place.last_s
        if sent is not None and sent.time_s > left_s - SEEMS_THERE_S:
            left_s = min(sent.time_s, seen[0].time_s - SURELY_LEFT_S)
        found = Path(
            np.append(left_s, found.t),
            np.vstack([place.at_m, found.xy]),
            np.append(max(place.sd_m, 1e-4), found.sd),
        )
    end_s = float(found.t[-1])
    velocity = motion_at(found, end_s).velocity_mps if len(found) >= 2 else np.zeros(2)
    return _Last(end_s, found.xy[-1], velocity)


def _bound_for(last: _Last, missed_s: float, table: Table) -> Pocket | None:
    """The pocket into which the ball was on its way then, or by the first picture that does not show it."""
    carried_s = min(max(missed_s - last.time_s, 0.0), MOST_APART_S)
    within_s = max(DROP_S, carried_s)
    speed_mps = float(np.hypot(*last.velocity_mps))
    if speed_mps > CREPT_MPS:
        within_s = max(within_s, THROAT_S)
    for ahead_s in np.linspace(0.0, carried_s, STEPS):
        place = last.at_m + ahead_s * last.velocity_mps
        pocket = pocket_at(place, last.velocity_mps, table, within_s - ahead_s)
        pocket = pocket or _behind_noses(place, table, carried_on=ahead_s > 0)
        # Whichever way the jaws send it, one that crept must have been fast enough to get over the lip by then.
        reach_m = speed_mps * (within_s - ahead_s) if speed_mps < CREPT_MPS else np.inf
        if pocket is not None and short_of_lip_m(place, pocket, table) < reach_m:
            return pocket
    return None


def _behind_noses(place_m: Vector, table: Table, *, carried_on: bool) -> Pocket | None:
    """The pocket in which a ball is when its centre (2,) is at a nose line or behind it: it came in beside the middle
    of the mouth, off a jaw perhaps. One that was ``carried_on`` there must be between the jaws."""
    near_m = AT_NOSE_RADII * table.ball_radius_m
    outside = (place_m < near_m) | (place_m > np.array([table.length_m, table.width_m]) - near_m)
    for pocket in POCKETS if outside.any() else ():
        jaws = table.jaw_points_m(pocket)
        low, high = jaws.min(axis=0) - NOSE_END_M, jaws.max(axis=0) + NOSE_END_M
        between = bool((outside | (place_m > low) & (place_m < high)).all())
        near = np.hypot(*(place_m - jaws.mean(axis=0))) < np.hypot(*(jaws[1] - jaws[0]))
        if near and (between or not carried_on):
            return pocket
    return None
