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

# The outline's part in either direction, in pixels, straight down; and what a view along the cloth would add, both
# besides what the views of a ball state themselves, which is more where the edges scatter or hardly show. Judged from
# rendered and coded pictures of many cloths, balls, lights and views, with their true cameras: root mean squares of
# standardised errors, away from a slanting camera, are 0.7 to 0.9 for white, plain and striped balls, 0.9 to 1.4 at a
# third of the bit rate.
OUTLINE_SD_PX, SLANT_SD_PX = 0.03, 0.19


@dataclass(frozen=True)
class PlaceError:
    """Errors of places on the table that a camera sees. Its covariance counts as nothing where it has none."""

    camera: Camera
    table: Table

    def outline_sd_m(self, at_m: Vector) -> float:
        """Standard deviation of either coordinate from the outline's part, metres, for a ball at (2,)."""
        return float(np.sqrt(np.trace(self._outline(at_m)) / 2))

    def covariance_m2(self, at_m: Vector) -> NDArray[np.float64]:
        """Of a place (2,): the outline's part and the registration's, (2, 2) square metres."""
        return np.add(self._registered(at_m), self._outline(at_m))

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

    def _outline(self, at_m: Vector) -> NDArray[np.float64]:
        radius_m = self.table.ball_radius_m
        ray = self.camera.position_m - np.array([*at_m, radius_m])
        steep = float(ray[2] / np.linalg.norm(ray))
        sd_px = float(np.hypot(OUTLINE_SD_PX, SLANT_SD_PX * np.sqrt(max(1 - steep**2, 0.0))))
        jacobian = self.camera.plane_jacobian(self._pixel(at_m), radius_m)[0] * sd_px
        return np.asarray(jacobian @ jacobian.T)

    def _pixel(self, at_m: Vector) -> NDArray[np.float64]:
        return self.camera.project(np.array([[*at_m, self.table.ball_radius_m]]))
