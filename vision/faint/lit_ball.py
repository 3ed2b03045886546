"""How a ball and the cloth round it look in any light: shares of the cloth's own light in each direction of lamps.

A ball of the cloth's own colour differs from it by its shape alone: it darkens towards its rim, most away from the
lamp, and shades the cloth beside it. Light is taken apart into what comes from all around and from lamps in many
directions, none of which can give less than nothing; each lights the ball by Lambert's law (J. H. Lambert, Photometria,
1760) and throws a soft shadow. One and the same light must explain both.
"""

from dataclasses import dataclass
from math import cos, pi, radians, sin

import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.table import Vector

Columns = NDArray[np.float32]

# Lamps: how high above the cloth they stand (degrees), and how many in a circle.
HEIGHTS_DEG = ((30.0, 10), (45.0, 10), (60.0, 8), (75.0, 6), (90.0, 1))
# What a ball's underside gets of the light from all around, as a share of its top.
FROM_BELOW = 0.25
# A shadow's edge is soft over so much either way, in radii, and more by so much for each radius that it falls down.
SOFT, SOFTER = 0.12, 0.28


def _lamps() -> Columns:
    found = []
    for height_deg, count in HEIGHTS_DEG:
        up = radians(height_deg)
        found += [(cos(up) * cos(2 * pi * k / count), cos(up) * sin(2 * pi * k / count), sin(up)) for k in range(count)]
    return np.array(found, np.float32)


# Directions (lamps, 3) towards the lamps, in the table's frame.
LAMPS = _lamps()
# What light is made of: from all around, and of each lamp. For a first try every other one of the lamps half-way up,
# and the one straight above, will do.
ATOMS = len(LAMPS) + 1
COARSE = np.array([0, *range(11, 21, 2), ATOMS - 1])


@dataclass(frozen=True)
class BallGeometry:
    """How pixels near a ball's middle lie on the ball and on the cloth, to first order, in radii.

    Attributes
    ----------
    middle_px : (2,) where the ball's centre is seen.
    to_ball : (2, 2) from pixels off the middle to the disc that is seen, ``facing`` (3, 3) its axes right and down and
        the direction of sight, in the table's frame.
    to_cloth : (2, 2) from pixels off the point of contact, seen ``foot_px`` (2,) from the middle, to the cloth.
    radius_px : mean radius.
    """

    middle_px: Vector
    to_ball: Vector
    facing: Vector
    to_cloth: Vector
    foot_px: Vector
    radius_px: float


def ball_geometry(plane: BallPlane, at_m: Vector) -> BallGeometry:
    """The geometry of a ball that lies at a place (2,), metres."""
    radius = plane.radius_m
    centre, foot = np.array([*at_m, radius]), np.array([*at_m, 0.0])
    sight = centre - plane.camera.position_m
    sight = sight / np.sqrt(sight @ sight)
    # Straight down there is no level direction across the line of sight that is better than another.
    right = np.cross(sight, (0.0, 0.0, 1.0) if abs(sight[2]) < 0.999 else (1.0, 0.0, 0.0))
    right = right / np.sqrt(right @ right)
    down = np.cross(sight, right)
    x, y = np.array([radius, 0.0, 0.0]), np.array([0.0, radius, 0.0])
    steps = np.array([radius * right, radius * down])
    seen = plane.camera.project(
        np.array([centre, *(centre + steps), *(centre - steps), foot, foot + x, foot + y, foot - x, foot - y])
    )
    on_ball, on_cloth = (seen[1:3] - seen[3:5]).T / 2, (seen[6:8] - seen[8:10]).T / 2
    return BallGeometry(
        seen[0],
        np.asarray(np.linalg.inv(on_ball), float),
        np.array([right, down, sight]),
        np.asarray(np.linalg.inv(on_cloth), float),
        seen[5] - seen[0],
        float(np.sqrt(abs(np.linalg.det(on_ball)))),
    )


def lit(
    geometry: BallGeometry, off_px: Vector, blur_px: float, atoms: NDArray[np.intp] | None = None
) -> tuple[Columns, Columns, Columns]:
    """How a ball lies over pixels and what each part of the light makes of them.

    Parameters
    ----------
    off_px : (n, 2) pixels off the ball's middle.
    blur_px : how far the outline is spread.
    atoms : which parts of the light are asked for; all by default.

    Returns
    -------
    cover (n,) : the share of each pixel that the ball takes.
    ball (n, atoms) : light on the ball where all light on the clear cloth, taken as 1, is of that part.
    shade (n, atoms) : what the ball takes away of it beside itself.
    """
    every = np.arange(ATOMS) if atoms is None else atoms
    lamps = LAMPS[every[every > 0] - 1]
    on_disc = (off_px @ geometry.to_ball.T).astype(np.float32)
    out = np.sqrt(np.add.reduce(on_disc * on_disc, axis=1))
    cover = np.clip(np.float32(0.5) + (1 - out) * np.float32(geometry.radius_px / blur_px), 0, 1)
    on_disc *= np.minimum(1, np.float32(0.999) / np.maximum(out, np.float32(1e-6)))[:, None]
    near = np.sqrt(np.maximum(1 - np.add.reduce(on_disc * on_disc, axis=1), 0))
    normals = np.column_stack([on_disc, -near]) @ geometry.facing.astype(np.float32)
    on_cloth = ((off_px - geometry.foot_px) @ geometry.to_cloth.T).astype(np.float32)
    away = np.column_stack([-on_cloth, np.ones(len(on_cloth), np.float32)])
    square = np.maximum(np.add.reduce(away * away, axis=1), 1)
    ball, shade = np.empty((len(off_px), len(every)), np.float32), np.empty((len(off_px), len(every)), np.float32)
    first = int(np.count_nonzero(every == 0))
    if first:
        ball[:, 0] = FROM_BELOW + (1 - FROM_BELOW) * (0.5 + 0.5 * normals[:, 2])
        # The share of a plane's sky that a sphere covers (its view factor, h R^2 / d^3, from memory), which is exact.
        shade[:, 0] = 1 / (square * np.sqrt(square))
    np.maximum(normals @ lamps.T, 0, out=ball[:, first:])
    ball[:, first:] /= lamps[:, 2]
    ahead = np.maximum(away @ lamps.T, 0)
    passing = np.sqrt(np.maximum(square[:, None] - ahead * ahead, 0))
    soft = np.float32(SOFT) + np.float32(SOFTER) * ahead
    dark = np.clip((1 + soft - passing) / (2 * soft), 0, 1)
    shade[:, first:] = np.where(ahead > 0, dark * dark * (3 - 2 * dark), 0)
    return cover.astype(np.float32), ball, shade
