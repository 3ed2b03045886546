"""Contacts told by the ball that was met: it lay still and set off as another came up to it.

A ball that comes off a rail and meets another within a frame or two shows one kink in its own path for both contacts.
The ball that it met leaves on the line of centres, and so tells when and where it was met.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.table import RAILS, Table, Vector
from vision.contacts.run import Run, measured
from vision.legs import Path, fit_line, legs, motion_at, sliding_motion
from vision.reading import BallHit, RailHit
from vision.sightings import Rest

# A ball that leaves slower than this, or sideways to its first sightings, tells nothing.
LEAST_LEAVING_MPS, LEAST_SIGHTINGS = 0.08, 3
# Two sightings will do, where a rail turns it at once, if they lie in line with its place, give or take so much.
IN_LINE_M = 0.004
# How far off the ball that met it may have been seen at that moment, and for how long it may have been out of sight.
OFF_PATH_M, OUT_OF_SIGHT_S = 0.03, 0.05
# A ball came off a rail before it met the other when it would have been this far behind the track line by then, and is
# no farther before it than it can have come back, give or take; slower than this it did not come to the rail.
CLEARLY_BEHIND_M, MOST_BACK, BACK_TOLERANCE_M, LEAST_INTO_RAIL_MPS = 0.004, 1.2, 0.006, 0.2
# A ball that lies this near to a rail's track line is off that rail again before it has gone aside as far as that.
AT_RAIL_M = 0.01
# A leg between two contacts that no frame shows: its ends are known no better than this.
UNSEEN_SD_M = 0.005
# Two moments must differ to be told in order.
LEAST_APART_S = 1e-4
# A leg of fewer sightings than this does not tell by itself where it ended.
FEW_SEEN = 4
# A contact is told of when a ball set off, give or take so much.
SAME_S = 0.06


@dataclass(frozen=True)
class Departure:
    """When a resting ball set off, and where the centre of the ball that met it was then, (2,) metres."""

    time_s: float
    met_at_m: Vector


def departure(rest: Rest, path: Path, table: Table) -> Departure | None:
    """How a ball that lay still set off along its ``path``; None when too little of that is seen."""
    if len(path) < LEAST_SIGHTINGS:
        return None
    first = legs(path)[0].part(slice(0, 8))
    if len(first) < LEAST_SIGHTINGS and not _in_line(rest, first):
        return None
    speed = motion_at(first, float(first.t[0])).speed_mps
    direction = fit_line(first).direction
    gone = float((first.xy[0] - rest.at_m) @ direction)
    if speed < LEAST_LEAVING_MPS or gone < 0:
        return None
    # It cannot have left before it was last seen in its place, surely.
    time_s = max(float(first.t[0]) - gone / speed, rest.surely_s)
    return Departure(time_s, rest.at_m - 2 * table.ball_radius_m * _sent_along(rest, direction, table))


def _sent_along(rest: Rest, direction: Vector, table: Table) -> Vector:
    """The direction (2,) in which a ball was sent that comes away from a rail where it lay.

    No ball has room behind it there: it was sent into the rail, and is first seen as it comes off.
    """
    sent = direction.copy()
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        outward = np.sign(level - float(table.centre_m[axis]))
        room = outward * (level - float(rest.at_m[axis]))
        behind = -outward * float(direction[axis]) * 2 * table.ball_radius_m - room
        if room < AT_RAIL_M and behind > CLEARLY_BEHIND_M:
            # As a mirror sends it back: what a real rail takes of its speed turns it by a few degrees.
            sent[axis] = -sent[axis]
    return sent


def _in_line(rest: Rest, pair: Path) -> bool:
    """Whether two sightings lead away from the place where a ball lay, in line with it."""
    if len(pair) < 2:
        return False
    off, sd = fit_line(pair).miss(rest.at_m)
    return abs(off) < IN_LINE_M + 3 * sd


def with_knocks(run: Run, departures: Mapping[str, Departure], table: Table) -> Run:
    """The run, with the contacts put in that only the balls it met tell of."""
    for name, left in sorted(departures.items(), key=lambda item: item[1].time_s):
        if name != run.ball:
            run = _with_knock(run, name, left, table)
    return run


def _with_knock(run: Run, name: str, left: Departure, table: Table) -> Run:
    if _off_path_m(run, left, table) > OFF_PATH_M:
        return run
    hit = BallHit(left.time_s, (run.ball, name), left.met_at_m)
    # A contact with it long after it set off is a second one.
    until_s = left.time_s + SAME_S
    met = ((k, j) for k, j in enumerate(run.junctions) if isinstance(j, BallHit) and name in j.balls)
    told = next((k for k, j in met if j.t_s < until_s), None)
    if told is not None:
        rail = _rail_before(run.legs[told], hit, table)
        if rail is None:
            return run
        leg = run.legs[told]
        parts = (leg.part(leg.t < rail.t_s), unseen(rail, hit), run.legs[told + 1])
        return _split(run, told + 1, parts, (rail, hit))
    for k, leg in enumerate(run.legs):
        last = k == len(run.legs) - 1
        if left.time_s >= leg.t[-1] and not last and left.time_s <= run.legs[k + 1].t[0]:
            junction = run.junctions[k]
            if not isinstance(junction, RailHit):
                return replace(run, junctions=(*run.junctions[:k], hit, *run.junctions[k + 1 :]))
            if hit.t_s < junction.t_s:
                return _before_rail(run, k, leg, leg.part(slice(0, 0)), hit, junction, table)
            return _split(run, k + 1, (leg, unseen(junction, hit), run.legs[k + 1]), (junction, hit))
        if leg.t[0] < left.time_s < leg.t[-1]:
            return _within(run, k, hit, table)
    return run


def _rail_before(leg: Path, hit: BallHit, table: Table) -> RailHit | None:
    """A rail between a leg and the place where the ball met another, if it cannot have come there without.

    Carried on, it would have been behind the rail's track line by then.
    """
    if len(leg) < LEAST_SIGHTINGS + 1:
        return None
    # The last sighting may be from after the rail already.
    before = leg.part(slice(None, -1))
    end_s = float(before.t[-1])
    motion = motion_at(before, end_s)
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        outward = 1.0 if level > table.length_m / 4 else -1.0
        into = outward * float(motion.velocity_mps[axis])
        if into < LEAST_INTO_RAIL_MPS:
            continue
        time_s = end_s + outward * (level - float(motion.at_m[axis])) / into
        behind, back = into * (hit.t_s - time_s), outward * (level - float(hit.at_m[axis]))
        if (
            time_s < end_s - OUT_OF_SIGHT_S
            or behind < CLEARLY_BEHIND_M
            or not 0 < back < MOST_BACK * behind + BACK_TOLERANCE_M
        ):
            continue
        line = fit_line(before)
        at_m, at_sd_m = line.at_level(axis, level)
        out = (hit.at_m - at_m) / (hit.t_s - time_s)
        return RailHit(
            rail=rail,
            at_m=at_m,
            at_sd_m=at_sd_m,
            t_s=time_s,
            speed_in_mps=motion_at(before, time_s).speed_mps,
            speed_out_mps=float(np.hypot(*out)),
            bearing_in_rad=line.bearing_rad,
            bearing_out_rad=float(np.arctan2(out[1], out[0]) % (2 * np.pi)),
        )
    return None


def _within(run: Run, k: int, hit: BallHit, table: Table) -> Run:
    """A leg cut at a contact within it; one that is too near to a rail's contact for sightings between is unseen."""
    leg = run.legs[k]
    before, after = leg.part(leg.t < hit.t_s), leg.part(leg.t >= hit.t_s)
    earlier = run.junctions[k - 1] if k else None
    later = run.junctions[k] if k < len(run.junctions) else None
    if len(before) < 2 and isinstance(earlier, RailHit):
        return _split(run, k, (run.legs[k - 1], unseen(earlier, hit), after), (earlier, hit)) if len(after) else run
    if len(before) >= 2 and len(after) < FEW_SEEN and isinstance(later, RailHit):
        return _before_rail(run, k, before, after, hit, later, table)
    if len(before) < 2 or len(after) < 2:
        return run
    legs_ = (*run.legs[:k], before, after, *run.legs[k + 1 :])
    return Run(run.ball, legs_, (*run.junctions[:k], hit, *run.junctions[k:]))


def _before_rail(run: Run, k: int, before: Path, seen: Path, hit: BallHit, rail: RailHit, table: Table) -> Run:
    """A leg cut at a contact so near to the rail after it that one sighting, or none, was ``seen`` in between.

    The ball did not come to the rail on the line that it had before. What was seen in between tells where it did, and
    how it comes away from there.
    """
    came = run.legs[k + 1]
    if len(came) < 2:
        return run
    axis, level = table.track_coordinate(rail.rail)
    way = Path(np.append(hit.t_s, seen.t), np.vstack([hit.at_m, seen.xy]), np.append(UNSEEN_SD_M, seen.sd))
    if len(seen):
        at_m, velocity = seen.xy[-1], (seen.xy[-1] - hit.at_m) / max(float(seen.t[-1]) - hit.t_s, LEAST_APART_S)
        from_s = float(seen.t[-1])
    else:
        leaving = sliding_motion(came, float(came.t[0]))
        at_m, velocity, from_s = leaving.at_m, leaving.velocity_mps, float(came.t[0])
    time_s = from_s + (level - float(at_m[axis])) / float(velocity[axis])
    if not np.isfinite(time_s):
        return run
    time_s = float(np.clip(time_s, float(way.t[-1]) + LEAST_APART_S, max(float(came.t[0]), way.t[-1] + LEAST_APART_S)))
    if not len(seen):
        rail_m = at_m + (time_s - from_s) * velocity
        rail_m[axis] = level
        way = Path(np.append(way.t, time_s), np.vstack([way.xy, rail_m]), np.append(way.sd, UNSEEN_SD_M))
    met = measured(way, came, rail.rail, time_s, fit_line(way), table)
    beside = sorted(float(place[1 - axis]) for place in (hit.at_m, came.xy[0]))
    if not beside[0] - OFF_PATH_M < met.at_m[1 - axis] < beside[1] + OFF_PATH_M:
        return run
    return _split(run, k + 1, (before, way, came), (hit, met))


def _split(run: Run, k: int, parts: tuple[Path, Path, Path], pair: tuple[RailHit | BallHit, RailHit | BallHit]) -> Run:
    """The run with the legs ``k - 1`` and ``k`` and what stands between them replaced."""
    return Run(
        run.ball,
        (*run.legs[: k - 1], *parts, *run.legs[k + 1 :]),
        (*run.junctions[: k - 1], *pair, *run.junctions[k:]),
    )


def unseen(first: RailHit | BallHit, second: RailHit | BallHit) -> Path:
    """The leg between two contacts that no frame shows."""
    times = np.array([first.t_s, max(second.t_s, first.t_s + 1e-4)])
    return Path(times, np.array([first.at_m, second.at_m]), np.full(2, UNSEEN_SD_M))


def _off_path_m(run: Run, left: Departure, table: Table) -> float:
    """How far the ball was, at that moment, from where it must have been: between sightings, and rails that it met; or,
    since the hit may have turned it there, where it was bound for before, or came from after."""
    t = np.concatenate([*(leg.t for leg in run.legs), [hit.t_s for hit in run.rail_hits]])
    if not t.min() - OUT_OF_SIGHT_S < left.time_s < t.max() + OUT_OF_SIGHT_S:
        return float("inf")
    xy = np.vstack([*(leg.xy for leg in run.legs), *(hit.at_m for hit in run.rail_hits)])
    t, order = np.unique(t, return_index=True)
    xy = xy[order]
    here = [np.array([np.interp(left.time_s, t, xy[:, axis]) for axis in (0, 1)])]
    k = int(np.searchsorted(t, left.time_s))
    rails = {hit.t_s: table.track_coordinate(hit.rail)[0] for hit in run.rail_hits}
    for at, beyond in ((k - 1, k - 2), (k, k + 1)):
        if 0 < k < len(t) and 0 <= beyond < len(t):
            velocity = (xy[at] - xy[beyond]) / (t[at] - t[beyond])
            if float(t[at]) in rails:
                velocity[rails[float(t[at])]] *= -1
            here.append(xy[at] + velocity * (left.time_s - t[at]))
    return float(min(np.hypot(*(place - left.met_at_m)) for place in here))
