"""What is not known of the correction by the measured miss: a real cushion is no mirror.

Needed is the bearing less gamma times the ideal turn that the miss stands for, gamma about 1 with an sd of GAIN_SD, the
same for all attempts at one shot. The scatter of the lines themselves hides what gamma is: an attempt whose line
happened to be needed more to the left missed by as much more to the right, so that bearing and miss go together less
than gamma says where the player knew nothing of it, and just as it says where the player followed the line. Gamma told
by how misses vary would be 0.7 instead of 1 with a scatter two thirds of the player's error (regression dilution;
Fuller, Measurement Error Models, 1987; from memory), and a player who always errs to one side would be told a point
beside the true one. So gamma is left at 1, and only by what its error moves the lines alike enters the fit: that part
of the corrections which a family of lines could follow, and from which nothing can be learnt of gamma. The rest is
scatter, and counts as such.
"""

import numpy as np
from numpy.typing import NDArray

from calibration.table import Vector

GAIN_SD = 0.15
# A correction this many robust sds from the others is a wrong entry's more likely than not, and says nothing of theirs.
MOST_SDS = 3.0


def gain_column(correction_rad: Vector, start_m: Vector, bearing_rad: Vector, measured: NDArray[np.bool_]) -> Vector:
    """What a gain one sd off turns each line by, as far as a family of lines follows it, radians, (n,); 0 for attempts
    that have no measured miss.

    Parameters
    ----------
    correction_rad : by how much the measured misses corrected the bearings, (n,).
    start_m : starts, (n, 2). bearing_rad : needed bearings, (n,).
    measured : whether the miss was measured, (n,).
    """
    column = np.zeros(len(correction_rad))
    if not measured.any():
        return column
    given = correction_rad[measured]
    middle = float(np.median(given))
    reach = MOST_SDS * 1.4826 * float(np.median(np.abs(given - middle)))
    held = np.clip(given, middle - reach, middle + reach) if reach > 0 else given
    ahead = np.array([np.cos(bearing_rad[measured]).mean(), np.sin(bearing_rad[measured]).mean()])
    start = start_m[measured] - start_m[measured].mean(axis=0)
    followed = np.column_stack([np.ones(len(given)), ahead[0] * start[:, 1] - ahead[1] * start[:, 0]])
    column[measured] = GAIN_SD * (followed @ np.linalg.lstsq(followed, held, rcond=1e-6)[0])
    return column
