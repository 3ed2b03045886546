"""Two paths fitted at once with a meeting of the two balls, and without one.

Equal balls without friction change their velocities along the line of centres only, by the same amount, and that amount
is told by how fast they came together (D. G. Alciatore, Colorado State University, billiards.colostate.edu). Balls that
only pass each other show no such change, however near a slanting view puts them.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.table import Table, Vector
from vision.legs import SLIDING_MPS2, Path
from vision.set_off import SHARE, SHARE_SD

# Balls that touch are seen unsurely: how far from two radii apart they may seem then.
TOUCHING_SD_M = 0.003
# How much of the closing speed goes across the line of centres, as a share of it: friction between the balls.
ACROSS_SD = 0.05
# However slowly balls meet, the change of velocity is foretold no better than this.
PUSH_SD_MPS = 0.01
# Slower than this they only touched.
LEAST_CLOSING_MPS = 0.04
# How much better the paths are explained with a meeting than without, in squared standard deviations, and each of them;
# and how badly they may be explained with it, per sighting and coordinate: a ball that half hides another in a slanting
# view pulls its outline.
LEAST_GAIN, LEAST_EACH, MOST_LEFT = 30.0, 4.0, 12.0
# One ball is seen so often before and after; the other too, or it came off a rail within a frame or two, and is seen so
# often on one side.
LEAST_SEEN = 2
# The moment is looked for in steps of this.
STEP_S = 0.002


@dataclass(frozen=True)
class Meeting:
    """When two balls met, and where both centres were, (2, 2)."""

    time_s: float
    at_m: NDArray[np.float64]


def places(path: Path, times: Vector) -> NDArray[np.float64]:
    """Where a ball was at some moments (n,): (n, 2), straight between its sightings."""
    return np.column_stack([np.interp(times, path.t, path.xy[:, axis]) for axis in (0, 1)])


def fitted_meeting(parts: list[Path], near_s: float, frame_s: float, table: Table) -> Meeting | None:
    """The meeting that explains the sightings of two balls best; None when they went on much as if there was none."""
    best: tuple[float, Meeting, Vector] | None = None
    for time_s in np.arange(near_s - 1.5 * frame_s, near_s + 1.5 * frame_s, STEP_S):
        if not _seen_enough(parts, float(time_s)):
            continue
        at_m = np.array([places(part, np.array([time_s]))[0] for part in parts])
        found = None
        for _ in range(2):
            found = _with_meeting(parts, float(time_s), at_m, table)
            if found is None:
                break
            at_m = found[0].at_m
        if found is not None and (best is None or found[1].sum() < best[0]):
            best = (float(found[1].sum()), *found)
    if best is None:
        return None
    cost, meeting, costs = best
    left = max(cost / (2 * sum(len(part) for part in parts)), 1.0)
    gains = (_without_meeting(parts, meeting.time_s) - costs) / left
    both_sides = [min(_sides(part, meeting.time_s)) >= LEAST_SEEN for part in parts]
    each = all(gain > LEAST_EACH for gain, seen in zip(gains, both_sides, strict=False) if seen)
    return meeting if each and gains.sum() > LEAST_GAIN and left < MOST_LEFT else None


def _sides(part: Path, time_s: float) -> tuple[int, int]:
    """How often a ball is seen before a moment, and after it."""
    before = int((part.t < time_s).sum())
    return before, len(part) - before


def _seen_enough(parts: list[Path], time_s: float) -> bool:
    sides = [_sides(part, time_s) for part in parts]
    return any(min(side) >= LEAST_SEEN for side in sides) and all(max(side) >= LEAST_SEEN for side in sides)


def _with_meeting(
    parts: list[Path], time_s: float, at_m: NDArray[np.float64], table: Table
) -> tuple[Meeting, Vector] | None:
    """The two paths fitted with a meeting at a moment, the balls about ``at_m`` (2, 2) then, and what is left of either
    and of all else, (3,), in squared standard deviations. None where they do not approach."""
    centres = at_m[1] - at_m[0]
    centres = centres / max(float(np.hypot(*centres)), 1e-9)
    across = np.array([-centres[1], centres[0]])
    design, goal = _design(parts, time_s, [centres, across])
    touching, pushed, rubbed = np.zeros((3, design.shape[1]))
    touching[[0, 1, 8, 9]] = np.concatenate([-centres, centres]) / TOUCHING_SD_M
    pushed[[2, 3, 10, 11]] = SHARE * np.concatenate([-centres, centres])
    pushed[16], rubbed[17] = 1.0, 1.0
    closing = 1.0
    for _ in range(2):
        rows = np.vstack(
            [design, touching, pushed / (SHARE_SD * closing + PUSH_SD_MPS), rubbed / (ACROSS_SD * closing)]
        )
        goals = np.concatenate([goal, [2 * table.ball_radius_m / TOUCHING_SD_M, 0.0, 0.0]])
        found = np.linalg.lstsq(rows, goals, rcond=None)[0]
        closing = float(found[16]) / SHARE
        if closing < LEAST_CLOSING_MPS:
            return None
    return Meeting(time_s, np.array([found[0:2], found[8:10]])), _costs(rows @ found - goals, parts)


def _without_meeting(parts: list[Path], time_s: float) -> Vector:
    """What is left, (3,), in squared standard deviations, when both balls go on as friction lets them."""
    design, goal = _design(parts, time_s, [])
    return _costs(design @ np.linalg.lstsq(design, goal, rcond=None)[0] - goal, parts)


def _costs(left: Vector, parts: list[Path]) -> Vector:
    """What is left of the sightings of either ball and of all else, (3,)."""
    ends = np.cumsum([2 * len(part) for part in parts])
    return np.array([float(piece @ piece) for piece in np.split(left, ends)])


def _design(parts: list[Path], time_s: float, pushes: list[Vector]) -> tuple[NDArray[np.float64], Vector]:
    """Rows and right sides in units of their standard deviations.

    The columns of each ball are place, velocity, acceleration before and after, two each; then the change of velocity
    of the second ball along each of ``pushes`` (2,), which the first one gives. Friction sets what the accelerations
    may be.
    """
    width = 16 + len(pushes)
    rows, goals = [], []
    for ball, part in enumerate(parts):
        tau = part.t - time_s
        after = tau >= 0
        for axis in (0, 1):
            block = np.zeros((len(part), width))
            first = 8 * ball + axis
            block[:, first], block[:, first + 2] = 1.0, tau
            block[:, first + 4], block[:, first + 6] = tau**2 / 2 * ~after, tau**2 / 2 * after
            for k, push in enumerate(pushes):
                block[:, 16 + k] = (1 if ball else -1) * push[axis] * tau * after
            rows.append(block / part.sd[:, None])
            goals.append(part.xy[:, axis] / part.sd)
    friction = np.zeros((8, width))
    friction[np.arange(8), [4, 5, 6, 7, 12, 13, 14, 15]] = 1 / SLIDING_MPS2
    return np.vstack([*rows, friction]), np.concatenate([*goals, np.zeros(8)])
