"""A cue ball struck into a rail within a few frames' reach: it is back off the rail before its way there shows.

Seen coming away from the rail, on a line that does not pass where it lay, it looks as if a hand had moved it. Carried
back to the track line, its path tells where and when it met the rail; the place where it lay and that one, the line on
which it was struck. The angle at which it came off says the same line again, less surely, and so do sightings before.
"""

from dataclasses import dataclass, replace

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector
from vision.contacts.run import LEAVING_SD_M, Run, measured
from vision.contacts.sent_into_rail import LEAST_WAY_S, has_rubber, seen_to_meet
from vision.launch import Launch, fit_launch
from vision.legs import Line, Path, fit_line, legs, sliding_motion
from vision.reading import RailHit
from vision.set_off import FASTER_THAN_HAND_MPS, START_TOLERANCE_M, TIME_TOLERANCE_S, SetOff, from_rest
from vision.sightings import Rest

# A ball that lies farther from a rail's track line than this is seen often enough on its way there: at 24 pictures a
# second a firm stroke takes three of them for it.
FARTHEST_M = 0.5
# No more sightings than this are from before the contact, and the ball is out of sight no longer than this.
MOST_BEFORE, HIDDEN_S = 3, 0.15
# One that no hand can have sent off so fast may have been under the hand at the stick, or the body, for so long.
UNDER_HAND_S = 1.0
# It comes off the rail at least this fast, and so long afterwards no faster than by this factor: a hand speeds it up.
LEAST_AWAY_MPS, LATER_S, FASTER = 0.15, 0.25, 1.03
# Shares of the speed towards the rail and along it that a cushion returns: an apparent restitution of 0.6 to 0.9 is
# published (D. G. Alciatore, Colorado State University, billiards.colostate.edu, physical properties).
TOWARDS_KEPT, ALONG_KEPT, SPEED_SD_SHARE, RUN_SHARE = 0.75, 0.80, 0.12, 0.25
# So the tangent of the angle to the square differs by about this share from that on the way in, and the tangent of a
# curved start is not known better than this.
TANGENT_SHARE_SD, TANGENT_SD = 0.2, 0.07
# A line that passes beside the place where the ball lay, so far and by so many standard deviations, began elsewhere.
# Its first moments tell: after a rail it bends.
BESIDE_M, BESIDE_SDS, BEFORE_IT_BENDS_S = 0.004, 4.0, 0.15
# What the moment of the contact, told by the path carried back, may be wrong by: the path is curved at its start.
BACK_SD_S = 0.006
# Where the speed of a ball that was seen on its way there is told by that moment too, it is wrong by less (judged by
# simulated strokes).
MOMENT_SD_S = 0.0025
# Sightings on the way there tell its line when they are this far from where it lay: nearer ones may be the stick's.
LEAST_AHEAD_M = 0.03
# Where the path carried back and the angle put the contact must agree this well, in standard deviations.
MOST_APART_SDS = 3.0


@dataclass(frozen=True)
class _Off:
    """How a ball came off a rail: when, where along it (metres, as the table's axis), how fast away from it and along
    it (m/s, the latter as that axis)."""

    time_s: float
    along_m: float
    away_mps: float
    along_mps: float


def set_off_by_rail(rest: Rest, whole: Path, table: Table) -> SetOff | None:
    """How a ball set off that met a rail within a few frames; None when it did not, or too unsurely."""
    for rail in RAILS:
        axis, level = table.track_coordinate(rail)
        gap_m = abs(level - float(rest.at_m[axis]))
        hidden_s = float(whole.t[0]) - rest.last_s
        if gap_m > FARTHEST_M or hidden_s > UNDER_HAND_S:
            continue
        for k in range(min(MOST_BEFORE, len(whole) - 3) + 1):
            found = _by(rail, rest, whole.part(slice(0, k)), whole.part(slice(k, None)), table)
            if found is not None and (hidden_s <= HIDDEN_S or found.launch.speed_mps > FASTER_THAN_HAND_MPS):
                return found
    return None


def bounced_first(run: Run | None, found: SetOff, rest: Rest) -> bool:
    """Whether a rail met at once explains a path better than the ``run`` told without: None when there is none.

    A run that shows that contact after enough sightings is better; and a ball is struck away from a rail close by more
    often than into it, unless it was seen nearer to the rail, or its line passes beside the place where it lay.
    """
    if run is None:
        return True
    if isinstance(found.hit, RailHit) and seen_to_meet(run, found.hit):
        return False
    if _seen_nearer(found):
        return True
    first = legs(found.path)[0]
    off, sd = fit_line(first.part(first.t <= first.t[0] + BEFORE_IT_BENDS_S)).miss(rest.at_m)
    return bool(abs(off) > max(BESIDE_M, BESIDE_SDS * sd))


def _seen_nearer(found: SetOff) -> bool:
    """Whether a sighting shows the ball on its way from where it lay to the rail."""
    if found.way is None:
        return False
    start, end = found.way.xy[0], found.way.xy[-1]
    ahead = (found.way.xy[1:-1] - start) @ (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    return bool((ahead > np.maximum(BESIDE_M, BESIDE_SDS * found.way.sd[1:-1])).any())


def _on_the_way(before: Path, launch: Launch, start_m: Vector, at_m: Vector) -> bool:
    """Whether the sightings before the contact lie where a ball is that was struck from one place to the other."""
    way = (at_m - start_m) / max(float(np.hypot(*(at_m - start_m))), 1e-9)
    gone = before.xy - start_m
    aside = np.abs(gone @ np.array([-way[1], way[0]]))
    run = launch.speed_mps * (before.t - launch.time_s)
    return bool(
        (aside < START_TOLERANCE_M).all() and (np.abs(gone @ way - run) < START_TOLERANCE_M + RUN_SHARE * run).all()
    )


def _by(rail: Rail, rest: Rest, before: Path, after: Path, table: Table) -> SetOff | None:
    axis, level = table.track_coordinate(rail)
    first = legs(after)[0]
    # In a corner a second rail may follow at once: with sightings before the contact, two after it will do.
    off = _came_off(first, rail, table) if len(first) >= (2 if len(before) else 3) else None
    if off is None:
        return None
    seen_s = float(before.t[-1]) if len(before) else rest.last_s
    if not seen_s - 0.005 <= off.time_s <= first.t[0]:
        return None
    gap_m = max(abs(level - float(rest.at_m[axis])), 1e-4)
    # Along the rail from where it lay: by the path carried back, and by the angle.
    carried = off.along_m - float(rest.at_m[1 - axis])
    tangent = off.along_mps / off.away_mps * TOWARDS_KEPT / ALONG_KEPT
    mirrored = gap_m * tangent
    mirrored_sd = gap_m * float(np.hypot(TANGENT_SHARE_SD * tangent, TANGENT_SD * (1 + tangent**2)))
    carried_sd = float(np.hypot(LEAVING_SD_M, BACK_SD_S * off.along_mps))
    if abs(carried - mirrored) > MOST_APART_SDS * np.hypot(carried_sd, mirrored_sd):
        return None
    told = [(carried, carried_sd), (mirrored, mirrored_sd)]
    ahead = before.part(np.hypot(*(before.xy - rest.at_m).T) > LEAST_AHEAD_M)
    if len(ahead):
        # What is seen of the way there says it too.
        line_m, line_sd = fit_line(from_rest(rest, ahead)).at_level(axis, level)
        straight = float(line_m[1 - axis] - rest.at_m[1 - axis])
        if not abs(straight - carried) <= MOST_APART_SDS * np.hypot(carried_sd, line_sd) + BESIDE_M:
            return None
        told.append((straight, line_sd))
    found, sds = np.array(told).T
    along = float(np.average(found, weights=sds**-2))
    along_sd = float((sds**-2).sum() ** -0.5)
    at_m = rest.at_m.copy()
    at_m[axis], at_m[1 - axis] = level, rest.at_m[1 - axis] + along
    if not has_rubber(rail, at_m, table):
        return None
    speed = float(np.hypot(off.away_mps / TOWARDS_KEPT, off.along_mps / ALONG_KEPT))
    way_m = float(np.hypot(gap_m, along))
    way_s = max(way_m / speed, LEAST_WAY_S)
    launch = Launch(off.time_s - way_s, SPEED_SD_SHARE * way_s + 0.001, speed, SPEED_SD_SHARE * speed)
    if len(before):
        at_sd_m = float(np.hypot(along_sd, MOMENT_SD_S * speed))
        seen = Path(np.append(before.t, off.time_s), np.vstack([before.xy, at_m]), np.append(before.sd, at_sd_m))
        launch = fit_launch(rest.at_m, seen)
        if not abs(launch.speed_mps - speed) < MOST_APART_SDS * SPEED_SD_SHARE * speed:
            return None
    if not rest.last_s - TIME_TOLERANCE_S <= launch.time_s <= (before.t[0] if len(before) else first.t[0]):
        return None
    if not _on_the_way(before, launch, rest.at_m, at_m):
        return None
    way = Path(
        np.concatenate([[launch.time_s], before.t, [off.time_s]]),
        np.vstack([rest.at_m, before.xy, at_m]),
        np.concatenate([[max(rest.sd_m, 1e-4)], before.sd, [max(along_sd, 1e-4)]]),
    )
    line = Line(rest.at_m, _bearing(at_m - rest.at_m), along_sd / way_m, rest.sd_m)
    hit = replace(measured(way, first, rail, off.time_s, line, table), at_m=at_m, at_sd_m=along_sd)
    return SetOff(after, launch, way, hit)


def _came_off(first: Path, rail: Rail, table: Table) -> _Off | None:
    """When and where a path that leads away from a rail came off it; None when it does not, or speeds up."""
    axis, level = table.track_coordinate(rail)
    outward = float(np.sign(level - table.centre_m[axis]))
    begins = sliding_motion(first, float(first.t[0]))
    later = sliding_motion(first, min(float(first.t[0]) + LATER_S, float(first.t[-1])))
    away = -outward * float(begins.velocity_mps[axis])
    if away < LEAST_AWAY_MPS or later.speed_mps > FASTER * begins.speed_mps:
        return None
    back_s = outward * (level - float(begins.at_m[axis])) / away
    off = sliding_motion(first, float(first.t[0]) - back_s)
    away = -outward * float(off.velocity_mps[axis])
    if away < LEAST_AWAY_MPS:
        return None
    return _Off(float(first.t[0]) - back_s, float(off.at_m[1 - axis]), away, float(off.velocity_mps[1 - axis]))


def _bearing(way: Vector) -> float:
    return float(np.arctan2(way[1], way[0]) % (2 * np.pi))
