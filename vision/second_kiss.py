"""Whether the cue ball and the ball that it hit met a second time.

Where both paths turn beside each other, off every rail, they met. When the other ball comes back off a rail within a
few frames, that second meeting shows no turn of its own: then the cue ball goes on otherwise than one hit sends it. A
hit takes from it what it had along the line of centres, nearly all; a second one throws it back along that line.
"""

import numpy as np

from calibration.table import Table, Vector
from vision.contacts import Run
from vision.legs import Path, motion_at, sliding_motion
from vision.reading import BallHit
from vision.set_off import SHARE

# Two balls that both turn where their centres come this near, beyond two radii, met; they turn at one moment, give or
# take so much and a frame.
MET_WITHIN_M, AT_ONE_TIME_S = 0.025, 0.05
# The cue ball is seen again so soon after the first hit, and the other ball has been at a rail by so long after that.
SEEN_AGAIN_S, OFF_RAIL_S = 0.1, 0.03
# Thrown back along the line of centres by more than this, and this share of its speed before: what spin and cloth do
# until the ball is seen again is less. Most of the change is along that line.
THROWN_BACK_MPS, THROWN_BACK_SHARE, ALONG_SHARE = 0.3, 0.1, 0.7


def second_kiss(cue: Run, other: Run, place_m: Vector, table: Table) -> bool:
    """Whether the ball that lay at ``place_m`` (2,) met the cue ball again after they had parted."""
    first = next((k for k, j in enumerate(cue.junctions) if isinstance(j, BallHit) and other.ball in j.balls), None)
    if first is not None and _thrown_back(cue, first, other, place_m):
        return True
    # What the cue ball did after the hit: that one is no second meeting.
    since = cue if first is None else Run(cue.ball, cue.legs[first + 1 :], cue.junctions[first + 1 :])
    return any(
        junction is None and _met(run, i, against, table)
        for run, against in ((since, other), (other, since))
        for i, junction in enumerate(run.junctions)
    )


def _thrown_back(cue: Run, k: int, other: Run, place_m: Vector) -> bool:
    """Whether the cue ball, after its hit at junction ``k``, was met at once by the ball it had sent into a rail."""
    hit, before, after = cue.junctions[k], cue.legs[k], cue.legs[k + 1]
    if not isinstance(hit, BallHit) or len(before) < 2 or len(after) < 4:
        return False
    again_s = float(after.t[0])
    if again_s - hit.t_s > SEEN_AGAIN_S or not any(r.t_s < again_s + OFF_RAIL_S for r in other.rail_hits):
        return False
    arriving = motion_at(before, hit.t_s)
    centres = (place_m - hit.at_m) / max(float(np.hypot(*(place_m - hit.at_m))), 1e-9)
    sent_on = arriving.velocity_mps - SHARE * (arriving.velocity_mps @ centres) * centres
    change = sliding_motion(after, hit.t_s).velocity_mps - sent_on
    back = -float(change @ centres)
    least = THROWN_BACK_MPS + THROWN_BACK_SHARE * arriving.speed_mps
    return back > least and back > ALONG_SHARE * float(np.hypot(*change))


def _met(run: Run, i: int, other: Run, table: Table) -> bool:
    """Whether the turn after leg ``i`` was made beside the other ball, which turned at about that moment too.

    Either pair of legs is carried on into the gap between sightings, and back into it: the balls meet on both.
    """
    before, after = run.legs[i], run.legs[i + 1]
    time_s, gap_s = float(before.t[-1] + after.t[0]) / 2, float(after.t[0] - before.t[-1])
    turns = [
        (a, b)
        for a, b in zip(other.legs, other.legs[1:], strict=False)
        if abs(a.t[-1] + b.t[0] - 2 * time_s) / 2 < gap_s + AT_ONE_TIME_S
    ]
    reach = 2 * table.ball_radius_m + MET_WITHIN_M
    return any(
        min(_nearest_m(before, a, before.t[-1], after.t[0]), _nearest_m(after, b, before.t[-1], after.t[0])) < reach
        for a, b in turns
    )


def _nearest_m(one: Path, other: Path, from_s: float, until_s: float) -> float:
    """How near two legs, carried on or back at their ends' velocities, come to each other between two moments."""
    if len(one) < 2 or len(other) < 2:
        return float("inf")
    middle_s = (from_s + until_s) / 2
    times = np.linspace(from_s, until_s, 9) - middle_s
    apart = [motion_at(leg, middle_s) for leg in (one, other)]
    offset, drift = apart[1].at_m - apart[0].at_m, apart[1].velocity_mps - apart[0].velocity_mps
    return float(np.hypot(*(offset[:, None] + drift[:, None] * times)).min())
