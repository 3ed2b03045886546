"""A line entered by hand, placed on the table: start, bearing, miss and speed with their standard deviations."""

from dataclasses import dataclass
from math import hypot, nan, pi

import numpy as np

from app.entry.aim import Aim, aim_of, bearing_sds
from app.entry.line_parts import Line
from app.entry.missed import miss_of, outcome_of
from app.entry.reading_error import speed_of
from app.fitting.margins import image_m, margins_where_possible
from calibration.table import Rail, Table, Vector
from calibration.unfold import reflect, unfold
from vision.reading import Attempt
from vision.shot import Shot


@dataclass(frozen=True)
class Entered:
    """A line on the table. Metres, radians; NaN where it was not told.

    ``start_sd_m`` is of each coordinate. ``bearing_sd_rad`` is the part of the bearing's error that is this entry's
    own, ``common_sd_rad`` the one that it shares with others that tell the same start. ``miss_side``: the bearing was
    more (left) or less (right) than needed, where that is all that is known of the miss. ``start_told`` and
    ``near_rail`` as in ``Aim``.
    """

    line: Line
    start_m: Vector
    start_sd_m: float
    bearing_rad: float
    bearing_sd_rad: float
    common_sd_rad: float
    speed_mps: float
    speed_sd_mps: float
    outcome: str
    miss_m: float
    miss_sd_m: float
    miss_per_rad_m: float
    miss_side: str | None
    margin_left_rad: float
    margin_right_rad: float
    flags: tuple[str, ...]
    start_told: str
    near_rail: Rail | None

    @property
    def total_sd_rad(self) -> float:
        return hypot(self.bearing_sd_rad, self.common_sd_rad)

    def attempt(self, shot: Shot, table: Table) -> Attempt:
        """As an attempt of the log: what no one told is not measured. The path goes to the first rail."""
        kick = shot.kind == "kick"
        return Attempt(
            t_s=nan,
            t_sd_s=nan,
            ball="cue" if kick else "object",
            start_m=self.start_m,
            start_sd_m=self.start_sd_m,
            bearing_rad=self.bearing_rad,
            bearing_sd_rad=self.bearing_sd_rad,
            speed_mps=self.speed_mps,
            speed_sd_mps=self.speed_sd_mps,
            cue_start_m=self.start_m if kick else np.full(2, nan),
            cue_bearing_rad=self.bearing_rad if kick else nan,
            cut_rad=nan,
            contacts=(),
            ball_contacts=(),
            pocketed=(),
            outcome=self.outcome,
            miss_m=self.miss_m,
            miss_sd_m=self.miss_sd_m,
            miss_per_rad_m=self.miss_per_rad_m,
            flags=self.flags,
            path_m=path_to_rail(self.start_m, self.bearing_rad, shot, table),
        )


def path_to_rail(start_m: Vector, bearing_rad: float, shot: Shot, table: Table) -> Vector:
    """From the start to the first rail, for drawing, (n, 3): times not known, places in metres."""
    contacts, _ = reflect(start_m, bearing_rad, shot.rails[:1], table)
    return np.array([(nan, *place) for place in (start_m, *(c.at_m for c in contacts))])


def enter(line: Line, shot: Shot, table: Table) -> Entered:
    """Place a line on the table.

    Raises InputError, in a sentence, for places that are not there, a line that does not lead to the shot's first rail,
    and a side that has no meaning for this shot.
    """
    aim = aim_of(line, shot, table)
    own, common = bearing_sds(aim, shot, table)
    per_rad_m, arrival = _ideal(aim, shot, table)
    missed = miss_of(line.result, shot, table, arrival)
    left, right = (float(v) for v in margins_where_possible(shot, table, aim.start_m))
    speed, speed_sd = (nan, nan) if line.speed is None else speed_of(line.speed)
    # A turn to the left takes the path to the left of the target after an even number of rails.
    more = missed.side * (-1) ** len(shot.rails)
    return Entered(
        line=line,
        start_m=aim.start_m,
        start_sd_m=aim.start_sd_m,
        bearing_rad=aim.bearing_rad % (2 * pi),
        bearing_sd_rad=own,
        common_sd_rad=common,
        speed_mps=speed,
        speed_sd_mps=speed_sd,
        outcome=outcome_of(line.result, shot),
        miss_m=missed.miss_m,
        miss_sd_m=missed.miss_sd_m,
        miss_per_rad_m=per_rad_m,
        miss_side=None if more == 0 else "left" if more > 0 else "right",
        margin_left_rad=left,
        margin_right_rad=right,
        flags=missed.flags + (("scratch",) if line.scratch else ()),
        start_told=aim.told,
        near_rail=aim.near_rail,
    )


def _ideal(aim: Aim, shot: Shot, table: Table) -> tuple[float, float]:
    """What a radian is worth, and the bearing of the last leg, on ideal rails; the first is NaN without a target."""
    if image_m(shot, table) is not None:
        path = unfold(aim.start_m, shot.target_point_m(table), shot.rails, table)
        return path.miss_per_rad_m, path.arrival_bearing_rad
    return nan, reflect(aim.start_m, aim.bearing_rad, shot.rails, table)[1]
