"""The camera from lines seen on the table, by least squares, with priors where the view cannot tell.

Two kinds of line are used, each at its own height: the noses, and the outer edges of the cushions' cloth. How far
behind the nose that cloth ends, and how high, differs from table to table, so both are unknowns here. Corners are
never used: the lines' corners are virtual points inside the pockets.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.camera import PARAMETERS, Camera, Matrix
from calibration.cameras import Cameras
from calibration.table import Rail, Table, Vector

LineKind = Literal["nose", "cloth"]

# Priors. Phones film with focal lengths of 0.7 to 1.2 times the long side, ultra-wide and telephoto beyond (common
# practice, no source); the rest is what lenses of phones and action cameras show.
FOCAL_OVER_LONG_SIDE = 0.9
LOG_FOCAL_SD = 0.2
CENTRE_SD_SHARE = 8.0 / 1920
K1_PRIOR, K1_SD = -0.03, 0.08
K2_PRIOR, K2_SD = 0.0, 0.02
# The specification allows 62.5 to 64.5 % of the ball's diameter, 0.33 mm as a standard deviation.
NOSE_HEIGHT_SD_M = 0.00035
# Cushions are 1 7/8 to 2 in wide by the WPA's specification; other makes stray further.
CLOTH_SETBACK_M, CLOTH_SETBACK_SD_M = 0.050, 0.006
CLOTH_HEIGHT_M, CLOTH_HEIGHT_SD_M = 0.042, 0.003
HUBER_SD = 2.5
MOST_ITERATIONS = 30

CAMERA_COUNT = len(PARAMETERS)
# Steps of the numerical derivative, in the order of ``camera.PARAMETERS``.
STEPS = [1e-5, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5, 1e-5]
NUISANCES = ("nose_height", "cloth_setback", "cloth_height")
HEIGHT_STEPS = np.diag([1e-4] * len(NUISANCES))
LENS_PRIORS = 5


@dataclass(frozen=True)
class LinePoints:
    """Points of a picture that lie on one line of the table.

    Attributes
    ----------
    kind, rail : which line.
    along_m : (n,) about where along the rail, metres from the start of ``Table.nose_segment``, to a few cm.
    pixels : (n, 2), sd_px : (n,) one standard deviation across the line, independent from point to point.
    common_sd_px : error across the line that all its points share.
    turn_sd_px : what a turn of the line as a whole misplaces its ends by, across it.
    """

    kind: LineKind
    rail: Rail
    along_m: Vector
    pixels: Matrix
    sd_px: Vector
    common_sd_px: float
    turn_sd_px: float


@dataclass(frozen=True)
class PocketMark:
    """The middle of a side pocket: a place along a long rail.

    Attributes
    ----------
    along_m, setback_m, height_m : where it is: along ``Table.nose_segment``, behind the nose, above the bed.
    pixel : (2,) where it was seen. sd_px : one standard deviation along the rail.
    """

    rail: Rail
    along_m: float
    setback_m: float
    height_m: float
    pixel: Vector
    sd_px: float


@dataclass(frozen=True)
class CameraFit:
    """The camera with its covariance, and the sum of squares that tells rival fits apart (priors included)."""

    camera: Camera
    cost: float
    cloth_setback_m: float
    cloth_height_m: float
    nose_height_m: float
    points: int


class _Problem:
    """Residuals of all lines at once, as a function of steps of the camera, heights, and two errors of each line.

    A line as a whole may be misread by a shift and by a turn, in units of its ``common_sd_px`` and ``turn_sd_px``.
    """

    def __init__(
        self, lines: Sequence[LinePoints], table: Table, start: Camera, marks: Sequence[PocketMark] = ()
    ) -> None:
        self.table, self.start = table, start
        self.marks = [(mark, *_mark_points(table, mark)) for mark in marks]
        self.pixels = np.concatenate([line.pixels for line in lines])
        self.sd_px = np.concatenate([line.sd_px for line in lines])
        self.line = np.repeat(np.arange(len(lines)), [len(line.pixels) for line in lines])
        self.common_sd_px = np.array([line.common_sd_px for line in lines])[self.line]
        # From -1 to 1 along each line, for the part of a line's error that turns it.
        self.turn_sd_px = np.concatenate([line.turn_sd_px * _spread(line.along_m) for line in lines])
        self.nose = np.array([line.kind == "nose" for line in lines])[self.line]
        placed = [rail_points(table, line.rail, line.along_m, 0.0, 0.0) for line in lines]
        self.base = np.concatenate([points for points, _ in placed])
        self.outward = np.array([outward for _, outward in placed])[self.line]
        self.along = np.column_stack([-self.outward[:, 1], self.outward[:, 0], np.zeros(len(self.base))])

    def residuals(self, unknowns: Vector) -> Vector:
        """Standardised residuals: each point across its line, then the priors, the heights and the lines' errors among
        them, then the marks."""
        camera, heights, offsets = self._taken_apart(unknowns)
        shift, turn = offsets[0::2][self.line], offsets[1::2][self.line]
        misread = shift * self.common_sd_px + turn * self.turn_sd_px
        evidence = (self._across(Cameras.by(camera), heights[None])[0] - misread) / self.sd_px
        marks = [_along(camera, *mark) for mark in self.marks]
        return np.concatenate([evidence, _lens_priors(camera), heights, offsets, marks])

    def slopes(self, unknowns: Vector) -> Matrix:
        """Derivatives of the residuals, (residuals, unknowns).

        What the lines' errors do is linear, and heights move no more than the points: only what has to be is stepped.
        """
        camera, heights, offsets = self._taken_apart(unknowns)
        points = len(self.pixels)
        own = points + LENS_PRIORS
        out = np.zeros((own + len(heights) + len(offsets) + len(self.marks), len(unknowns)))
        out[own : own + len(heights) + len(offsets), CAMERA_COUNT:] = np.eye(len(heights) + len(offsets))
        lines = CAMERA_COUNT + len(heights) + 2 * self.line
        out[np.arange(points), lines] = -self.common_sd_px / self.sd_px
        out[np.arange(points), lines + 1] = -self.turn_sd_px / self.sd_px
        out[points : points + LENS_PRIORS, :LENS_PRIORS] = np.diag(1 / _lens_sds(camera))
        stepped = Cameras.beside(camera, STEPS)
        around = np.concatenate([np.repeat(heights[None], len(stepped.focal_px), axis=0), heights + HEIGHT_STEPS])
        seen = self._across(stepped.and_again(len(HEIGHT_STEPS)), around)
        sizes = np.array([*STEPS, *HEIGHT_STEPS.diagonal()])
        out[:points, : CAMERA_COUNT + len(heights)] = ((seen[1:] - seen[0]) / self.sd_px / sizes[:, None]).T
        for k, size in enumerate(STEPS if self.marks else []):
            moved = camera.moved(np.eye(CAMERA_COUNT)[k] * size)
            out[own + len(heights) + len(offsets) :, k] = [
                (_along(moved, *mark) - _along(camera, *mark)) / size for mark in self.marks
            ]
        return out

    def _taken_apart(self, unknowns: Vector) -> tuple[Camera, Vector, Vector]:
        """The camera, the heights, and the errors of the lines."""
        first = CAMERA_COUNT + len(NUISANCES)
        return self.start.moved(unknowns[:CAMERA_COUNT]), unknowns[CAMERA_COUNT:first], unknowns[first:]

    def _across(self, seen: Cameras, heights: Matrix) -> Matrix:
        """Signed distance (c, n) of the points from their lines' images, pixels, positive away from the table; by c
        cameras and heights (c, 3) at once."""
        setback, height = cloth_edge_m(heights[:, None])
        on_line = self.base + np.where(self.nose, 0.0, setback)[..., None] * self.outward
        on_line[..., 2] = np.where(self.nose, nose_height_m(self.table, heights[:, None]), height)
        x, y = seen.pixels(np.stack([on_line, on_line + 0.01 * self.along, on_line + 0.002 * self.outward]))
        # Across the line, outwards.
        right, down = y[1] - y[0], x[0] - x[1]
        length = np.copysign(np.hypot(right, down), (x[2] - x[0]) * right + (y[2] - y[0]) * down)
        u, v = self.pixels.T
        return np.asarray(((u - x[0]) * right + (v - y[0]) * down) / length)


def _lens_priors(camera: Camera) -> Vector:
    """How far the lens is from what lenses mostly are, in standard deviations, (LENS_PRIORS,)."""
    long_side = max(camera.width, camera.height)
    off = [
        np.log(camera.focal_px / (FOCAL_OVER_LONG_SIDE * long_side)),
        camera.centre_px[0] - (camera.width - 1) / 2,
        camera.centre_px[1] - (camera.height - 1) / 2,
        camera.k1 - K1_PRIOR,
        camera.k2 - K2_PRIOR,
    ]
    return np.asarray(np.array(off) / _lens_sds(camera))


def _lens_sds(camera: Camera) -> Vector:
    """How far lenses are from what they mostly are, (LENS_PRIORS,), in the order of ``camera.PARAMETERS``."""
    centre_px = CENTRE_SD_SHARE * max(camera.width, camera.height)
    return np.array([LOG_FOCAL_SD, centre_px, centre_px, K1_SD, K2_SD])


def _mark_points(table: Table, mark: PocketMark) -> tuple[Vector, Vector]:
    """The place of a mark and one a centimetre farther along its rail, (3,) each."""
    points, _ = rail_points(table, mark.rail, mark.along_m + np.array([0.0, 0.01]), mark.setback_m, mark.height_m)
    return points[0], points[1]


def _along(camera: Camera, mark: PocketMark, here_m: Vector, ahead_m: Vector) -> float:
    """How far along its rail a mark was seen from where it should be, in sds."""
    here, ahead = camera.project(np.stack([here_m, ahead_m]))
    tangent = (ahead - here) / np.linalg.norm(ahead - here)
    return float((mark.pixel - here) @ tangent) / mark.sd_px


def _spread(along_m: Vector) -> Vector:
    """Places along a line from -1 to 1."""
    middle, half = (along_m.max() + along_m.min()) / 2, (along_m.max() - along_m.min()) / 2
    return (along_m - middle) / max(half, 1e-9)


def nose_height_m(table: Table, heights: Matrix) -> Vector:
    """Height of the noses (...), by heights (..., 3) in units of their priors."""
    return np.asarray(table.nose_height_m + NOSE_HEIGHT_SD_M * heights[..., 0])


def cloth_edge_m(heights: Matrix) -> tuple[Vector, Vector]:
    """Setback behind the nose and height of the edge of the cushions' cloth, (...), by heights (..., 3)."""
    setback = CLOTH_SETBACK_M + CLOTH_SETBACK_SD_M * heights[..., 1]
    return np.asarray(setback), np.asarray(CLOTH_HEIGHT_M + CLOTH_HEIGHT_SD_M * heights[..., 2])


def rail_points(
    table: Table, rail: Rail, along_m: Vector, setback_m: float | Vector, height_m: float
) -> tuple[Matrix, Vector]:
    """Points (n, 3) beside a rail's nose line, ``setback_m`` behind it, and the unit vector (3,) outwards."""
    start, end = table.nose_segment(rail)
    unit = (end - start) / np.linalg.norm(end - start)
    outward = np.array([unit[1], -unit[0], 0.0])
    along = np.asarray(along_m, dtype=float)[..., None]
    points = start + along * unit + np.asarray(setback_m, dtype=float)[..., None] * outward
    points[..., 2] = height_m
    return points, outward


def fit_camera(
    lines: Sequence[LinePoints],
    table: Table,
    start: Camera,
    *,
    marks: Sequence[PocketMark] = (),
    tries: int = 2,
    most: int = MOST_ITERATIONS,
) -> CameraFit:
    """Least-squares camera through the lines.

    Parameters
    ----------
    lines : evidence; at least four sides must be covered for a full camera, else priors carry what is left.
    table : gives the lines' places; its nose height is the middle of a prior.
    start : a camera within a few per cent, such as ``camera_start.start_cameras`` gives.
    marks : places along rails, for where an end of the table was not seen.
    tries : passes of reweighting the evidence by its own scatter.
    most : iterations a pass.

    Returns
    -------
    CameraFit. The covariance is that of the inverse normal matrix with the priors as rows, the evidence scaled by its
    residuals; nuisances are marginalised.
    """
    evidence = list(lines)
    camera = start
    rest = np.zeros(len(NUISANCES) + 2 * len(evidence))
    for turn in range(tries + 1):
        problem = _Problem(evidence, table, camera, marks)
        unknowns, cost, normal = _minimise(problem, np.concatenate([np.zeros(CAMERA_COUNT), rest]), most)
        camera, rest = camera.moved(unknowns[:CAMERA_COUNT]), unknowns[CAMERA_COUNT:]
        residual = problem.residuals(unknowns)[: len(problem.pixels)]
        if turn < tries:
            evidence = _rescaled(evidence, residual)
    covariance = np.linalg.inv(normal)[:CAMERA_COUNT, :CAMERA_COUNT]
    covariance = (covariance + covariance.T) / 2
    heights = rest[: len(NUISANCES)]
    setback, height = cloth_edge_m(heights)
    return CameraFit(
        replace(
            camera,
            covariance=covariance,
            determined=what_is_determined(camera, covariance),
            residual_px=float(1.4826 * np.median(np.abs(residual * problem.sd_px))),
        ),
        cost,
        float(setback),
        float(height),
        float(nose_height_m(table, heights)),
        len(problem.pixels),
    )


def _minimise(problem: _Problem, start: Vector, most: int) -> tuple[Vector, float, Matrix]:
    """Levenberg and Marquardt's method with Huber's weights on the picture's residuals, not on the priors.

    General solvers take hundreds of steps along the valley of focal length and height that a view straight down has;
    with the priors as rows, the Gauss-Newton step crosses it in a few. Returns unknowns, cost and normal matrix.
    """
    count = len(problem.pixels)
    at, damping = start, 1e-4
    residual = problem.residuals(at)
    cost = _cost(residual, count)
    normal = np.eye(len(at))
    for _ in range(most):
        weight = np.ones(len(residual))
        weight[:count] = np.minimum(1.0, HUBER_SD / np.maximum(np.abs(residual[:count]), 1e-9))
        jacobian = problem.slopes(at)
        normal = jacobian.T @ (weight[:, None] * jacobian)
        slope = jacobian.T @ (weight * residual)
        while damping < 1e8:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope)
            tried = problem.residuals(at + step)
            new_cost = _cost(tried, count) if np.isfinite(tried).all() else np.inf
            if new_cost <= cost:
                break
            damping *= 10
        else:
            break
        gained = cost - new_cost
        at, residual, cost, damping = at + step, tried, new_cost, max(damping / 10, 1e-9)
        if gained < 1e-3:
            break
    return at, cost, normal


def _cost(residual: Vector, count: int) -> float:
    """Huber's cost of the first ``count`` residuals plus the sum of squares of the rest."""
    size = np.abs(residual[:count])
    near = np.minimum(size, HUBER_SD)
    return float((near * (2 * size - near)).sum() + (residual[count:] ** 2).sum())


def _rescaled(lines: Sequence[LinePoints], residual: Vector) -> list[LinePoints]:
    """Lines whose points scatter more than they claim get the scatter they show (robustly, line by line)."""
    out, at = [], 0
    for line in lines:
        part = residual[at : at + len(line.pixels)]
        at += len(line.pixels)
        spread = 1.4826 * float(np.median(np.abs(part))) if len(part) else 1.0
        out.append(replace(line, sd_px=line.sd_px * float(np.clip(spread, 0.7, 30.0))))
    return out


def what_is_determined(camera: Camera, covariance: Matrix) -> dict[str, bool]:
    """What the view told: a quantity counts as determined when its sd fell under half of its prior's."""
    sd = np.sqrt(np.diag(covariance))
    centre = CENTRE_SD_SHARE * max(camera.width, camera.height)
    return {
        "focal": bool(sd[0] < LOG_FOCAL_SD / 2),
        "distortion": bool(sd[3] < K1_SD / 2),
        "centre": bool(max(sd[1], sd[2]) < centre / 2),
        "height": bool(sd[10] < 0.03 * abs(camera.position_m[2])),
    }
