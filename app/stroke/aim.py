"""What was aimed at, as the player says it: a mark, the shot's point, or a place on a rail; and the line there."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Literal, cast

import numpy as np

from app.telling.words import corner_on, counting_corner
from calibration.errors import InputError
from calibration.table import Rail, Table, Vector
from vision.shot import Shot

POINT = "point"
RAILS = ("head", "foot", "left", "right")
# A line farther off than past the ends of a rail is a slip of the pen.
MOST_SIGHTS = 12.0
# A place aimed at nearer to the table's centre than this is as good as there.
NEAREST_M = 0.001
HOW = '"point", the name of a mark, or a place on a rail such as "sight left 3.5" or "nose left 3.5"'


@dataclass(frozen=True)
class Aim:
    """A place aimed at, in the table frame, or (``family``, (phi, kappa) about the table's centre) the shot's point,
    which may lie at infinity."""

    name: str
    place_m: tuple[float, float] | None = None
    family: tuple[float, float] | None = None

    def family_about(self, table: Table) -> Vector:
        """(phi, kappa) about the table's centre, (2,)."""
        return np.array(self.family) if self.place_m is None else family_of(np.array(self.place_m), table)


def family_of(place_m: Vector, table: Table) -> Vector:
    """Direction and inverse distance of a place (2,) from the table's centre, (2,)."""
    away = place_m - table.centre_m
    return np.array([np.arctan2(away[1], away[0]), 1 / max(float(np.hypot(*away)), NEAREST_M)])


def aim_at(text: str, shot: Shot, table: Table, marks: Mapping[str, tuple[float, float]], family: Vector | None) -> Aim:
    """What ``text`` names: ``point``, a mark, or a place on a rail.

    ``sight left 3.5`` is the line of the sights of the left rail, 3.5 sights from the end from which the shot's are
    counted; ``nose left 3.5`` the nose opposite to it. ``family`` is that of the shot's point, None when not known.

    Raises InputError for anything else, and for a point that is not known yet.
    """
    said = text.strip()
    if said in marks:
        return Aim(said, place_m=marks[said])
    if said.lower() == POINT:
        if family is None or not np.isfinite(family).all():
            raise InputError(f"{shot.name}: its point is not known yet, so no line to it can be told; name a mark.")
        return Aim(POINT, family=(float(family[0]), float(family[1])))
    parts = said.lower().split()
    if len(parts) == 3 and parts[0] in ("sight", "nose") and parts[1] in RAILS:
        return _on_rail(cast(Literal["sight", "nose"], parts[0]), cast(Rail, parts[1]), parts[2], shot, table)
    known = ", ".join(repr(name) for name in list(marks)[:8]) or "none"
    raise InputError(f"aimed at {text!r}: write {HOW}; the marks known are {known}.")


def _on_rail(at: Literal["sight", "nose"], rail: Rail, number: str, shot: Shot, table: Table) -> Aim:
    try:
        sights = float(number)
    except ValueError:
        sights = np.nan
    if not isfinite(sights) or abs(sights) > MOST_SIGHTS:
        raise InputError(f"aimed at {at} {rail} {number}: {number!r} is no count of sights; write one such as 3.5.")
    corner = corner_on(rail, counting_corner(shot, table))
    place = table.rail_point_m(rail, sights, corner, at=at)
    return Aim(f"{at} {rail} {sights:g}", place_m=(float(place[0]), float(place[1])))
