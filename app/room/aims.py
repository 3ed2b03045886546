"""Ways to aim that leave nothing open: at a place, or by one line carried over parallel to itself."""

from dataclasses import dataclass

import numpy as np

from app.fitting import lines
from app.fitting.fit import ShotFit
from calibration.table import Table, Vector

POINT = "the point"


@dataclass(frozen=True)
class Aim:
    """Aim at ``place_m`` (2,), metres in the table frame, or, where that is None, always along ``bearing_rad``."""

    name: str
    place_m: Vector | None = None
    bearing_rad: float = float("nan")

    def off_rad(self, start_m: Vector, needed_rad: Vector) -> Vector:
        """The line of this aim less the one needed from starts (n, 2), (n,), within a right angle either way: a line of
        sight runs through a mark behind the player as well."""
        if self.place_m is None:
            bearing = np.full(len(start_m), self.bearing_rad)
        else:
            away = self.place_m - start_m
            bearing = np.arctan2(away[:, 1], away[:, 0])
        off: Vector = (bearing - needed_rad + np.pi / 2) % np.pi - np.pi / 2
        return off


def at_point(fit: ShotFit) -> Aim | None:
    """Aim at the fitted point; None when there is none."""
    return None if fit.convergence.point_m is None else Aim(POINT, fit.convergence.point_m)


def carried_over(fit: ShotFit, from_m: Vector, table: Table, name: str) -> Aim:
    """The line that is right from one start (2,), carried over parallel to itself."""
    return Aim(name, bearing_rad=float(needed(fit, from_m[None], table)[0]))


def needed(fit: ShotFit, start_m: Vector, table: Table) -> Vector:
    """Bearings that the fit says are needed from starts (n, 2), radians, (n,)."""
    return lines.needed_bearings(fit.convergence.family, start_m - table.centre_m)
