"""How far off a ball's place may be that does not show in the scatter of its sightings.

Two things do not average out while a ball lies still or rolls by: the registration, and what pulls its outline in the
picture, the same from frame to frame (a ball lit from above is darker on the side that a slanting view shows most).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.accuracy import place_covariance_m2
from calibration.camera import Camera
from calibration.table import Table, Vector
from vision.sightings import Rest

# What a view along the cloth adds to what pulls a ball's outline in any direction, in pixels: light from above makes a
# ball lopsided away from the camera, and no other way. Of one at rest, from the same 410 looks as that pull
# (``vision.outlines.outline``); of one under way, over 140 legs of rendered films, whose places are pulled by 0.16 of a
# pixel times the slant, as a rule away from the camera.
SLANT_SD_PX, WAY_SLANT_SD_PX = 0.13, 0.19


def along_sd_m(covariance_m2: NDArray[np.float64], direction: Vector) -> float:
    """The standard deviation along a direction (2,), times its length, that a covariance (2, 2) stands for."""
    return float(np.sqrt(max(float(direction @ covariance_m2 @ direction), 0.0)))


@dataclass(frozen=True)
class PlaceError:
    """Errors of places on the table that a camera sees. Its covariance counts as nothing where it has none."""

    camera: Camera
    table: Table

    def outline_covariance_m2(self, at_m: Vector, pull_px: float, slant_px: float = SLANT_SD_PX) -> NDArray[np.float64]:
        """Of a ball at a place (2,): the outline's part alone, (2, 2) square metres.

        ``pull_px`` is what pulls that ball's outline; ``slant_px`` one of the two constants.
        """
        radius_m = self.table.ball_radius_m
        ray = self.camera.position_m - np.array([*at_m, radius_m])
        slant = float(np.hypot(ray[0], ray[1]) / np.linalg.norm(ray))
        jacobian = self.camera.plane_jacobian(self._pixel(at_m), radius_m)[0]
        # A pixel's worth of the way to the camera; right below it there is no such way, and no slant.
        pixel_m = ray[:2] / max(float(np.linalg.norm(np.linalg.solve(jacobian, ray[:2]))), 1e-9)
        along_m = slant_px * slant * pixel_m
        return np.asarray(pull_px**2 * jacobian @ jacobian.T + np.outer(along_m, along_m))

    def outline_sd_m(self, rest: Rest) -> float:
        """Standard deviation of either coordinate from the outline's part, metres, for a ball at rest."""
        return float(np.sqrt(np.trace(self.outline_covariance_m2(rest.at_m, rest.pull_px)) / 2))

    def way_covariance_m2(self, at_m: Vector, pull_px: float) -> NDArray[np.float64]:
        """Of a ball under way at a place (2,): the outline's part and the registration's, (2, 2) square metres."""
        return np.add(self._registered(at_m), self.outline_covariance_m2(at_m, pull_px, WAY_SLANT_SD_PX))

    def lying_m2(self, rest: Rest) -> NDArray[np.float64]:
        """Of a ball at rest: the outline's part and that of its views, (2, 2) square metres."""
        return np.asarray(self.outline_covariance_m2(rest.at_m, rest.pull_px) + rest.sd_m**2 * np.eye(2))

    def turning_m2(self, rest: Rest) -> NDArray[np.float64]:
        """How much farther off a ball's outline is where it lay than on its way from there, (2, 2) square metres.

        One at rest and one under way, sharp and smeared, are not pulled alike.
        """
        lying = self.outline_covariance_m2(rest.at_m, rest.pull_px)
        return np.add(lying, self.outline_covariance_m2(rest.at_m, rest.pull_px, WAY_SLANT_SD_PX))

    def resting_sd_m(self, rest: Rest) -> float:
        """The whole standard deviation of either coordinate of a ball at rest, the root mean square of the two."""
        registered_m = np.sqrt(np.trace(self._registered(rest.at_m)) / 2)
        return float(np.linalg.norm([registered_m, self.outline_sd_m(rest), rest.sd_m]))

    def _registered(self, at_m: Vector) -> NDArray[np.float64]:
        registered = place_covariance_m2(self.camera, np.array([at_m]), self.table.ball_radius_m)[0]
        return np.asarray(np.nan_to_num(registered))

    def _pixel(self, at_m: Vector) -> NDArray[np.float64]:
        return self.camera.project(np.array([[*at_m, self.table.ball_radius_m]]))
