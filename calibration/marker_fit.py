"""The camera from printed markers, and from the nose lines where they can be made out, in one least-squares fit.

A marker errs as a whole: it was laid a little aside and a little turned, and all were printed a little too large or
too small. Those errors are unknowns with the sd that is stated for them, so that four sharp corners do not pass for
four separate measurements. Lens and noses have the priors of ``camera_fit``.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from calibration.camera import PARAMETERS, Camera, Matrix
from calibration.camera_fit import (
    CENTRE_SD_SHARE,
    FOCAL_OVER_LONG_SIDE,
    K1_PRIOR,
    K1_SD,
    K2_PRIOR,
    K2_SD,
    LOG_FOCAL_SD,
    NOSE_HEIGHT_SD_M,
    SLOPE_SHARE,
    STEPS,
    LinePoints,
    rail_points,
    what_is_determined,
)
from calibration.markers import MarkerLayout, SeenMarker
from calibration.table import Rail, Vector

CORNER_SD_PX = 0.2
# A sheet is laid along an edge of about this length, each end as well as its place is known.
TURN_ARM_M = 0.15
# Printers keep to a scale within this, once the line on the sheet was measured.
PRINT_SCALE_SD = 0.003
FOCALS_OVER_LONG_SIDE = (0.9, 0.6, 1.5)
# Points of a nose farther off than this are something else.
MOST_LINE_SD = 4.0
LEAST_POINTS = 4
CAMERA_COUNT = len(PARAMETERS)


@dataclass(frozen=True)
class MarkerFit:
    """The camera with its covariance, and how well all went together.

    Attributes
    ----------
    strain : for each marker, its error of placing in sds of what was stated (shifts and turn together).
    misread_px : for each nose, by how much it was misread as a whole.
    lines : the points of the noses that were used.
    cost : sum of squares, priors included.
    """

    camera: Camera
    strain: dict[int, float]
    misread_px: dict[Rail, float]
    lines: tuple[LinePoints, ...]
    cost: float


class _Problem:
    """Residuals as a function of steps of the camera, the print's scale, the nose's height, and each thing's errors."""

    def __init__(
        self, seen: Sequence[SeenMarker], layout: MarkerLayout, lines: Sequence[LinePoints], start: Camera
    ) -> None:
        self.seen, self.layout, self.lines, self.start = seen, layout, lines, start
        self.laid = [layout.marker(s.id) for s in seen]
        self.scene = np.array([layout.place_sd_m, layout.place_sd_m, layout.place_sd_m / TURN_ARM_M])
        self.corners_px = np.concatenate([s.corners_px for s in seen])
        # A longer lens farther away sees almost the same: a step of the focal length takes the camera along, away from
        # the table's middle, so that the valley of the two is straight and a few steps cross it.
        self.away_m = start.position_m - [*layout.table.centre_m, 0.0]
        self.bases = [rail_points(layout.table, n.rail, n.along_m, 0.0, layout.table.nose_height_m) for n in lines]

    @property
    def start_unknowns(self) -> Vector:
        return np.zeros(CAMERA_COUNT + 2 + 3 * len(self.seen) + 2 * len(self.lines))

    def parts(self, unknowns: Vector) -> tuple[Camera, float, float, Matrix, Matrix]:
        """Camera, scale and nose height (standardised), errors of the markers (n, 3) and of the lines (m, 2)."""
        scale, height = unknowns[CAMERA_COUNT : CAMERA_COUNT + 2]
        rest = unknowns[CAMERA_COUNT + 2 :]
        errors, misread = rest[: 3 * len(self.seen)], rest[3 * len(self.seen) :]
        camera = self.start.moved(unknowns[:CAMERA_COUNT])
        camera = replace(camera, position_m=camera.position_m + np.expm1(unknowns[0]) * self.away_m)
        return camera, float(scale), float(height), errors.reshape(-1, 3), misread.reshape(-1, 2)

    def residuals(self, unknowns: Vector) -> Vector:
        camera, scale, height, errors, misread = self.parts(unknowns)
        size = max(camera.width, camera.height)
        priors = [
            np.log(camera.focal_px / (FOCAL_OVER_LONG_SIDE * size)) / LOG_FOCAL_SD,
            (camera.centre_px[0] - (camera.width - 1) / 2) / (CENTRE_SD_SHARE * size),
            (camera.centre_px[1] - (camera.height - 1) / 2) / (CENTRE_SD_SHARE * size),
            (camera.k1 - K1_PRIOR) / K1_SD,
            (camera.k2 - K2_PRIOR) / K2_SD,
        ]
        corners = self.corner_errors_px(camera, scale, errors) / CORNER_SD_PX
        across = [self.across(camera, k, height, misread[k]) for k in range(len(self.lines))]
        return np.nan_to_num(
            np.concatenate([corners.ravel(), *across, priors, unknowns[CAMERA_COUNT:]]), nan=1e4, posinf=1e4
        )

    def corner_errors_px(self, camera: Camera, scale: float, errors: Matrix) -> Matrix:
        errors = errors * self.scene
        places = [
            m.corners_m(e[:2], float(e[2]), float(np.exp(PRINT_SCALE_SD * scale)))
            for m, e in zip(self.laid, errors, strict=True)
        ]
        return camera.project(np.concatenate(places)) - self.corners_px

    def across(self, camera: Camera, k: int, height: float, misread: Vector) -> Vector:
        """Distances of a nose's points from its image, in sds, less what the line is taken to be misread by."""
        line, (base, outward) = self.lines[k], self.bases[k]
        on_line = base + [0.0, 0.0, NOSE_HEIGHT_SD_M * height]
        along = np.array([-outward[1], outward[0], 0.0])
        here, ahead = np.split(camera.project(np.concatenate([on_line, on_line + 0.01 * along])), 2)
        tangent = ahead - here
        normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        middle, half = (line.along_m.max() + line.along_m.min()) / 2, max(float(np.ptp(line.along_m)) / 2, 1e-9)
        tilt = SLOPE_SHARE * (line.along_m - middle) / half
        off = ((line.pixels - here) * normal).sum(axis=1) - line.common_sd_px * (misread[0] + misread[1] * tilt)
        return np.asarray(off / line.sd_px)


def fit_markers(
    seen: Sequence[SeenMarker], layout: MarkerLayout, start: Camera, lines: Sequence[LinePoints] = ()
) -> MarkerFit:
    """Least-squares camera through the corners of markers, each at its height, and through nose lines.

    Parameters
    ----------
    seen : markers that the layout holds, at least three.
    lines : noses, as ``nose_lines.find_noses`` gives them; none is well.
    start : such as ``start_camera`` gives.

    Returns
    -------
    MarkerFit. The covariance is that of the inverse normal matrix with the priors as rows, nuisances marginalised.
    """
    kept = list(lines)
    problem = _Problem(seen, layout, kept, start)
    unknowns, normal, cost = _solve(problem)
    if kept:
        camera, _, height, _, misread = problem.parts(unknowns)
        # A run of points that scatters more than it claims counts for what it shows; what is far off is not the nose.
        tried = [_pruned(line, problem.across(camera, k, height, misread[k])) for k, line in enumerate(kept)]
        kept = [line for line in tried if len(line.pixels) >= LEAST_POINTS]
        problem = _Problem(seen, layout, kept, camera)
        unknowns, normal, cost = _solve(problem)
    camera, scale, _, errors, misread = problem.parts(unknowns)
    to_camera = np.eye(CAMERA_COUNT)
    to_camera[8:, 0] = np.exp(unknowns[0]) * problem.away_m
    covariance = to_camera @ np.linalg.inv(normal)[:CAMERA_COUNT, :CAMERA_COUNT] @ to_camera.T
    covariance = (covariance + covariance.T) / 2
    off = problem.corner_errors_px(camera, scale, errors)
    return MarkerFit(
        replace(
            camera,
            covariance=covariance,
            determined=what_is_determined(camera, covariance),
            residual_px=float(np.sqrt((off**2).sum(axis=1).mean())),
        ),
        {s.id: float(np.linalg.norm(e)) for s, e in zip(seen, errors, strict=True)},
        {line.rail: line.common_sd_px * float(np.linalg.norm(m)) for line, m in zip(kept, misread, strict=True)},
        tuple(kept),
        cost,
    )


def _solve(problem: _Problem) -> tuple[Vector, Matrix, float]:
    """Unknowns that fit best, the normal matrix there, and the sum of squares."""
    first = problem.start_unknowns
    steps = np.array([*STEPS, *np.full(len(first) - CAMERA_COUNT, 1e-3)])

    def slopes(at: Vector) -> Matrix:
        here = problem.residuals(at)
        ahead = [problem.residuals(at + step) for step in np.diag(steps)]
        return (np.stack(ahead, axis=1) - here[:, None]) / steps

    found = least_squares(problem.residuals, first, jac=slopes, method="lm", x_scale="jac", max_nfev=60)
    jacobian = slopes(found.x)
    return found.x, jacobian.T @ jacobian, float(2 * found.cost)


def _pruned(line: LinePoints, off_sd: Vector) -> LinePoints:
    spread = max(1.0, 1.4826 * float(np.median(np.abs(off_sd))))
    good = np.abs(off_sd) < MOST_LINE_SD * spread
    return replace(line, along_m=line.along_m[good], pixels=line.pixels[good], sd_px=line.sd_px[good] * spread)


def start_cameras(seen: Sequence[SeenMarker], layout: MarkerLayout, size: tuple[int, int]) -> list[Camera]:
    """Cameras of usual focal lengths that see the markers about where they were seen, the best one first.

    ``size`` is (width, height) of the picture.
    """
    places = np.concatenate([layout.marker(s.id).corners_m() for s in seen])
    corners = np.concatenate([s.corners_px for s in seen])
    centre = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    found = []
    for share in FOCALS_OVER_LONG_SIDE:
        focal = share * max(size)
        matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
        lens = np.array([K1_PRIOR, 0.0, 0.0, 0.0])
        done, turn, shift = cv2.solvePnP(places, corners, matrix, lens, flags=cv2.SOLVEPNP_SQPNP)
        if not done:
            continue
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=float)
        position = np.asarray(-rotation.T @ shift, dtype=float).ravel()
        camera = Camera(size[0], size[1], focal, centre, K1_PRIOR, 0.0, rotation, position)
        off = np.linalg.norm(camera.project(places) - corners, axis=1)
        if position[2] > 0 and np.isfinite(off).all():
            found.append((float(off.mean()), camera))
    return [camera for _, camera in sorted(found, key=lambda pair: pair[0])]
