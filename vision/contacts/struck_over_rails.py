"""A cue ball struck into one rail or two before a film shows much of it, told by its way over them as a whole.

From where it lay, off the rails, to where it is seen some frames later: the laws of rebound leave its line and its
speed, and the moment of the stroke, as what is not known, and a few sightings tell those. A hand follows no such law.
"""

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector
from vision.contacts.rail_way import ALONG_KEPT, TOWARDS_KEPT, Begin
from vision.contacts.rebounds import Rebounds, fit_rebounds
from vision.contacts.sent_into_rail import has_rubber
from vision.legs import Path
from vision.set_off import TIME_TOLERANCE_S, SetOff
from vision.sightings import Rest

# So much of the way is looked at, and so many sightings at least and at most: later the ball may have met anything.
WITHIN_S, LEAST_SIGHTINGS, MOST_SIGHTINGS = 0.255, 5, 10
# No more sightings than this are from before the first rail, and the ball is out of sight no longer than this.
MOST_BEFORE, HIDDEN_S = 3, 0.15
# How much larger than stated errors may be, as a factor of the variance, before a way is not believed; one sighting
# that is off by so much more than the rest is of something else, a stick.
MOST_NOISE, STRAY_SDS = 4.0, 5.0
# With fewer sightings' coordinates than this to spare nothing is told.
LEAST_FREEDOM = 5
# A ball comes to the rail no slower than this.
LEAST_INTO_MPS = 0.1
# A stroke is no faster than this: the firmest breaks are published as 30 miles an hour and a little more (from memory).
MOST_MPS = 14.0
# Even a soft stroke takes the ball farther than this from where it lay, off a rail and back: at 0.3 m/s it comes off
# with some 0.2, and rolls for 0.2 m. What moves about less is somebody over it.
LEAST_FAR_M = 0.1


def set_off_over_rails(rest: Rest, whole: Path, table: Table) -> SetOff | None:
    """How a cue ball set off that met a rail, or two in a corner, within a few frames; None when no such way shows."""
    if len(whole) < LEAST_SIGHTINGS or whole.t[0] - rest.last_s > HIDDEN_S:
        return None
    if float(np.hypot(*(whole.xy - rest.at_m).T).max()) < LEAST_FAR_M:
        return None
    for count in _counts(whole):
        best = None
        for begin, rails in _tries(rest, whole.part(slice(0, count)), table):
            found = _without_stray(begin, rails, whole.part(slice(0, count)), table)
            if found is not None and (best is None or found.cost < best.cost) and _stands(found, rest, whole, table):
                best = found
        if best is not None and best.noise < MOST_NOISE:
            return _set_off(rest, whole, best)
    return None


def _counts(whole: Path) -> list[int]:
    """Of how many sightings the way may be, the most first."""
    most = int(np.clip((whole.t < whole.t[0] + WITHIN_S).sum(), LEAST_SIGHTINGS, MOST_SIGHTINGS))
    return sorted({min(most, len(whole)), LEAST_SIGHTINGS}, reverse=True)


def _tries(rest: Rest, seen: Path, table: Table) -> Iterator[tuple[Begin, tuple[Rail, ...]]]:
    """Where a fit may begin: rails, and how the ball may have set off, told by sightings before or after the first."""
    frame_s = float(np.median(np.diff(seen.t)))
    for k in range(min(MOST_BEFORE, len(seen) - 2) + 1):
        for rail in RAILS:
            axis, level = table.track_coordinate(rail)
            outward = float(np.sign(level - table.centre_m[axis]))
            gap_m = outward * (level - float(rest.at_m[axis]))
            step = seen.xy[k + 1] - seen.xy[k]
            after = step / (seen.t[k + 1] - seen.t[k])
            velocity = after / ALONG_KEPT
            velocity[axis] = -after[axis] / TOWARDS_KEPT
            if k:
                way = seen.xy[k - 1] - rest.at_m
                velocity = way / max(float(np.hypot(*way)), 1e-6) * float(np.hypot(*velocity))
            into = outward * float(velocity[axis])
            speed = float(np.hypot(*velocity))
            # By the time of the sighting after it the ball is back off the rail.
            if not into > LEAST_INTO_MPS or speed > MOST_MPS or gap_m / into > (MOST_BEFORE + 1) * frame_s:
                continue
            off_m = outward * (level - float(seen.xy[k][axis]))
            met_s = float(seen.t[k]) - max(off_m, 0.0) / (TOWARDS_KEPT * into)
            begin = Begin(met_s - gap_m / into, rest.at_m, velocity, at_sd_m=max(rest.sd_m, 1e-4))
            yield begin, (rail,)
            # In a corner a second rail follows at once.
            yield from (
                (begin, (rail, second))
                for second in RAILS
                if table.track_coordinate(second)[0] != axis and _nearest_m(second, seen.xy, table) < speed * frame_s
            )


def _nearest_m(rail: Rail, places: Vector, table: Table) -> float:
    axis, level = table.track_coordinate(rail)
    return float(np.abs(places[:, axis] - level).min())


def _without_stray(begin: Begin, rails: tuple[Rail, ...], seen: Path, table: Table) -> Rebounds | None:
    """The way that fits, without the one sighting that is far off, if there is one."""
    found = fit_rebounds(begin, rails, seen, table)
    if found is None or found.noise < MOST_NOISE or len(seen) <= LEAST_SIGHTINGS:
        return found
    return min(
        (
            again
            for k in np.argsort(found.left)[-2:]
            if (again := fit_rebounds(begin, rails, seen.part(np.arange(len(seen)) != k), table)) is not None
        ),
        key=lambda each: each.cost,
        default=found,
    )


def _stands(found: Rebounds, rest: Rest, whole: Path, table: Table) -> bool:
    """Whether a way begins between the last sight at rest and the first under way, and meets rubber soon."""
    begun_s = found.begin.time_s
    return (
        found.freedom >= LEAST_FREEDOM
        and rest.last_s - TIME_TOLERANCE_S <= begun_s <= whole.t[0] + 0.005
        and begun_s < found.hits[0].t_s < whole.t[min(MOST_BEFORE, len(whole) - 1)]
        and all(has_rubber(hit.rail, hit.at_m, table) for hit in found.hits)
        and all(a.t_s < b.t_s for a, b in pairwise(found.hits))
    )


def _set_off(rest: Rest, whole: Path, found: Rebounds) -> SetOff:
    hit = found.hits[0]
    before, after = whole.part(whole.t < hit.t_s), whole.part(whole.t >= hit.t_s)
    launch = found.launch
    assert launch is not None
    before = before.part(before.t > launch.time_s)
    way = Path(
        np.concatenate([[launch.time_s], before.t, [hit.t_s]]),
        np.vstack([rest.at_m, before.xy, hit.at_m]),
        np.concatenate([[max(rest.sd_m, 1e-4)], before.sd, [max(hit.at_sd_m, 1e-4)]]),
    )
    return SetOff(after, launch, way, hit)
