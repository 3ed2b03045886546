"""A ball close to a rail that another sent straight into it: it is back off the rail before a frame shows it there.

The film shows a ball that comes away from the rail although it was sent towards it, and a ball does not pass through
rubber. When and where it was sent is told by the ball that met it: along the line of centres, with that ball's speed in
that direction.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector
from vision.contacts.rail_way import Begin
from vision.contacts.run import Run, measured
from vision.legs import SLIDING_MPS2, Line, Path, fit_line, joined, legs, motion_at, sliding_motion, turn_rad
from vision.reading import BallHit, RailHit
from vision.set_off import SHARE, SHARE_SD, START_TOLERANCE_M
from vision.sightings import Rest

# A rail that is reached later than this after the ball set off is seen to be met.
AT_ONCE_S = 0.13
# Unless hardly a frame shows it before, a fast dark ball on a dark cloth, and it is seen so soon after. Where it comes
# from is known no better than this.
UNSEEN_S, LEAST_BACK_SD_M = 0.2, 0.004
# One that touches the rail goes no way at all, but two moments must differ to be told in order.
LEAST_WAY_S = 0.001
# A ball first seen this late, and this far off the line on which it was sent, was turned by what no frame shows. How
# it set off is carried on for so long.
UNSEEN_TURN_S, TURN_RAD, CARRIED_S = 0.15, np.radians(10.0), 0.01
# Where it goes when it is first seen is told by so many sightings.
FIRST_SEEN = 6
# A ball sent at a flatter angle to the rail (its sine) may miss it, and one slower than this towards it may stop short.
LEAST_TOWARDS, LEAST_TOWARDS_MPS, SURE_SDS = 0.1, 0.15, 3.0
# At a steeper angle than this it cannot but meet the rail; at a flatter one it is seen to come away from it.
SURELY_TOWARDS = 0.35
# It comes off the rail at least this fast. It is seen no farther from the rail than it goes in the time from then, give
# or take so much.
LEAST_AWAY_MPS, AWAY_M, AWAY_S = 0.05, 0.03, 0.01
# Friction between the balls throws the one that is met off the line of centres: by up to about five degrees (D. G.
# Alciatore, Colorado State University, billiards.colostate.edu), mostly by less.
THROWN_SD_RAD = np.radians(1.5)
# When a ball was sent off is told by the one that met it no better than this, and how fast.
SENT_SD_S, SENT_SD_MPS = 0.003, 0.03
# It starts without spin, and so sheds 2/7 of its speed before it rolls (Coriolis 1835), but for what spin the balls
# rub off on each other, a few per cent of that.
SENT_SHED, SENT_SHED_SD = 2 / 7, 0.02
# A sighting this close to the contact may be smeared round it.
SMEARED_S = 0.004
# Sightings of a ball that has just been sent off are this near to its line, besides what is not known of that.
ON_LINE_M = 0.003
# The same contact told twice: this close in time. From so many sightings before it, it is told by them alone.
SAME_CONTACT_S, LEAST_SEEN = 0.06, 4


@dataclass(frozen=True)
class Sent:
    """How a resting ball was sent off: when (seconds), on which line (through its resting place), how fast (m/s); and
    how surely the moment and the speed are known."""

    time_s: float
    line: Line
    speed_mps: float
    time_sd_s: float = SENT_SD_S
    speed_sd_mps: float = SENT_SD_MPS

    def begin(self) -> Begin:
        """The same as the beginning of a way."""
        velocity_sd = float(np.hypot(self.speed_mps * self.line.bearing_sd_rad, self.speed_sd_mps))
        velocity = self.speed_mps * self.line.direction
        place_sd = max(self.line.offset_sd_m, 1e-4)
        return Begin(
            self.time_s, self.line.through_m, velocity, self.time_sd_s, place_sd, velocity_sd, SENT_SHED, SENT_SHED_SD
        )


def sent_by(met: Run, rest: Rest, name: str, table: Table) -> Sent | None:
    """How the ball ``name`` at ``rest`` was sent off by the one that ran into it; None when that is not known."""
    found = next((k for k, j in enumerate(met.junctions) if isinstance(j, BallHit) and name in j.balls), None)
    if found is None:
        return None
    hit, before = met.junctions[found], met.legs[found]
    if not isinstance(hit, BallHit) or len(before) < 2:
        return None
    sighted = before.part(before.t < hit.t_s)
    if hit.t_sd_s > SENT_SD_S and len(sighted) >= 2:
        # A place that it came to at a moment which is not known tells no speed.
        before = sighted
    centres = rest.at_m - hit.at_m
    apart = float(np.hypot(*centres))
    arriving = motion_at(before, hit.t_s)
    _, aside_sd = met.line_of(found, table).miss(rest.at_m)
    speed = float(arriving.velocity_mps @ centres) / apart * SHARE
    fullness = speed / max(SHARE * arriving.speed_mps, 1e-9)
    if not fullness > 0:
        return None
    turn_sd = float(np.hypot(aside_sd / (apart * fullness), THROWN_SD_RAD))
    bearing = float(np.arctan2(centres[1], centres[0]) % (2 * np.pi))
    # Where the one that met it was out of sight before, it came there when, and as fast, as friction let it.
    time_sd_s = float(np.linalg.norm([SENT_SD_S, arriving.at_sd_m / arriving.speed_mps, hit.t_sd_s]))
    slowed_mps = SHARE * fullness * arriving.velocity_sd_mps
    speed_sd = float(np.hypot(SHARE_SD * speed, slowed_mps)) + SENT_SD_MPS
    return Sent(hit.t_s, Line(rest.at_m, bearing, turn_sd, rest.sd_m), speed, time_sd_s, speed_sd)


@dataclass(frozen=True)
class FirstRail:
    """The contact, the way there (from the resting place on) and the sightings after it."""

    way: Path
    hit: RailHit
    after: Path


def first_rail(rest: Rest, path: Path, sent: Sent, table: Table) -> FirstRail | None:
    """The rail that a ball, sent off from ``rest``, met at once; None when it met none, or too late to need telling."""
    direction = sent.line.direction
    coming: list[tuple[float, Rail]] = []
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        gap = level - float(rest.at_m[axis])
        towards = float(direction[axis]) * np.sign(level - float(table.centre_m[axis]))
        if (
            towards > max(LEAST_TOWARDS, SURE_SDS * sent.line.bearing_sd_rad)
            and towards * sent.speed_mps > LEAST_TOWARDS_MPS
        ):
            # A ball that touches the rail may seem a little behind the track line.
            coming.append((max(gap / float(direction[axis]), 0.0) / sent.speed_mps, rail))
    if not coming:
        return None
    takes_s, rail = min(coming)
    if takes_s > AT_ONCE_S:
        takes_s = _slowed_s(takes_s * sent.speed_mps, sent.speed_mps)
    axis, level = table.track_coordinate(rail)
    time_s = sent.time_s + max(takes_s, LEAST_WAY_S)
    at_m, at_sd_m = sent.line.at_level(axis, level)
    before, after = path.part(path.t < time_s - SMEARED_S), path.part(path.t > time_s + SMEARED_S)
    if len(after) < 3 or not has_rubber(rail, at_m, table):
        return None
    met = None
    if takes_s > AT_ONCE_S:
        met = _unseen_until_back(legs(after)[0], time_s, rail, at_m, at_sd_m, table)
        if met is None or len(before) >= LEAST_SEEN or not _on_line(before, sent.line):
            return None
        at_m, at_sd_m = met
    outward = np.sign(level - float(table.centre_m[axis]))
    begins = sliding_motion(legs(after)[0], float(after.t[0]))
    towards = outward * float(direction[axis])
    # What is seen far from the rail just then was turned before it got there.
    near = int(np.abs(path.t - time_s).argmin())
    reach_s = abs(float(path.t[near]) - time_s) + AWAY_S
    if outward * (level - path.xy[near, axis]) > AWAY_M + towards * sent.speed_mps * reach_s:
        return None
    # Seen late, it may have met others in between, and no leg shows how it came off this one.
    sure = towards >= SURELY_TOWARDS and after.t[0] - time_s < UNSEEN_TURN_S
    if not sure and not outward * begins.velocity_mps[axis] < -LEAST_AWAY_MPS:
        return None
    way = Path(
        np.concatenate([[sent.time_s], before.t[before.t > sent.time_s], [time_s]]),
        np.vstack([rest.at_m, before.xy[before.t > sent.time_s], at_m]),
        np.concatenate([[max(rest.sd_m, 1e-4)], before.sd[before.t > sent.time_s], [max(at_sd_m, 1e-4)]]),
    )
    hit = measured(way, legs(after)[0], rail, time_s, sent.line, table)
    return FirstRail(way, hit if met is None else replace(hit, at_m=at_m, at_sd_m=at_sd_m), after)


def _slowed_s(way_m: float, speed_mps: float) -> float:
    """How long a ball takes over a way that slides, evenly slowed, until it rolls with 5/7 of the speed it was sent."""
    slide_s = 2 / 7 * speed_mps / SLIDING_MPS2
    slide_m = 6 / 7 * speed_mps * slide_s
    if way_m > slide_m:
        return slide_s + (way_m - slide_m) / (5 / 7 * speed_mps)
    return float((speed_mps - np.sqrt(speed_mps**2 - 2 * SLIDING_MPS2 * way_m)) / SLIDING_MPS2)


def _unseen_until_back(
    after: Path, time_s: float, rail: Rail, at_m: Vector, at_sd_m: float, table: Table
) -> tuple[Vector, float] | None:
    """Where a ball met a rail that hardly a frame shows on its way there, (2,) and sd, by both the way there and back;
    None when it comes from elsewhere."""
    if len(after) < 3 or after.t[0] - time_s > UNSEEN_S:
        return None
    axis, level = table.track_coordinate(rail)
    outward = np.sign(level - float(table.centre_m[axis]))
    motion = sliding_motion(after, float(after.t[0]))
    if not outward * motion.velocity_mps[axis] < -LEAST_AWAY_MPS:
        return None
    back_s = (level - motion.at_m[axis]) / motion.velocity_mps[axis]
    from_m = motion.at_m + motion.velocity_mps * back_s
    # Off the rail it slides, in a curve that is not seen.
    from_sd_m = float(np.hypot(motion.at_sd_m + motion.velocity_sd_mps * abs(back_s), SLIDING_MPS2 * back_s**2 / 2))
    from_sd_m = float(np.hypot(from_sd_m, LEAST_BACK_SD_M))
    if abs(from_m[1 - axis] - at_m[1 - axis]) > SURE_SDS * np.hypot(from_sd_m, at_sd_m):
        return None
    weights = np.array([at_sd_m, from_sd_m]) ** -2.0
    met_m = at_m.copy()
    met_m[1 - axis] = np.average([at_m[1 - axis], from_m[1 - axis]], weights=weights)
    return met_m, float(1 / np.sqrt(weights.sum()))


def _on_line(few: Path, line: Line, give_m: float = 0.0) -> bool:
    """Whether some sightings, or none, are on a line as surely as that is known, give or take so much more."""
    misses = [line.miss(place) for place in few.xy]
    return all(abs(off) < SURE_SDS * np.hypot(sd, own) + give_m for (off, sd), own in zip(misses, few.sd, strict=True))


def turned_at_once(rest: Rest, path: Path, run: Run, sent: Sent) -> tuple[Path, Path] | None:
    """The way of a ball that something turned before it was seen often enough to tell, and its path after that.

    The way ends with what is seen on the line on which the ball was sent. None for a ball whose first leg, by its
    ``run`` or by what follows, is on a line from where it lay.
    """
    seen = path.part(path.t > sent.time_s + SMEARED_S)
    firsts = range(min(len(seen), LEAST_SEEN))
    few = next((k for k in firsts if not _on_line(seen.part(slice(k, k + 1)), sent.line, ON_LINE_M)), None)
    if few is None or not sent.speed_mps > LEAST_TOWARDS_MPS:
        return None
    before, after = seen.part(slice(0, few)), seen.part(slice(few, None))
    first = legs(after)[0]
    if len(first) < 3:
        return None
    told, line = fit_line(run.legs[0]), fit_line(first)
    if (_from_place(told, rest) and _along(told, sent)) or _from_place(line, rest) or _along(line, sent):
        return None
    began = carried_on(rest, sent)
    # The last of them may be from after the turn already.
    return (joined([began.part(slice(0, 1)), before.part(slice(0, -1))]) if len(before) > 1 else began), after


def _from_place(line: Line, rest: Rest) -> bool:
    """Whether a line comes from where a ball lay."""
    off, sd = line.miss(rest.at_m)
    return abs(off) < START_TOLERANCE_M + SURE_SDS * sd


def _along(line: Line, sent: Sent) -> bool:
    """Whether a line has the direction in which a ball was sent, as surely as both are known."""
    turned = abs(turn_rad(sent.line.bearing_rad, line.bearing_rad))
    return turned < max(TURN_RAD, SURE_SDS * float(np.hypot(line.bearing_sd_rad, sent.line.bearing_sd_rad)))


def way_unseen(rest: Rest, path: Path, sent: Sent) -> Path | None:
    """The way on which a ball set off that was first seen so late that something had turned it; None for any other.

    It is carried on for a moment from where the ball lay, as surely as it is known how it was sent.
    """
    if not len(path) or path.t[0] - sent.time_s < UNSEEN_TURN_S or not sent.speed_mps > LEAST_TOWARDS_MPS:
        return None
    return None if _still_on_its_way(rest, path, sent) else carried_on(rest, sent)


def _still_on_its_way(rest: Rest, path: Path, sent: Sent) -> bool:
    """Whether a ball is first seen on the line on which it was sent, and goes on along it: near a rail that it met
    squarely it is on that line again, on its way back."""
    within = max(SURE_SDS * sent.line.bearing_sd_rad, TURN_RAD)
    gone = path.xy[0] - rest.at_m
    if sent.line.direction @ gone <= 0 or abs(sent.line.miss(path.xy[0])[0]) >= np.hypot(*gone) * np.sin(within):
        return False
    goes = fit_line(legs(path)[0].part(slice(0, FIRST_SEEN)))
    turned = abs(turn_rad(sent.line.bearing_rad, goes.bearing_rad))
    return not turned > within + SURE_SDS * goes.bearing_sd_rad


def carried_on(rest: Rest, sent: Sent) -> Path:
    """The way of a ball for a moment after it was sent off, as surely as it is known how it was."""
    reach_m = sent.speed_mps * CARRIED_S
    return Path(
        np.array([sent.time_s, sent.time_s + CARRIED_S]),
        np.array([rest.at_m, rest.at_m + reach_m * sent.line.direction]),
        np.array([max(rest.sd_m, 1e-4), max(reach_m * sent.line.bearing_sd_rad, rest.sd_m, 1e-4)]),
    )


def has_rubber(rail: Rail, at_m: Vector, table: Table) -> bool:
    """Whether a place (2,) at a rail's track line is at rubber, not in a pocket's mouth."""
    axis, _ = table.track_coordinate(rail)
    along, length = float(at_m[1 - axis]), (table.length_m, table.width_m)[1 - axis]
    corner = table.corner_mouth_m / np.sqrt(2)
    in_side = axis == 1 and abs(along - length / 2) < table.side_mouth_m / 2
    return bool(corner < along < length - corner) and not in_side


def seen_to_meet(run: Run, hit: RailHit) -> bool:
    """Whether the run has that contact already, as the first thing that the ball met, after a leg that shows it."""
    k = next((k for k, j in enumerate(run.junctions) if j is not None), None)
    if k is None:
        return False
    first = run.junctions[k]
    same = isinstance(first, RailHit) and first.rail == hit.rail and abs(first.t_s - hit.t_s) < SAME_CONTACT_S
    return same and sum(len(leg) for leg in run.legs[: k + 1]) >= LEAST_SEEN
