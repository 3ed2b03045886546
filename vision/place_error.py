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

# The outline's part in any direction, in pixels; and what a view along the cloth would add, in the direction away from
# the camera alone: light from above makes a ball lopsided that way and no other. Both besides what the views of a ball
# state themselves, which is more where the edges scatter or hardly show. Judged from 900 rendered and coded pictures of
# balls of 4 to 20 pixels on many cloths, in many lights and views, with their true cameras: root mean squares of
# standardised errors away from the camera are 0.6 for white balls and 0.85 for others (0.8 at a third of the bit rate,
# 1.05 below 7 pixels of radius), across the view 0.75 and 0.93. Balls under way are pulled as far, as a rule away from
# the camera: by 0.16 of a pixel times the slant over 140 legs of rendered films.
OUTLINE_SD_PX, SLANT_SD_PX = 0.03, 0.19


@dataclass(frozen=True)
class PlaceError:
    """Errors of places on the table that a camera sees. Its covariance counts as nothing where it has none."""

    camera: Camera
    table: Table

    def outline_covariance_m2(self, at_m: Vector) -> NDArray[np.float64]:
        """Of a ball at a place (2,): the outline's part alone, (2, 2) square metres."""
        radius_m = self.table.ball_radius_m
        ray = self.camera.position_m - np.array([*at_m, radius_m])
        slant = float(np.hypot(ray[0], ray[1]) / np.linalg.norm(ray))
        jacobian = self.camera.plane_jacobian(self._pixel(at_m), radius_m)[0]
        # A pixel's worth of the way to the camera; right below it there is no such way, and no slant.
        pixel_m = ray[:2] / max(float(np.linalg.norm(np.linalg.solve(jacobian, ray[:2]))), 1e-9)
        along_m = SLANT_SD_PX * slant * pixel_m
        return np.asarray(OUTLINE_SD_PX**2 * jacobian @ jacobian.T + np.outer(along_m, along_m))

    def outline_sd_m(self, at_m: Vector) -> float:
        """Standard deviation of either coordinate from the outline's part, metres, for a ball at (2,)."""
        return float(np.sqrt(np.trace(self.outline_covariance_m2(at_m)) / 2))

    def outline_along_sd_m(self, at_m: Vector, direction: Vector) -> float:
        """The outline's part of a place in one direction (2,), of unit length."""
        return float(np.sqrt(direction @ self.outline_covariance_m2(at_m) @ direction))

    def covariance_m2(self, at_m: Vector) -> NDArray[np.float64]:
        """Of a place (2,): the outline's part and the registration's, (2, 2) square metres."""
        return np.add(self._registered(at_m), self.outline_covariance_m2(at_m))

    def along_sd_m(self, at_m: Vector, direction: Vector) -> float:
        """The whole standard deviation of a place in one direction (2,), of unit length."""
        return float(np.sqrt(max(float(direction @ self.covariance_m2(at_m) @ direction), 0.0)))

    def resting_sd_m(self, at_m: Vector, views_sd_m: float) -> float:
        """The whole standard deviation of either coordinate of a ball at rest, the root mean square of the two.

        ``views_sd_m`` is what its own views state of their mean.
        """
        registered_m = np.sqrt(np.trace(self._registered(at_m)) / 2)
        return float(np.linalg.norm([registered_m, self.outline_sd_m(at_m), views_sd_m]))

    def _registered(self, at_m: Vector) -> NDArray[np.float64]:
        registered = place_covariance_m2(self.camera, np.array([at_m]), self.table.ball_radius_m)[0]
        return np.asarray(np.nan_to_num(registered))

    def _pixel(self, at_m: Vector) -> NDArray[np.float64]:
        return self.camera.project(np.array([[*at_m, self.table.ball_radius_m]]))
