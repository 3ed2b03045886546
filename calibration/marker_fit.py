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
    STEPS,
    LinePoints,
    rail_points,
    what_is_determined,
)
from calibration.markers import MarkerLayout, SeenMarker
from calibration.pose import posed_camera
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
NUISANCE_STEP = 1e-3
# Places that go together are fitted within ten; those that do not are not worth more.
MOST_EVALUATIONS = 30
# A start that sees the corners farther off on average, as a share of the picture, leads nowhere.
MOST_START_SHARE = 0.03
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
    """Residuals as a function of steps of the camera, the print's scale, the nose's height, and each thing's errors.

    The unknowns are, in this order: the camera's parameters; scale and nose height; shift along x, along y and turn of
    each marker; shift and turn of each line. All but the camera's are in units of their sd.
    """

    def __init__(
        self, seen: Sequence[SeenMarker], layout: MarkerLayout, lines: Sequence[LinePoints], start: Camera
    ) -> None:
        self.start = start
        # A longer lens farther away sees almost the same: a step of the focal length takes the camera along, away from
        # the table's middle, so that the valley of the two is straight and a few steps cross it.
        self.away_m = start.position_m - [*layout.table.centre_m, 0.0]
        laid = [layout.marker(s.id) for s in seen]
        self.markers, self.lines = len(laid), len(lines)
        self.corners_px = np.concatenate([s.corners_px for s in seen])
        self.places = np.array([m.corners_m() for m in laid])
        self.centres = np.array([[*m.centre_m, m.height_m] for m in laid])
        self.laid_sd = np.array([layout.place_sd_m, layout.place_sd_m, layout.place_sd_m / TURN_ARM_M])
        self.line = np.repeat(np.arange(len(lines)), [len(n.along_m) for n in lines])
        table, none = layout.table, np.empty(0)
        based = [rail_points(table, n.rail, n.along_m, 0.0, table.nose_height_m) for n in lines]
        self.on_line = np.concatenate([np.empty((0, 3)), *(points for points, _ in based)])
        outward = np.array([out for _, out in based]).reshape(-1, 3)[self.line]
        self.along = np.column_stack([-outward[:, 1], outward[:, 0], np.zeros(len(outward))])
        self.pixels = np.concatenate([np.empty((0, 2)), *(n.pixels for n in lines)])
        self.sd_px = np.concatenate([none, *(n.sd_px for n in lines)])
        common_px = np.array([n.common_sd_px for n in lines])[self.line] if lines else none
        turn_px = np.concatenate([none, *(n.turn_sd_px * _spread(n.along_m) for n in lines)])
        # What a line's shift and turn do to the residuals of its points.
        self.misread = np.column_stack([common_px, turn_px]) / self.sd_px[:, None]

    @property
    def unknowns(self) -> int:
        return CAMERA_COUNT + 2 + 3 * self.markers + 2 * self.lines

    def camera(self, unknowns: Vector) -> Camera:
        moved = self.start.moved(unknowns[:CAMERA_COUNT])
        return replace(moved, position_m=moved.position_m + np.expm1(unknowns[0]) * self.away_m)

    def marker_errors(self, unknowns: Vector) -> Matrix:
        """Shift along x and y and turn of each marker (n, 3), in sds."""
        return unknowns[CAMERA_COUNT + 2 : CAMERA_COUNT + 2 + 3 * self.markers].reshape(-1, 3)

    def line_errors(self, unknowns: Vector) -> Matrix:
        """Shift and turn of each line (m, 2), in sds."""
        return unknowns[CAMERA_COUNT + 2 + 3 * self.markers :].reshape(-1, 2)

    def residuals(self, unknowns: Vector) -> Vector:
        """Standardised: corners along both axes, points of the noses across them, the lens's priors, the nuisances."""
        camera = self.camera(unknowns)
        scale, height = unknowns[CAMERA_COUNT : CAMERA_COUNT + 2]
        errors = self.marker_errors(unknowns) * self.laid_sd
        around = (self.places - self.centres[:, None]) * np.exp(PRINT_SCALE_SD * scale)
        cos, sin = np.cos(errors[:, 2])[:, None], np.sin(errors[:, 2])[:, None]
        x, y = around[:, :, 0], around[:, :, 1]
        turned = np.stack([cos * x - sin * y, sin * x + cos * y, np.zeros_like(x)], axis=2)
        turned[:, :, :2] += errors[:, None, :2]
        corners = (self.centres[:, None] + turned).reshape(-1, 3)
        on_line = self.on_line + [0.0, 0.0, NOSE_HEIGHT_SD_M * height]
        pixels = camera.project(np.concatenate([corners, on_line, on_line + 0.01 * self.along]))
        seen, here, ahead = np.split(pixels, [len(corners), len(corners) + len(on_line)])
        tangent = ahead - here
        normal = np.column_stack([tangent[:, 1], -tangent[:, 0]])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        across = ((self.pixels - here) * normal).sum(axis=1) / self.sd_px
        across -= (self.misread * self.line_errors(unknowns)[self.line]).sum(axis=1)
        size = max(camera.width, camera.height)
        priors = [
            np.log(camera.focal_px / (FOCAL_OVER_LONG_SIDE * size)) / LOG_FOCAL_SD,
            (camera.centre_px[0] - (camera.width - 1) / 2) / (CENTRE_SD_SHARE * size),
            (camera.centre_px[1] - (camera.height - 1) / 2) / (CENTRE_SD_SHARE * size),
            (camera.k1 - K1_PRIOR) / K1_SD,
            (camera.k2 - K2_PRIOR) / K2_SD,
        ]
        corner_errors = ((seen - self.corners_px) / CORNER_SD_PX).ravel()
        all_of_them = np.concatenate([corner_errors, across, priors, unknowns[CAMERA_COUNT:]])
        return np.nan_to_num(all_of_them, nan=1e4, posinf=1e4)

    def slopes(self, unknowns: Vector) -> Matrix:
        """Derivatives of the residuals: a marker's errors move its own corners alone, a line's its own points."""
        here = self.residuals(unknowns)
        out = np.zeros((len(here), self.unknowns))
        corners, points = 8 * self.markers, len(self.line)
        for k, size in enumerate([*STEPS, NUISANCE_STEP, NUISANCE_STEP]):
            step = np.zeros(self.unknowns)
            step[k] = size
            out[:, k] = (self.residuals(unknowns + step) - here) / size
        for kind in range(3):
            columns = np.arange(CAMERA_COUNT + 2 + kind, CAMERA_COUNT + 2 + 3 * self.markers, 3)
            step = np.zeros(self.unknowns)
            step[columns] = NUISANCE_STEP
            moved = (self.residuals(unknowns + step) - here)[:corners] / NUISANCE_STEP
            out[np.arange(corners), np.repeat(columns, 8)] = moved
        rows, first = corners + np.arange(points), CAMERA_COUNT + 2 + 3 * self.markers
        for kind in range(2):
            out[rows, first + 2 * self.line + kind] = -self.misread[:, kind]
        nuisances = self.unknowns - CAMERA_COUNT
        out[len(here) - nuisances :, CAMERA_COUNT:] = np.eye(nuisances)
        return out


def _spread(along_m: Vector) -> Vector:
    """Places along a line from -1 to 1."""
    middle, half = (along_m.max() + along_m.min()) / 2, (along_m.max() - along_m.min()) / 2
    return (along_m - middle) / max(half, 1e-9)


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
    unknowns, cost = _solve(problem)
    if kept:
        # A run of points that scatters more than it claims counts for what it shows; what is far off is not the nose.
        off = problem.residuals(unknowns)[8 * len(seen) :]
        tried = [_pruned(line, off[: len(problem.line)][problem.line == k]) for k, line in enumerate(kept)]
        kept = [line for line in tried if len(line.pixels) >= LEAST_POINTS]
        problem = _Problem(seen, layout, kept, problem.camera(unknowns))
        unknowns, cost = _solve(problem)
    slopes = problem.slopes(unknowns)
    to_camera = np.eye(CAMERA_COUNT)
    to_camera[8:, 0] = np.exp(unknowns[0]) * problem.away_m
    covariance = to_camera @ np.linalg.inv(slopes.T @ slopes)[:CAMERA_COUNT, :CAMERA_COUNT] @ to_camera.T
    covariance = (covariance + covariance.T) / 2
    camera = problem.camera(unknowns)
    corners = problem.residuals(unknowns)[: 8 * len(seen)] * CORNER_SD_PX
    strain = np.linalg.norm(problem.marker_errors(unknowns), axis=1)
    misread = np.linalg.norm(problem.line_errors(unknowns), axis=1)
    return MarkerFit(
        replace(
            camera,
            covariance=covariance,
            determined=what_is_determined(camera, covariance),
            residual_px=float(np.sqrt(2 * (corners**2).mean())),
        ),
        {s.id: float(sd) for s, sd in zip(seen, strain, strict=True)},
        {line.rail: line.common_sd_px * float(sd) for line, sd in zip(kept, misread, strict=True)},
        tuple(kept),
        cost,
    )


def _solve(problem: _Problem) -> tuple[Vector, float]:
    """Unknowns that fit best, and the sum of squares."""
    first = np.zeros(problem.unknowns)
    found = least_squares(
        problem.residuals, first, jac=problem.slopes, method="lm", x_scale="jac", max_nfev=MOST_EVALUATIONS
    )
    return np.asarray(found.x, dtype=float), float(2 * found.cost)


def _pruned(line: LinePoints, off_sd: Vector) -> LinePoints:
    spread = max(1.0, 1.4826 * float(np.median(np.abs(off_sd))))
    good = np.abs(off_sd) < MOST_LINE_SD * spread
    return replace(line, along_m=line.along_m[good], pixels=line.pixels[good], sd_px=line.sd_px[good] * spread)


def start_cameras(seen: Sequence[SeenMarker], layout: MarkerLayout, size: tuple[int, int]) -> list[Camera]:
    """Cameras of usual focal lengths that see the markers about where they were seen, the best one first.

    There may be none. ``size`` is (width, height) of the picture.
    """
    places = np.concatenate([layout.marker(s.id).corners_m() for s in seen])
    corners = np.concatenate([s.corners_px for s in seen])
    found = []
    for share in FOCALS_OVER_LONG_SIDE:
        posed = posed_camera(places, corners, size, share, cv2.SOLVEPNP_SQPNP)
        if posed is not None and posed[0].position_m[2] > 0 and posed[1] < MOST_START_SHARE * max(size):
            found.append((posed[1], posed[0]))
    return [camera for _, camera in sorted(found, key=lambda pair: pair[0])]
