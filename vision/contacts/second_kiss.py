"""Whether the cue ball and the ball that it hit met a second time.

A second meeting that both paths show is told already. When the other ball comes back off a rail within a few frames, it
shows no turn of its own: then the cue ball goes on otherwise than one hit sends it. A hit takes from it what it had
along the line of centres, nearly all; a second one throws it back along that line.
"""

import numpy as np

from calibration.table import Vector
from vision.contacts.run import Run
from vision.legs import motion_at, sliding_motion
from vision.reading import BallHit
from vision.set_off import SHARE

# The cue ball is seen again so soon after the first hit, and the other ball has been at a rail by so long after that.
SEEN_AGAIN_S, OFF_RAIL_S = 0.1, 0.03
# Thrown back along the line of centres by more than this, and this share of its speed before: what spin and cloth do
# until the ball is seen again is less. Most of the change is along that line.
THROWN_BACK_MPS, THROWN_BACK_SHARE, ALONG_SHARE = 0.3, 0.1, 0.7


def second_kiss(cue: Run, other: Run, place_m: Vector) -> bool:
    """Whether the ball that lay at ``place_m`` (2,) met the cue ball again after they had parted."""
    first = next((k for k, j in enumerate(cue.junctions) if isinstance(j, BallHit) and other.ball in j.balls), None)
    if first is not None and _thrown_back(cue, first, other, place_m):
        return True
    told = [hit for hit in cue.ball_hits if other.ball in hit.balls]
    return len(told) > 1


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
