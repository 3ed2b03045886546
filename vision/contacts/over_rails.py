"""Contacts with rails, told by the legs on either side and by the laws of rebound at once.

Where and when a rail was met is told better so than by either leg alone, the more at a flat angle. In a corner, or
wherever frames are few, legs of one to three sightings tell neither line nor speed by themselves: which rails were met
there is told by what comes before and after, by the few sightings between, and by those laws.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, product

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector
from vision.contacts.rail_way import Begin
from vision.contacts.rebounds import Arrival, Rebounds, fit_rebounds, sharpened
from vision.contacts.run import SMEARED_S, Run, without_smeared
from vision.contacts.sent_into_rail import CARRIED_S, has_rubber
from vision.launch import SHED_SHARE, SHED_SHARE_SD, Launch
from vision.legs import Path, fit_line, joined, motion_at
from vision.reading import BallHit, RailHit
from vision.sightings import Rest

# A leg of fewer sightings than this tells nothing by itself.
LEAST_SEEN = 4
# So much of the legs before and after is looked at, and so many sightings at least: less of a leg that comes off a
# rail itself, which is bent where it begins. No whole number of frames at the usual rates: rounding would say then
# whether the last of them counts.
BEFORE_S, BEFORE_LATER_S, AFTER_S, SIGHTINGS = 0.21, 0.145, 0.31, 3
# A rail may have been met when the ball was seen, or may have been between two frames, this close to its track line.
REACH_M = 0.03
MOST_RAILS = 3
# One rail more must explain the sightings better by so many squared standard deviations; and so much may be left, as a
# factor of the variance, before other rails are tried, and before no rebound at all is believed.
EACH_RAIL, GOOD_NOISE, MOST_NOISE = 9.0, 3.0, 6.0
# Rails other than those that the legs themselves tell are believed when they explain so much more.
OTHER_RAILS = 16.0
# A contact lies between the sightings round it, give or take this.
EDGE_S = 0.006
# A place that ends a leg is known no better than this.
PLACE_SD_M = 0.0003


def with_rebounds(run: Run, table: Table, begin: Begin | None = None) -> Run:
    """The run, with its rails told by the legs on either side at once, those round short legs by all legs there.

    ``begin`` says how the ball set off, if it did so from a place where it lay.
    """
    first = 0
    while first < len(run.junctions):
        last = _group_end(run, first)
        changed = None if isinstance(run.junctions[first], BallHit) else _refitted(run, first, last, table, begin)
        run, count = changed or (run, last + 1 - first)
        first += count
    return run


def struck_from(rest: Rest, launch: Launch, run: Run) -> Begin:
    """How a struck ball's way begins: from where it lay, towards where its first leg ends."""
    way = run.legs[0].xy[-1] - rest.at_m
    velocity = launch.speed_mps * way / max(float(np.hypot(*way)), 1e-6)
    return Begin(
        launch.time_s, rest.at_m, velocity, at_sd_m=max(rest.sd_m, 1e-4), shed=SHED_SHARE, shed_sd=SHED_SHARE_SD
    )


def _seen(run: Run, k: int) -> Path:
    """The sightings of a leg: the places of contacts that stand in it are none."""
    leg = run.legs[k]
    met = [hit.t_s for hit in run.junctions[max(k - 1, 0) : k + 1] if hit is not None]
    return leg.part(~np.isin(leg.t, met))


def _sighted(leg: Path, start: Begin) -> Path:
    """A first leg without the place to which it was carried on from its beginning: that is no sighting."""
    return leg.part(np.abs(leg.t - start.time_s - CARRIED_S) > 1e-9)


def _group_end(run: Run, first: int) -> int:
    """The last of the junctions that short legs join to the junction ``first``."""
    last = first
    while (
        last + 1 < len(run.junctions)
        and not isinstance(run.junctions[last + 1], BallHit)
        and len(_seen(run, last + 1)) < LEAST_SEEN
    ):
        last += 1
    return last


def _refitted(run: Run, first: int, last: int, table: Table, start: Begin | None) -> tuple[Run, int] | None:
    """The run with other contacts between the legs ``first`` and ``last + 1``, and how many; None when none fits."""
    before = _seen(run, first)
    found = _fitted(run, first, last, before, table, start)
    if found is None and len(before) > LEAST_SEEN:
        # The last sighting before may be from after the first rail already.
        found = _fitted(run, first, last, before.part(slice(None, -1)), table, start)
    return found


def _fitted(run: Run, first: int, last: int, before: Path, table: Table, start: Begin | None) -> tuple[Run, int] | None:
    """As ``_refitted``, from so much of the leg before as is surely seen before the first contact."""
    told = [hit.rail for hit in run.junctions[first : last + 1] if isinstance(hit, RailHit)]
    doubtful, after = _seen(run, first).part(slice(len(before), None)), _seen(run, last + 1)
    start = start if first == 0 else None
    if start is not None:
        run = replace(run, legs=(_sighted(run.legs[0], start), *run.legs[1:]))
        before = _sighted(before, start)
        before = before.part(before.t > start.time_s + 1e-9)
    begins = _begin(before, start, BEFORE_S if first == 0 else BEFORE_LATER_S)
    if begins is None or not len(after):
        return None
    begin, come = begins
    between = [doubtful, *(_seen(run, k) for k in range(first + 1, last + 1))]
    gone = after.part((after.t <= after.t[0] + AFTER_S) | (np.arange(len(after)) < SIGHTINGS))
    seen = joined([part for part in (come, *between, gone) if len(part)])
    since_s = float(come.t[-1]) if len(come) else begin.time_s
    well_seen = last == first and not len(doubtful) and min(len(before), len(after)) >= LEAST_SEEN
    same = fit_rebounds(begin, told, seen, table) if told else None
    if well_seen and same is not None and same.noise < GOOD_NOISE and _plausible(same, seen, table):
        # A ball's first leg is straight: all of it tells its line, better than its end does.
        arrival = Arrival(fit_line(before), len(come)) if first == 0 and len(before) > len(come) else None
        return _put_in(run, first, last, sharpened(same, arrival), begin is start), len(told)
    best = same if same is not None and _plausible(same, seen, table) else None
    for rails in _orders(begin, seen, since_s, float(gone.t[0]), table):
        found = fit_rebounds(begin, rails, seen, table) if list(rails) != told else None
        if found is not None and _plausible(found, seen, table) and (best is None or _cost(found) < _cost(best)):
            best = found
    if best is None or best.noise > MOST_NOISE:
        return None
    if best is not same and same is not None and same.cost < best.cost + OTHER_RAILS * best.noise:
        return None
    return _put_in(run, first, last, sharpened(best, None), begin is start), len(best.hits)


def _cost(found: Rebounds) -> float:
    return found.cost + EACH_RAIL * len(found.hits)


def _begin(before: Path, start: Begin | None, within_s: float) -> tuple[Begin, Path] | None:
    """How the way begins that leads off the end of the leg ``before``, and the sightings of that, ``within_s`` long."""
    if start is not None and len(before) < LEAST_SEEN:
        return start, before
    if len(before) < 2:
        return None
    come = before.part((before.t >= before.t[-1] - within_s) | (np.arange(len(before)) >= len(before) - SIGHTINGS))
    motion = motion_at(come, float(come.t[-1]))
    return Begin(float(come.t[-1]), motion.at_m, motion.velocity_mps, time_sd_s=0.0), come


def _orders(begin: Begin, seen: Path, since_s: float, until_s: float, table: Table) -> Sequence[tuple[Rail, ...]]:
    """The rails that may have been met between two moments, in each order in which they may have been."""
    part = seen.part((seen.t >= since_s - 1e-9) & (seen.t <= until_s + 1e-9))
    places = part.xy if len(part) else np.array([begin.at_m])
    gap_s = float(np.diff(np.append(since_s, part.t)).max()) if len(part) else 0.1
    reach = REACH_M + float(np.hypot(*begin.velocity_mps)) * gap_s
    near: list[Rail] = []
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        if np.abs(places[:, axis] - level).min() < reach:
            near.append(rail)
    orders: list[tuple[Rail, ...]] = []
    for count in range(1, MOST_RAILS + 1):
        for rails in product(near, repeat=count):
            if all(a != b for a, b in pairwise(rails)) and _towards(begin, rails[0], table):
                orders.append(rails)
    return orders


def _towards(begin: Begin, rail: Rail, table: Table) -> bool:
    axis, level = table.track_coordinate(rail)
    return bool(np.sign(level - table.centre_m[axis]) * begin.velocity_mps[axis] > 0)


def _plausible(found: Rebounds, seen: Path, table: Table) -> bool:
    """Whether the contacts lie where there is rubber, and between the sightings that they are to explain, or from when
    on it lay where the way begins."""
    from_s = min(float(seen.t[0]) - EDGE_S, found.begin.time_s if found.launch is not None else np.inf)
    return all(has_rubber(hit.rail, hit.at_m, table) and from_s < hit.t_s < seen.t[-1] + EDGE_S for hit in found.hits)


def _put_in(run: Run, first: int, last: int, found: Rebounds, from_rest: bool) -> Run:
    """The run with the contacts found; ``from_rest`` says that the way began where the ball lay."""
    whole = joined([part for k in range(first, last + 2) if len(part := _seen(run, k))])
    edges = [-np.inf, *(hit.t_s for hit in found.hits), np.inf]
    legs = []
    for k in range(len(edges) - 1):
        part = whole.part((whole.t > edges[k]) & (whole.t <= edges[k + 1]))
        if k == 0 and from_rest:
            begun = found.begin
            part = _between(begun.time_s, begun.at_m, part.part(part.t > begun.time_s), found.hits[0])
        elif 0 < k < len(edges) - 2 and len(part) < LEAST_SEEN:
            part = _between(found.hits[k - 1].t_s, found.hits[k - 1].at_m, part, found.hits[k])
        else:
            for hit in found.hits[max(k - 1, 0) : k + 1]:
                part = without_smeared(part, hit.t_s)
        legs.append(part)
    shift = len(found.hits) - (last - first + 1)
    told = {k if k <= first else k + shift: each for k, each in run.told.items() if not first < k <= last + 1}
    told |= {first + 1 + k: (found, k) for k in range(len(found.hits))}
    return replace(
        run,
        legs=(*run.legs[:first], *legs, *run.legs[last + 2 :]),
        junctions=(*run.junctions[:first], *found.hits, *run.junctions[last + 1 :]),
        told=told,
    )


def _between(time_s: float, from_m: Vector, seen: Path, other: RailHit) -> Path:
    """A leg of few sightings that ends with a contact, from a place (2,) on that is known too: better than what is seen
    while it meets the rail."""
    seen = seen.part(np.abs(seen.t - other.t_s) > SMEARED_S)
    return Path(
        np.concatenate([[time_s], seen.t, [max(other.t_s, time_s + 1e-4)]]),
        np.vstack([from_m, seen.xy, other.at_m]),
        np.concatenate([[PLACE_SD_M], seen.sd, [max(other.at_sd_m, PLACE_SD_M)]]),
    )
