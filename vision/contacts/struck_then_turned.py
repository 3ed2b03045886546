"""A struck cue ball that something unseen turned before it was seen three times on its way.

A dark ball on a dark cloth, or one that is frozen to another, may not be seen at all. What the cue ball does beside it
has neither line nor speed of the stroke. That it was struck is told by how soon it was so far from where it lay, faster
than hands roll balls, and by the line from there; seen less than twice on that line, also by another ball close by
that set off just then.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from calibration.table import Table
from vision.contacts.struck_then_hidden import LAY_S
from vision.launch import Launch, fit_launch
from vision.legs import Path, fit_line, sliding_motion
from vision.no_attempt.nearness import PASSED_M
from vision.pairing import FASTEST_MPS
from vision.set_off import FASTER_THAN_HAND_MPS, START_TOLERANCE_M, TIME_TOLERANCE_S, SetOff, from_rest
from vision.sightings import Rest

# Seen so often before it was turned, or less often.
MOST_BEFORE = 2
# It is seen so often after, for so long, by itself.
LEAST_AFTER, LEAST_AFTER_S = 6, 0.25
# The motion after the turn is told by so many sightings.
FIRST_AFTER = 6
# A ball close by set off then, or a moment later, sent by the one that nobody sees perhaps; it is seen so often.
SENT_WITHIN_S, LEAST_SENT = 0.15, 3


def set_off_then_turned(rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> SetOff | None:
    """How a cue ball set off that was turned out of sight, or by something unseen; None when nothing tells of a stroke.

    ``near`` gives resting place and path of the other balls.
    """
    for count in range(MOST_BEFORE, -1, -1):
        found = _turned_after(count, rest, whole, near, table)
        if found is not None:
            return found
    return None


def _turned_after(
    count: int, rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table
) -> SetOff | None:
    """How the ball set off if it was turned after so many sightings."""
    before, after = whole.part(slice(0, count)), whole.part(slice(count, None))
    if len(after) < LEAST_AFTER or after.t[-1] - after.t[0] < LEAST_AFTER_S:
        return None
    if np.diff(np.concatenate([[rest.last_s], whole.t[: count + 1]])).max() > LAY_S:
        return None
    first = before if count else after
    gone_m, gone_s = float(np.hypot(*(first.xy[0] - rest.at_m))), float(first.t[0]) - rest.last_s
    slowest = (gone_m - START_TOLERANCE_M) / gone_s
    if count < MOST_BEFORE and not (slowest > FASTER_THAN_HAND_MPS and _sent_one_off(rest, after, near, table)):
        return None
    if count == 0:
        return _turned_at_once(rest, after, slowest)
    if _on_its_way_after(before.part(slice(-1, None)), after):
        if count == 1:
            # Any single place is in line with where it lay.
            return None
        # Close to the turn, it may be from just after it.
        before = replace(before, sd=np.hypot(before.sd, [0.0, START_TOLERANCE_M]))
    line = fit_line(from_rest(rest, before))
    if (np.abs((before.xy - rest.at_m) @ line.left) > START_TOLERANCE_M + 3 * before.sd).any():
        return None
    launch = fit_launch(rest.at_m, before) if count == MOST_BEFORE else _launch(gone_m, rest.last_s, before, slowest)
    if not launch.speed_mps - 3 * launch.speed_sd_mps > FASTER_THAN_HAND_MPS and count == MOST_BEFORE:
        return None
    if not rest.last_s - TIME_TOLERANCE_S <= launch.time_s <= before.t[0]:
        return None
    begun_s = min(launch.time_s, float(before.t[0]) - 1e-3)
    sd = np.append(max(rest.sd_m, 1e-4), before.sd)
    return SetOff(after, launch, Path(np.append(begun_s, before.t), np.vstack([rest.at_m, before.xy]), sd))


def _on_its_way_after(seen: Path, after: Path) -> bool:
    """Whether a sighting just before some others is of the same motion: carried back they come from there."""
    motion = sliding_motion(after.part(slice(0, FIRST_AFTER)), float(seen.t[0]))
    off_m = float(np.hypot(*(seen.xy[0] - motion.at_m)))
    return off_m < START_TOLERANCE_M + 3 * float(np.hypot(seen.sd[0], motion.at_sd_m))


def _turned_at_once(rest: Rest, after: Path, slowest_mps: float) -> SetOff:
    """How a ball set off that no picture shows before it was turned: it came to its way after at some moment since."""
    motion = sliding_motion(after.part(slice(0, FIRST_AFTER)), float(after.t[0]))
    gone_m = float(np.hypot(*(after.xy[0] - rest.at_m)))
    since_s = float(after.t[0]) - rest.last_s - gone_m / FASTEST_MPS
    at_m = after.xy[0] - motion.velocity_mps * since_s / 2
    sd_m = float(np.hypot(after.sd[0], motion.speed_mps * since_s / np.sqrt(12.0)))
    met_s = float(after.t[0]) - 1e-3
    turned = Path(np.array([met_s]), at_m[None], np.array([sd_m]))
    launch = _launch(float(np.hypot(*(at_m - rest.at_m))), rest.last_s, turned, slowest_mps)
    way = Path(np.array([launch.time_s, met_s]), np.vstack([rest.at_m, at_m]), np.array([max(rest.sd_m, 1e-4), sd_m]))
    return SetOff(after, launch, way)


def _launch(gone_m: float, lay_s: float, first: Path, slowest_mps: float) -> Launch:
    """How the ball set off, by how long it can have taken to where it is first seen: no longer than since it lay."""
    # Slow strokes are as frequent as fast ones: all shares of a speed are alike.
    share = float(np.log(FASTEST_MPS / slowest_mps))
    speed = (FASTEST_MPS - slowest_mps) / share
    sd = float(np.sqrt((FASTEST_MPS**2 - slowest_mps**2) / (2 * share) - speed**2))
    latest_s = float(first.t[0]) - gone_m / FASTEST_MPS
    return Launch((lay_s + latest_s) / 2, (latest_s - lay_s) / float(np.sqrt(12.0)), speed, sd)


def _sent_one_off(rest: Rest, after: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> bool:
    """Whether a ball that lay close to where the cue ball was turned, or to one that it met there, set off then."""
    until_s, reach_m = float(after.t[0]) + SENT_WITHIN_S, 4 * table.ball_radius_m + PASSED_M
    return any(
        len(path) >= LEAST_SENT
        and rest.last_s < path.t[0] < until_s
        and float(np.hypot(*(other.at_m - after.xy[0]))) < reach_m
        for other, path in near.values()
    )
