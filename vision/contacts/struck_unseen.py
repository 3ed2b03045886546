"""A cue ball that nobody saw set off, told by the ball that it sent off while it was out of sight.

A hand, a head or a lamp may hide the cue ball from before the strike until after it has met another ball. That ball
left on the line of centres: where the cue ball stood then, and so its line, is told by it, and by how fast it left, how
fast the cue ball came. It may have been off a rail close by before it was seen itself.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.table import RAILS, Rail, Table, Vector
from vision.contacts.run import Run
from vision.contacts.sent_into_rail import LEAST_BACK_SD_M, LEAST_WAY_S, THROWN_SD_RAD, has_rubber
from vision.contacts.struck_into_rail import ALONG_KEPT, SPEED_SD_SHARE, TOWARDS_KEPT
from vision.launch import Launch, fit_launch
from vision.legs import SLIDING_MPS2, Path, fit_line, legs, sliding_motion
from vision.reading import BallHit
from vision.set_off import (
    LEAST_WAY_M,
    SHARE,
    SHARE_SD,
    SMEARED_S,
    START_TOLERANCE_M,
    TIME_TOLERANCE_S,
    SetOff,
    from_rest,
)
from vision.sightings import Rest

# The ball that was met leaves faster than hands push balls about (common practice, no source).
LEAST_SENT_MPS = 1.0
# When the ball that was met left is known no better than this.
LEFT_SD_S = 0.01
# The cue ball was seen no more often than this before it met that ball.
MOST_BEFORE = 2
# It came faster than it seems to have set off by so many standard deviations.
FASTER_SDS = 2.0
# Nothing is told of balls that were out of sight for longer than this.
UNSEEN_S = 1.0
# A ball met thinner than this (the cosine of the cut) is not known to have been met by this one.
LEAST_FULLNESS = 0.25
# Seen off a rail later than this after it, a ball may have met anything before.
BACK_S = 0.25
# Rails turn a ball this much otherwise than usual cushions would, at most.
MOST_TURNED_RAD = np.radians(20.0)
# Where the cue ball is first seen may be this much farther than its speed takes it: it is seen beside a hand.
REACH_M = 0.03


@dataclass(frozen=True)
class _Left:
    """How a ball left its place: when, how fast (m/s), in which direction (2,), with what is not known of each."""

    time_s: float
    time_sd_s: float
    speed_mps: float
    speed_sd_mps: float
    direction: Vector
    turn_sd_rad: float


def set_off_unseen(rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> SetOff | None:
    """How a cue ball set off that was out of sight until it had met another ball; None when none tells.

    ``near`` gives resting place and path of the other balls. Of several that one was met first which left first.
    """
    earliest_s = min((other.last_s for other, _ in near.values()), default=np.inf) - TIME_TOLERANCE_S - SMEARED_S
    if np.count_nonzero(whole.t < earliest_s) > MOST_BEFORE:
        # It was seen too well, before any of them can have left, to have met one out of sight.
        return None
    left_as = {name: list(_departures(other, path, table)) for name, (other, path) in near.items()}
    while True:
        # Those that were turned before they were seen: the ball that each of them met then tells how it came there.
        told = {
            name: [
                by
                for met, (other, _) in near.items()
                for left in left_as[met]
                if (by := _passed_on(lay, path, other, left, table)) is not None
            ]
            for name, (lay, path) in near.items()
            if not left_as[name]
        }
        if not any(told.values()):
            break
        left_as |= told
    found = [
        (left.time_s, name, begun)
        for name, (other, _) in near.items()
        for left in left_as[name]
        if (begun := _by(rest, whole, name, other, left, table)) is not None
    ]
    return min(found, key=lambda each: each[:2], default=(0.0, "", None))[2]


def first_of_all(begun: SetOff | None, run: Run | None, unseen: SetOff) -> bool:
    """Whether a meeting that no frame shows explains a path better than how the ball ``begun``, and its ``run``: it
    knows nothing of that ball, and a ball sends no other off faster than it came."""
    if begun is None or run is None or not isinstance(unseen.hit, BallHit):
        return True
    met = any(unseen.hit.balls[1] in hit.balls for hit in run.ball_hits)
    return not met and unseen.launch.speed_mps > begun.launch.speed_mps + FASTER_SDS * unseen.launch.speed_sd_mps


def _by(rest: Rest, whole: Path, name: str, other: Rest, left: _Left, table: Table) -> SetOff | None:
    """How the cue ball set off if it sent a ball off so that lay at ``other``; None when it cannot have."""
    before, after = whole.part(whole.t < left.time_s - SMEARED_S), whole.part(whole.t > left.time_s + SMEARED_S)
    seen_s = float(before.t[-1]) if len(before) else rest.last_s
    if not len(after) or len(before) > MOST_BEFORE or not seen_s - SMEARED_S < left.time_s < seen_s + UNSEEN_S:
        return None
    centre = other.at_m - 2 * table.ball_radius_m * left.direction
    ahead = centre - rest.at_m
    distance = float(np.hypot(*ahead))
    fullness = float(ahead @ left.direction) / max(distance, 1e-9)
    if distance < LEAST_WAY_M or fullness < LEAST_FULLNESS:
        return None
    gone = before.xy - rest.at_m
    aside, along = gone @ np.array([-ahead[1], ahead[0]]) / distance, gone @ ahead / distance
    if (np.abs(aside) > START_TOLERANCE_M + 3 * before.sd).any() or (along > distance + START_TOLERANCE_M).any():
        return None
    speed, speed_sd = _came_mps(left, fullness, distance, table)
    gone_s = distance / speed
    launch = Launch(left.time_s - gone_s, float(np.hypot(left.time_sd_s, gone_s * speed_sd / speed)), speed, speed_sd)
    # When it was struck says how fast it came, too: not before it was last seen where it lay.
    latest_s = float(before.t[0]) if len(before) else left.time_s
    if not rest.last_s - TIME_TOLERANCE_S <= launch.time_s <= latest_s + TIME_TOLERANCE_S:
        return None
    if float(np.hypot(*(after.xy[0] - centre))) > REACH_M + speed * float(after.t[0] - left.time_s):
        return None
    centre_sd = float(np.hypot(other.sd_m, 2 * table.ball_radius_m * left.turn_sd_rad))
    if len(before):
        # What was seen of it on its way tells how it set off better than that ball's speed does.
        end_sd = np.hypot(centre_sd, left.time_sd_s * speed)
        seen = Path(np.append(before.t, left.time_s), np.vstack([before.xy, centre]), np.append(before.sd, end_sd))
        fitted = fit_launch(rest.at_m, seen)
        launch = fitted if rest.last_s - TIME_TOLERANCE_S <= fitted.time_s <= latest_s else launch
    begun_s = min(launch.time_s, latest_s - LEAST_WAY_S)
    way = Path(
        np.concatenate([[begun_s], before.t, [left.time_s]]),
        np.vstack([rest.at_m, before.xy, centre]),
        np.concatenate([[max(rest.sd_m, 1e-4)], before.sd, [max(centre_sd, 1e-4)]]),
    )
    return SetOff(after, launch, way, BallHit(left.time_s, ("cue", name), centre, left.time_sd_s))


def _came_mps(left: _Left, fullness: float, way_m: float, table: Table) -> tuple[float, float]:
    """How fast a ball came, over so long a way, that sent another off so, and the standard deviation (m/s)."""
    speed = left.speed_mps / (SHARE * fullness)
    # What is not known of the line tells on how fully the ball was met, too: it turns that ball's line and, since it
    # moves the place of the one that came, the way there as well.
    cut_sd_rad = left.turn_sd_rad * (1 + 2 * table.ball_radius_m * fullness / way_m)
    thin = cut_sd_rad * float(np.sqrt(1 - min(fullness, 1.0) ** 2)) / fullness
    return speed, speed * float(np.hypot.reduce([left.speed_sd_mps / left.speed_mps, SHARE_SD, thin]))


def _departures(lay: Rest, path: Path, table: Table) -> Iterator[_Left]:
    """How a ball may have left the place where it lay: straight, or off one rail before it was seen."""
    first = legs(path)[0] if len(path) else path
    if len(first) < 2 or first.t[0] - lay.last_s > UNSEEN_S:
        return
    off, sd = fit_line(first).miss(lay.at_m)
    launch = fit_launch(lay.at_m, first)
    in_time = lay.last_s - TIME_TOLERANCE_S < launch.time_s < first.t[0]
    if abs(off) < START_TOLERANCE_M + 3 * sd and launch.speed_mps > LEAST_SENT_MPS and in_time:
        line = fit_line(from_rest(lay, first))
        turn_sd = float(np.hypot(line.bearing_sd_rad, THROWN_SD_RAD))
        time_sd = float(np.hypot(LEFT_SD_S, launch.time_sd_s))
        yield _Left(launch.time_s, time_sd, launch.speed_mps, launch.speed_sd_mps, line.direction, turn_sd)
        return
    for rail in RAILS if len(first) > 2 else ():
        left = _off_rail(rail, lay, first, table)
        if left is not None:
            yield left


def _passed_on(lay: Rest, path: Path, other: Rest, left: _Left, table: Table) -> _Left | None:
    """How a ball left the place where it ``lay`` if it sent the ``other`` off so; None when it cannot have."""
    centre = other.at_m - 2 * table.ball_radius_m * left.direction
    way = centre - lay.at_m
    length = float(np.hypot(*way))
    fullness = float(way @ left.direction) / max(length, 1e-9)
    after = path.part(path.t > left.time_s)
    if length < LEAST_WAY_M or fullness < LEAST_FULLNESS or not len(after):
        return None
    speed, speed_sd = _came_mps(left, fullness, length, table)
    left_s = left.time_s - length / speed
    if left_s < lay.last_s - TIME_TOLERANCE_S or path.t[0] - lay.last_s > UNSEEN_S:
        return None
    if float(np.hypot(*(after.xy[0] - centre))) > REACH_M + speed * float(after.t[0] - left.time_s):
        return None
    centre_sd = float(np.hypot(other.sd_m, 2 * table.ball_radius_m * left.turn_sd_rad))
    turn_sd = float(np.hypot(centre_sd / length, THROWN_SD_RAD))
    time_sd = float(np.hypot(left.time_sd_s, length / speed * speed_sd / speed))
    return _Left(left_s, time_sd, speed, speed_sd, way / length, turn_sd)


def _off_rail(rail: Rail, lay: Rest, first: Path, table: Table) -> _Left | None:
    """How a ball left the place where it lay if it met a rail before the leg on which it was first seen."""
    axis, level = table.track_coordinate(rail)
    outward = float(np.sign(level - table.centre_m[axis]))
    motion = sliding_motion(first, float(first.t[0]))
    away = -outward * float(motion.velocity_mps[axis])
    if away <= 0:
        return None
    back_s = outward * (level - float(motion.at_m[axis])) / away
    if not -SMEARED_S < back_s < BACK_S:
        return None
    at_m = motion.at_m - motion.velocity_mps * back_s
    way = at_m - lay.at_m
    length = float(np.hypot(*way))
    if length < LEAST_WAY_M or outward * float(way[axis]) <= 0 or not has_rubber(rail, at_m, table):
        return None
    came = motion.velocity_mps / ALONG_KEPT
    came[axis] = outward * away / TOWARDS_KEPT
    speed = float(np.hypot(*came))
    turned = float(np.arccos(np.clip(came @ way / (speed * length), -1.0, 1.0)))
    left_s = float(first.t[0]) - back_s - length / speed
    if turned > MOST_TURNED_RAD or speed < LEAST_SENT_MPS or left_s < lay.last_s - TIME_TOLERANCE_S:
        return None
    # Off the rail it slides, in a curve that is not seen.
    bent_m = SLIDING_MPS2 * back_s**2 / 2
    at_sd_m = float(np.hypot.reduce([motion.at_sd_m, motion.velocity_sd_mps * back_s, bent_m, LEAST_BACK_SD_M]))
    turn_sd = float(np.hypot(at_sd_m / length, THROWN_SD_RAD))
    # How long it was on its way there is known as well as its speed, and how long it is back by its curve.
    time_sd = float(np.linalg.norm([LEFT_SD_S, SPEED_SD_SHARE * length / speed, bent_m / away]))
    return _Left(left_s, time_sd, speed, SPEED_SD_SHARE * speed, way / length, turn_sd)
