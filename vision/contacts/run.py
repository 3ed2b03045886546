"""Where a ball met rails, other balls and pockets, from its legs.

A contact with a rail is where the legs meet near the track line, not the frame nearest to it: the leg before is
carried on to the track line, the leg after carried back, and the two times are averaged.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.table import POCKETS, RAILS, Pocket, Rail, Table, Vector
from vision.contacts.grazes import cut_at_grazes
from vision.contacts.rebounds import Rebounds
from vision.contacts.turns import before_turn
from vision.launch import Launch
from vision.legs import SLIDING_MPS2, Line, Path, fit_line, legs, motion_at, sliding_motion
from vision.reading import BallHit, RailHit
from vision.straight import straight_end

# A junction of two legs this close to a rail's track line (beyond one frame's travel) is a contact with that rail.
RAIL_REACH_M = 0.025
# A ball at a rail may seem this much behind the track line.
ON_TRACK_M = 0.006
# A turn on the open bed is one when the ball is seen for so long before and after: a stick beside a ball, or a rail,
# spoils a few sightings.
TURNED_ALONE_S = 0.15
# Centres this little more than two radii apart: the balls touch.
TOUCHING_M = 0.003
# What is seen after this long out of sight is of the same leg only if it lies on the line of so much before, within so
# much and four standard deviations.
UNSEEN_S, LINE_S, OFF_LINE_M = 0.3, 0.5, 0.01
# Legs longer than this have a straight end; what a shorter one's curve may be wrong by at its ends.
LONG_LEG_S = 0.7
CURVED_SD_M = 0.0008
# The same for the start of the leg after, which is always curved.
LEAVING_SD_M = 0.002
# Two balls met when their centres came within two radii and this.
TOUCH_TOLERANCE_M = 0.02
# A ball that lies so far into another's way to a rail stops it from getting there, and sets off within so long.
IN_THE_WAY_M, AT_ONCE_S = 0.002, 0.05
# A ball seen in its place so long after another was beside it was not met.
STAYED_S = 0.3
# Exposures are seldom longer than a 60th of a second: a sighting this close to a contact may be smeared round it.
SMEARED_S = 0.009
# Over the lip, a ball's centre is this many radii beyond the middle of the mouth: the bed reaches 25 to 57 mm into a
# corner pocket and 10 mm at most into a side pocket (WPA equipment specification, from memory). What comes that far
# within the time that a ball takes to sink out of sight drops.
LIP_RADII, SIDE_LIP_RADII, DROP_S = 2.15, 1.0, 0.06


@dataclass(frozen=True)
class Run:
    """What one ball did after it set off: its legs, and what stands between each leg and the next.

    ``junctions[i]`` follows ``legs[i]``: a rail, the name of another ball, or None for a kink that is neither. ``told``
    gives of some legs, by their number, the way over rails by which they are told, and the rail they come from there.
    """

    ball: str
    legs: tuple[Path, ...]
    junctions: tuple[RailHit | BallHit | None, ...]
    told: Mapping[int, tuple[Rebounds, int]] = field(default_factory=dict)

    @property
    def rail_hits(self) -> tuple[RailHit, ...]:
        return tuple(j for j in self.junctions if isinstance(j, RailHit))

    @property
    def ball_hits(self) -> tuple[BallHit, ...]:
        return tuple(j for j in self.junctions if isinstance(j, BallHit))

    @property
    def launch(self) -> Launch | None:
        """How the ball set off, where its way over the first rails tells it; else None."""
        way, hit = self.told.get(1, (None, 0))
        return way.launch if way is not None and hit == 0 else None

    def line_of(self, leg: int, table: Table) -> Line:
        """The straight line of a leg on the bed: without its curved start, unless it is the first, and its drop."""
        return fit_line(self._straight(leg, table))

    def straight_parts(self, table: Table) -> list[Path]:
        """What of each leg its straight line is fitted to."""
        return [self._straight(leg, table) for leg in range(len(self.legs))]

    def _straight(self, leg: int, table: Table) -> Path:
        on_bed = self.legs[leg].part(within_track(self.legs[leg].xy, table))
        path = on_bed if len(on_bed) >= 2 else self.legs[leg]
        return path if leg == 0 else straight_end(path)


def follow(
    ball: str,
    path: Path,
    others: Mapping[str, Vector],
    table: Table,
    seen_until_s: Mapping[str, float] | None = None,
    *,
    straight: bool = True,
) -> Run:
    """Cut a ball's path into legs and say what it met in between.

    ``others`` are the resting places (2,) of the other balls when this one set off, metres; ``seen_until_s`` says until
    when each was seen there: a ball that stays where it lay was not met, however near this one came. ``straight`` says
    that the path begins where the ball set off, not where it met something.
    """
    seen_until_s = seen_until_s or {}
    whole = [piece for leg in legs(path) for piece in _cut_out_of_sight(leg)]
    touching = _cut_at_touches(whole, others, seen_until_s, table)
    parts = [piece for leg in touching for piece in cut_at_grazes(leg, table)]
    if straight and parts:
        parts[:1] = _cut_at_turn(parts[0])
    junctions: list[RailHit | BallHit | None] = []
    trimmed = list(parts)
    waiting = dict(others)
    for i in range(len(parts) - 1):
        hit: RailHit | BallHit | None
        rail_hit = _rail_hit(parts[i], parts[i + 1], table, straight=straight and i == 0)
        if rail_hit is None:
            hit = ball_hit(ball, parts[i], parts[i + 1], waiting, table)
        else:
            until_s = float(parts[i + 1].t[0]) + AT_ONCE_S
            gone = {n: p for n, p in waiting.items() if seen_until_s.get(n, np.inf) < until_s}
            line = _arrival(parts[i], rail_hit.t_s, straight and i == 0)
            hit = _ball_in_the_way(ball, parts[i], parts[i + 1], gone, rail_hit.rail, line, table) or rail_hit
        if isinstance(hit, BallHit):
            if seen_until_s.get(hit.balls[1], -np.inf) > hit.t_s + STAYED_S:
                hit = None
            else:
                # It lies there no longer.
                del waiting[hit.balls[1]]
        junctions.append(hit)
        if hit is not None:
            trimmed[i] = without_smeared(trimmed[i], hit.t_s)
            trimmed[i + 1] = without_smeared(trimmed[i + 1], hit.t_s)
    # A second look with the smeared sightings left out.
    for i, hit in enumerate(junctions):
        if isinstance(hit, RailHit):
            junctions[i] = _rail_hit(trimmed[i], trimmed[i + 1], table, straight=straight and i == 0) or hit
    return Run(ball, tuple(trimmed), tuple(junctions))


def within_track(places_m: NDArray[np.float64], table: Table) -> NDArray[np.bool_]:
    """Which of the places (n, 2) a ball on the bed can have: (n,). In a pocket's mouth it goes further, and drops."""
    room = table.track_offset_m - ON_TRACK_M
    x, y = places_m[:, 0], places_m[:, 1]
    return (x > room) & (x < table.length_m - room) & (y > room) & (y < table.width_m - room)


def pocket_at(place_m: Vector, velocity_mps: Vector, table: Table, within_s: float = DROP_S) -> Pocket | None:
    """The pocket into which a ball dropped that was last seen at ``place_m`` (2,); None when it cannot have.

    ``within_s`` is the time in which it may have come to the lip, out of sight by then, seconds. It must have been on
    its way over it: a ball that vanishes while the bed still carries it was taken up.
    """
    for pocket in POCKETS:
        outward = _outward(pocket, table)
        offset = place_m - table.mouth_m(pocket)
        depth = float(offset @ outward)
        aside = float(np.hypot(*(offset - depth * outward)))
        wide = table.side_mouth_m if pocket.startswith("side") else table.corner_mouth_m
        soon = max(float(velocity_mps @ outward), 0.0) * within_s
        if aside < wide / 2 and depth > -wide / 2 and soon > short_of_lip_m(place_m, pocket, table):
            return pocket
    return None


def short_of_lip_m(place_m: Vector, pocket: Pocket, table: Table) -> float:
    """How far a ball's place (2,) is short of the lip over which it drops, along the pocket's axis; negative beyond."""
    lip = SIDE_LIP_RADII if pocket.startswith("side") else LIP_RADII
    return lip * table.ball_radius_m - float((place_m - table.mouth_m(pocket)) @ _outward(pocket, table))


def _outward(pocket: Pocket, table: Table) -> Vector:
    """Direction, (2,), of a pocket's axis, out of the table."""
    outward = np.sign(np.round(table.mouth_m(pocket) - table.centre_m, 6))
    return np.asarray(outward / np.hypot(*outward))


def _cut_out_of_sight(leg: Path) -> list[Path]:
    """A leg cut where something turned the ball while it was not seen for long: any speed may be explained then, but a
    ball left alone stays on its line."""
    for k in np.flatnonzero(np.diff(leg.t) > UNSEEN_S):
        before = leg.part((leg.t <= leg.t[k]) & (leg.t >= leg.t[k] - LINE_S))
        off, sd = fit_line(before).miss(leg.xy[k + 1]) if len(before) > 1 else (np.inf, 0.0)
        if abs(off) > OFF_LINE_M + 4 * sd:
            return [leg.part(slice(0, k + 1)), *_cut_out_of_sight(leg.part(slice(k + 1, None)))]
    return [leg]


def _cut_at_touches(
    parts: list[Path], others: Mapping[str, Vector], seen_until_s: Mapping[str, float], table: Table
) -> list[Path]:
    """Legs cut where the ball first came up to a resting one: beside a ball it is seen too unsurely to show a kink.

    One that is seen to stay where it lay was passed by.
    """
    waiting = dict(others)
    out: list[Path] = []
    for leg in parts:
        cuts = {0, len(leg)}
        for name, where in list(waiting.items()):
            close = np.flatnonzero(np.hypot(*(leg.xy - where).T) < 2 * table.ball_radius_m + TOUCHING_M)
            if len(close) and seen_until_s.get(name, -np.inf) <= leg.t[close[0]] + STAYED_S:
                # From then on it may lie elsewhere.
                del waiting[name]
                if 1 < close[0] < len(leg) - 2:
                    cuts.add(int(close[0]))
        ends = sorted(cuts)
        out += [leg.part(slice(a, b)) for a, b in pairwise(ends)]
    return out


def _cut_at_turn(first: Path) -> list[Path]:
    """The leg on which a ball set off, cut where something unseen turned it softly: its line ends there."""
    before = before_turn(first)
    after = first.part(slice(len(before), None))
    alone = all(len(part) > 1 and part.t[-1] - part.t[0] > TURNED_ALONE_S for part in (before, after))
    return [before, after] if alone else [first]


def _rail_hit(before: Path, after: Path, table: Table, *, straight: bool) -> RailHit | None:
    """The contact between two legs, if a rail parts them; ``straight`` when the leg before is a ball's first."""
    if len(before) < 2 or len(after) < 2:
        return None
    ends = motion_at(before, float(before.t[-1]))
    begins = sliding_motion(after, float(after.t[0]))
    gap = float(after.t[0] - before.t[-1])
    best: tuple[float, Rail] | None = None
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        outward = 1.0 if level > table.length_m / 4 else -1.0
        into, out = outward * ends.velocity_mps[axis], outward * begins.velocity_mps[axis]
        if not (into > 0.02 and out < -0.02):
            continue
        distance = min(abs(before.xy[-1, axis] - level), abs(after.xy[0, axis] - level))
        if distance < RAIL_REACH_M + max(into, -out) * gap and (best is None or distance < best[0]):
            best = (float(distance), rail)
    if best is None:
        return None
    axis, level = table.track_coordinate(best[1])
    # The leg before is straighter where it ends than the one after where it begins, and says it twice as well.
    times = [
        float(path.t[index]) + (level - motion.at_m[axis]) / float(motion.velocity_mps[axis])
        for motion, path, index in ((ends, before, -1), (begins, after, 0))
    ]
    low, high = float(before.t[-1]), float(after.t[0])
    time_s = float(np.clip(np.average(times, weights=[2.0, 1.0]), low - 0.005, high + 0.005))
    return measured(before, after, best[1], time_s, _arrival(before, time_s, straight), table)


def _arrival(before: Path, time_s: float, straight: bool) -> Line:
    """The line on which a ball comes to a rail: the whole leg's, its straight end's, or a short one's tangent."""
    if straight:
        return fit_line(before)
    if before.t[-1] - before.t[0] > LONG_LEG_S:
        return fit_line(straight_end(before))
    motion = sliding_motion(before, time_s)
    turn_sd = motion.velocity_sd_mps / max(motion.speed_mps, 1e-3)
    return Line(motion.at_m, motion.bearing_rad, turn_sd, float(np.hypot(motion.at_sd_m, CURVED_SD_M)))


def measured(before: Path, after: Path, rail: Rail, time_s: float, line: Line, table: Table) -> RailHit:
    """The contact at ``time_s`` with ``rail``, to which the ball came on ``line``, between the legs that part there."""
    axis, level = table.track_coordinate(rail)
    at_in, sd_in = line.at_level(axis, level)
    arriving, leaving = motion_at(before, time_s), sliding_motion(after, time_s)
    # The leg after crosses the track line too, less surely, since it is curved at its start.
    along = (
        leaving.at_m[1 - axis]
        + leaving.velocity_mps[1 - axis] * (level - leaving.at_m[axis]) / (leaving.velocity_mps[axis])
    )
    at_m, at_sd = at_in.copy(), sd_in
    sd_out = float(np.hypot(leaving.at_sd_m, LEAVING_SD_M))
    if np.isfinite(along) and abs(along - at_in[1 - axis]) < 4 * np.hypot(sd_in, sd_out):
        w_in, w_out = 1 / sd_in**2, 1 / sd_out**2
        at_m[1 - axis] = (at_in[1 - axis] * w_in + along * w_out) / (w_in + w_out)
        at_sd = float(1 / np.sqrt(w_in + w_out))
    at_m[axis] = level
    return RailHit(
        rail=rail,
        at_m=at_m,
        at_sd_m=float(at_sd),
        t_s=time_s,
        speed_in_mps=arriving.speed_mps,
        speed_out_mps=leaving.speed_mps,
        bearing_in_rad=line.bearing_rad,
        bearing_out_rad=leaving.bearing_rad,
    )


def ball_hit(ball: str, before: Path, after: Path, others: Mapping[str, Vector], table: Table) -> BallHit | None:
    """The contact between two legs, if another ball lay there."""
    if not others or len(before) < 2:
        return None
    line = fit_line(before if len(before) < 6 else before.part(slice(-6, None)))
    near, name = min(
        (min(float(np.hypot(*(at - p))) for p in (before.xy[-1], after.xy[0])), n) for n, at in others.items()
    )
    where, touch = others[name], 2 * table.ball_radius_m
    ends = motion_at(before, float(before.t[-1]))
    reach = ends.speed_mps * float(after.t[0] - before.t[-1])
    if near > touch + TOUCH_TOLERANCE_M + reach:
        return None
    # Along the line before, the centre stands two radii from the other ball's at the moment of contact.
    miss, _ = line.miss(where)
    ahead = float((where - line.through_m) @ line.direction)
    back = float(np.sqrt(max(touch**2 - miss**2, 0.0)))
    at_m = line.through_m + (ahead - back) * line.direction
    travelled = float((at_m - ends.at_m) @ line.direction)
    gap_s = travelled / max(ends.speed_mps, 0.05)
    # Out of sight it slides, or rolls: half of what sliding takes is what it is slowed by, give or take as much, but
    # met it was before the next sighting.
    slowed_s = SLIDING_MPS2 / 4 * gap_s**2 / max(ends.speed_mps, 0.05) if gap_s > 0 else 0.0
    time_sd_s = min(slowed_s, float(after.t[0] - before.t[-1]))
    time_s = float(np.clip(before.t[-1] + gap_s + slowed_s, before.t[-1] - 0.01, after.t[0] + 0.01))
    return BallHit(time_s, (ball, name), at_m, time_sd_s)


def _ball_in_the_way(
    ball: str, before: Path, after: Path, others: Mapping[str, Vector], rail: Rail, line: Line, table: Table
) -> BallHit | None:
    """The contact with another ball that lay between the leg before and the rail where it seems to have ended.

    ``line`` is the one on which it came there: a leg that begins at a rail is curved.
    """
    at_rail_m, _ = line.at_level(*table.track_coordinate(rail))
    for name, where in others.items():
        off, sd = line.miss(where)
        if abs(off) + 3 * sd < 2 * table.ball_radius_m - IN_THE_WAY_M:
            hit = ball_hit(ball, before, after, {name: where}, table)
            if hit is not None and (hit.at_m - at_rail_m) @ line.direction < 0:
                return hit
    return None


def without_smeared(leg: Path, time_s: float) -> Path:
    """The leg without the sighting that was exposed while the ball met something, if enough is left."""
    keep = np.abs(leg.t - time_s) > SMEARED_S
    return leg.part(keep) if keep.sum() >= 4 else leg
