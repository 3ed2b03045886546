"""Lines of aim and the point they pass: one family of a point, a very far point, parallel and spreading lines.

The family has two parameters relative to the table's centre: the direction ``phi`` towards the point and the inverse
distance ``kappa`` of the point. A ball at ``a`` (from the centre) needs the bearing of ``w = u(phi) - kappa a``: at
kappa = 0 all lines are parallel, at negative kappa they spread from a point behind the shooter. Nothing is singular
where the point goes through infinity, which is why the fit is done here and not in metres.
"""

import numpy as np

from calibration.table import Vector

# A start this near to the point (as a share of the point's distance from the centre) has no line of its own; the
# derivative is held finite there.
NEAREST = 1e-6
# A point this near to the centre stands for the centre itself, which has no direction from there.
NEAREST_M = 1e-6


def unit(angle_rad: Vector) -> Vector:
    """Unit vectors of angles, shape (..., 2)."""
    return np.stack([np.cos(angle_rad), np.sin(angle_rad)], axis=-1)


def cross(a: Vector, b: Vector) -> Vector:
    """z component of the cross product of plane vectors, over the last axis."""
    product: Vector = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def sight_vectors(family: Vector, start_m: Vector) -> Vector:
    """``w = u(phi) - kappa a``, shape (..., n, 2), for families (..., 2) and starts (n, 2) from the centre."""
    w: Vector = unit(family[..., 0])[..., None, :] - family[..., 1, None, None] * start_m
    return w


def needed_bearings(family: Vector, start_m: Vector) -> Vector:
    """Bearing from each start towards the point, radians, shape (..., n)."""
    w = sight_vectors(family, start_m)
    bearing: Vector = np.arctan2(w[..., 1], w[..., 0])
    return bearing


def residuals(family: Vector, start_m: Vector, bearing_rad: Vector) -> Vector:
    """Angle from the predicted line to the given one, radians in (-pi, pi], shape (..., n); ``bearing_rad`` (n,)."""
    ahead, aside = _along_and_aside(family, start_m)[:2]
    return _angle(family, ahead, aside, bearing_rad)


def expand(family: Vector, start_m: Vector, bearing_rad: Vector) -> tuple[Vector, Vector]:
    """Residuals (..., n) and the derivative of the needed bearing by (phi, kappa), shape (..., n, 2); the second
    column is in metres. Starts (n, 2) and bearings (n,), or those of each family (..., n, 2) and (..., n)."""
    ahead, aside, across = _along_and_aside(family, start_m)
    squared = ahead * ahead
    squared += aside * aside
    np.maximum(squared, NEAREST**2, out=squared)
    # One parameter after the other in memory: that is how the fit multiplies them.
    columns = np.empty((*squared.shape[:-1], 2, squared.shape[-1]))
    np.divide(ahead, squared, out=columns[..., 0, :])
    np.divide(across, squared, out=columns[..., 1, :])
    return _angle(family, ahead, aside, bearing_rad), columns.swapaxes(-1, -2)


def jacobian(family: Vector, start_m: Vector) -> Vector:
    """The derivative alone, as in ``expand``."""
    return expand(family, start_m, start_m[:, 0])[1]


def _along_and_aside(family: Vector, start_m: Vector) -> tuple[Vector, Vector, Vector]:
    """``w`` along and square to the direction phi, and how far the starts lie to the right of it, metres; (..., n)."""
    phi, kappa = family[..., 0], family[..., 1:2]
    turned = np.empty((*phi.shape, 2, 2))
    turned[..., 0, 0] = np.cos(phi)
    turned[..., 0, 1] = turned[..., 1, 0] = np.sin(phi)
    np.negative(turned[..., 0, 0], out=turned[..., 1, 1])
    if start_m.ndim == 2:
        placed = (turned.reshape(-1, 2) @ start_m.T).reshape(*phi.shape, 2, len(start_m))
    else:
        placed = np.matmul(turned, start_m.swapaxes(-1, -2))
    across = placed[..., 1, :]
    return 1 - kappa * placed[..., 0, :], kappa * across, across


def _angle(family: Vector, ahead: Vector, aside: Vector, bearing_rad: Vector) -> Vector:
    angle: Vector = bearing_rad - family[..., :1] - np.arctan2(aside, ahead)
    if angle.size and float(np.abs(angle).max()) >= np.pi:
        # No bearing is special: 359 and 1 degree are two apart.
        angle = np.pi - (np.pi - angle) % (2 * np.pi)
    return angle


def to_point(family: Vector) -> Vector:
    """The point from the centre, metres, shape (..., 2). Infinite at kappa = 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        point: Vector = unit(family[..., 0]) / family[..., 1, None]
    return point


def from_point(point_m: Vector, ahead: bool = True) -> Vector:
    """(phi, kappa) of a point given from the centre, shape (2,). ``ahead`` is false for a point behind the shooter."""
    phi = float(np.arctan2(point_m[1], point_m[0]))
    kappa = 1.0 / max(float(np.hypot(point_m[0], point_m[1])), NEAREST_M)
    return np.array([phi, kappa]) if ahead else np.array([phi + np.pi if phi <= 0 else phi - np.pi, -kappa])


def point_jacobian(family: Vector) -> Vector:
    """Derivative of the point (metres) by (phi, kappa), shape (2, 2)."""
    phi, kappa = family
    u = np.array([np.cos(phi), np.sin(phi)])
    return np.column_stack([np.array([-u[1], u[0]]) / kappa, -u / kappa**2])


def intersection(start_m: Vector, bearing_rad: Vector) -> Vector:
    """Least-squares intersection of lines, shape (2,): the smallest sum of squared perpendicular distances.

    Raises numpy.linalg.LinAlgError for parallel lines. Used as a start value only: it is biased towards the shooter.
    """
    normal = np.column_stack([-np.sin(bearing_rad), np.cos(bearing_rad)])
    solution: Vector = np.linalg.solve(normal.T @ normal, normal.T @ np.sum(normal * start_m, axis=1))
    return solution


def start_families(start_m: Vector, bearing_rad: Vector) -> Vector:
    """Start values for the fit, shape (k, 2): algebraic, intersection, parallel, converging and spreading lines.

    The algebraic one minimises the sum of squared cross products of the given lines with ``w``, which is linear in
    (u_x, u_y, kappa): the smallest singular vector. It knows the whole family, the point at infinity included.
    """
    line = unit(bearing_rad)
    scale = max(float(np.sqrt(np.mean(np.sum(start_m**2, axis=1)))), 1e-9)
    mean = line.mean(axis=0)
    phi = float(np.arctan2(mean[1], mean[0]))
    starts = [np.array([phi, bend / scale]) for bend in (0.0, 0.4, -0.4, 1.0)]
    rows = np.column_stack([line[:, 1], -line[:, 0], -cross(start_m, line) / scale])
    # Two lines leave a direction over, which is the answer.
    vector = np.linalg.svd(rows, full_matrices=len(rows) < 3)[2][-1]
    size = float(np.hypot(vector[0], vector[1]))
    if size > 1e-9:
        algebraic = np.array([np.arctan2(vector[1], vector[0]), vector[2] / scale / size])
        w = sight_vectors(algebraic, start_m)
        if np.sum(w * line) < 0:
            algebraic = np.array([np.arctan2(-vector[1], -vector[0]), -algebraic[1]])
        starts.append(algebraic)
    try:
        point = intersection(start_m, bearing_rad)
    except np.linalg.LinAlgError:
        return np.array(starts)
    if 1e-9 < float(np.hypot(*point)) < 1e9 * scale:
        ahead = float(np.sum((point - start_m) * line)) >= 0
        starts.append(from_point(point, ahead))
    return np.array(starts)
