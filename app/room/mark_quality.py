"""What aiming at a mark costs from each start: the miss to expect, and whether the margins bear it.

The line needed is the fit's, as sure as the fit is; the line of the aim is given. Their difference, at the length of
the path, is the miss. It is *good enough* when its 90 % interval stays within a quarter of the margins, left and right
apart, *not* when the interval lies beyond that, else one *cannot tell*: the rule of the fit's own verdict on one point.
Past the starts seen no mark is called good enough.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from app.fitting.expected_miss import expected_miss_m, needed_from
from app.fitting.fit import ShotFit
from app.fitting.margins import image_m
from app.fitting.one_point import EQUIVALENCE, SHARE_OF_MARGIN
from app.margins.over_table import MadeMargins, MarginTable
from app.room.aims import Aim, needed
from calibration.table import Table, Vector
from vision.shot import Made, Shot

Verdict = Literal["good enough", "not", "cannot tell", "no path"]


@dataclass(frozen=True)
class MarkQuality:
    """Of one way to aim, from each start (n,): ``off_rad`` by which its line exceeds the one needed, with ``sd_rad``;
    ``miss_m`` at the target (positive to the left of the path) with ``miss_sd_m``; ``expected_miss_m`` is the mean size
    of the miss, the scatter of the lines needed taken in. NaN where not known. ``verdicts`` by the way to make it."""

    aim: Aim
    off_rad: Vector
    sd_rad: Vector
    miss_m: Vector
    miss_sd_m: Vector
    expected_miss_m: Vector
    verdicts: dict[Made, tuple[Verdict, ...]]

    def good(self, made: Made) -> int:
        """From how many starts it is good enough."""
        return self.verdicts[made].count("good enough")


def mark_quality(
    aim: Aim, fit: ShotFit, shot: Shot, table: Table, start_m: Vector, seen: NDArray[np.bool_], told: MarginTable | None
) -> MarkQuality:
    """Judge one way to aim from starts (n, 2), metres in the table frame.

    Parameters
    ----------
    fit : of the attempts at the shot; it must have a family of lines.
    seen : whether a start lies among those shot from, (n,).
    told : margins from the same starts; None where the shot does not say what makes it.
    """
    found, n = fit.convergence, len(start_m)
    starts = start_m - table.centre_m
    wanted = needed_from(found, fit.one_point, starts)
    off, sd = aim.off_rad(start_m, needed(fit, start_m, table)) - wanted.shift_rad, wanted.sd_rad
    worth = _worth_m(shot, table, start_m)
    miss, miss_sd = worth * np.sin(off), np.abs(worth) * sd
    reach = float(student.ppf((1 + EQUIVALENCE) / 2, max(fit.used - 2, 1))) * sd
    verdicts: dict[Made, tuple[Verdict, ...]] = {}
    for way in told.ways if told is not None else ():
        verdicts[way.made] = tuple(_verdict(float(off[k]), float(reach[k]), way, k, bool(seen[k])) for k in range(n))
    return MarkQuality(aim, off, sd, miss, miss_sd, expected_miss_m(off, sd, found.spread_rad, worth), verdicts)


def _verdict(off: float, reach: float, way: MadeMargins, k: int, seen: bool) -> Verdict:
    if not way.possible[k]:
        return "no path"
    left, right = (SHARE_OF_MARGIN * float(v[k]) for v in (way.whole.left_rad, way.whole.right_rad))
    low, high = off - reach, off + reach
    if high < -right or low > left:
        return "not"
    return "good enough" if seen and -right <= low and high <= left else "cannot tell"


def _worth_m(shot: Shot, table: Table, start_m: Vector) -> Vector:
    """Length of the ideal path with the sign that a turn to the left has at the target, metres, (n,); NaN where the
    target's place is not known."""
    image = image_m(shot, table)
    if image is None:
        return np.full(len(start_m), np.nan)
    length: Vector = (-1) ** len(shot.rails) * np.hypot(*(image - start_m).T)
    return length
