"""The empty table: what each pixel of the cloth looks like when nothing lies on it, and what differs from that.

Frames are compared at a reduced size (``vision.reduced``); only where something differs is the full picture looked at.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.compiled import compiled, read_only
from calibration.median import median_of
from calibration.table import POCKETS, Table, Vector
from vision.film.clip import Frame
from vision.film.planes import BLACK
from vision.lain_throughout import lain_throughout, seen_in
from vision.light import Light, in_one_light, light_of_film
from vision.pieces import Mask
from vision.reduced import Picture, Planes, Reduction, reduction_of

# A shadow takes light but leaves the colour: luma may fall to this fraction of the cloth's before it counts.
SHADOW_FLOOR = 0.62
# Differences from the cloth that count, in grey levels: brighter, and off in either colour plane.
BRIGHTER = 16
OFF_COLOUR = 9
# The same for a ball of nearly the cloth's own colour: darker, brighter, off in either colour plane. A shadow gets so
# far too, so what is told by these alone must look like a ball in every other way.
FAINT, FAINT_COLOUR = 9, 5
# A frame in which no reduced pixel differs by this much from the one last looked at need not be looked at.
CHANGED = 8
# How much is looked at beyond where balls are seen, in radii of the largest ball: what stands round one shows there.
AROUND_RADII = 3.0
# Reach of the local mean that stands for the cloth where a ball lay in half of the stills or more, in ball radii.
FILL_REACH_RADII = 6.0
# What is darker at a pocket's throat than this share of the cloth's light is the pocket.
POCKET_SHARE = 0.5
# Reduced pixels round a ball that its blur reaches; they are painted over with it.
PAINTED_BEYOND_PX = 2.0


@dataclass(frozen=True)
class Background:
    """The empty table in the reduced picture.

    Attributes
    ----------
    reduction : which part of a frame the reduced picture shows, and how much smaller.
    cloth : (h, w, 3) Y, U, V of the empty table, uint8.
    bounds : lowest and highest planes within which a pixel is the cloth, lit or in shadow.
    faint_bounds : narrower ones, within which it is the cloth as it mostly is.
    region : (h, w) 255 where a ball on the table may be seen.
    light : that of the film; all the above is as it would be in a good one, and frames are to be looked at so.
    """

    reduction: Reduction
    cloth: Picture
    bounds: tuple[Planes, Planes]
    faint_bounds: tuple[Planes, Planes]
    region: Mask
    light: Light

    def changed(self, luma: Picture, looked_at: Picture) -> bool:
        """Whether anything in the region of balls is brighter or darker than in an earlier reduced luma."""
        return bool(cv2.norm(luma, looked_at, cv2.NORM_INF, self.region) >= CHANGED)

    def foreground(self, reduced: Planes) -> Mask:
        """255 where something other than the empty table is seen, (h, w), beyond the region of balls too."""
        return _outside(reduced, self.bounds)

    def brighter(self, reduced: Planes) -> Mask:
        """255 where something brighter than the empty table is seen, (h, w): no shadow."""
        return cv2.bitwise_and(
            np.asarray(cv2.compare(reduced[0], self.bounds[1][0], cv2.CMP_GT), np.uint8), self.region
        )

    def faint(self, reduced: Planes) -> Mask:
        """255 where the table does not look quite as it mostly does: in shadow, or a ball of the cloth's colour."""
        return cv2.bitwise_and(_outside(reduced, self.faint_bounds), self.region)


def _outside(reduced: Planes, bounds: tuple[Planes, Planes]) -> Mask:
    """255 where any of the planes is beyond its bounds, (h, w)."""
    planes, low, high = (tuple(map(read_only, three)) for three in (reduced, *bounds))
    return _beyond(*planes, *low, *high)


@compiled
def _beyond(
    y: Picture,
    u: Picture,
    v: Picture,
    low_y: Picture,
    low_u: Picture,
    low_v: Picture,
    high_y: Picture,
    high_u: Picture,
    high_v: Picture,
) -> Mask:
    """255 where any of three planes, all (h, w), is below its lowest or above its highest."""
    out = np.empty(y.shape, np.uint8)
    for row in range(y.shape[0]):
        for column in range(y.shape[1]):
            here = row, column
            beyond = (
                (y[here] < low_y[here])
                | (y[here] > high_y[here])
                | (u[here] < low_u[here])
                | (u[here] > high_u[here])
                | (v[here] < low_v[here])
                | (v[here] > high_v[here])
            )
            out[here] = np.uint8(255) if beyond else np.uint8(0)
    return out


def learn_background(stills: Sequence[Frame], camera: Camera, table: Table) -> Background:
    """The empty table from some frames spread over the clip: their median, with what always lay there painted over."""
    outline, plane = ball_region_px(camera, table), BallPlane(camera, table.ball_radius_m)
    smallest, largest = ball_radii_px(plane, table)
    reduction = reduction_of(outline, smallest, AROUND_RADII * largest, camera.width, camera.height)
    lumas = [reduction.luma(still) for still in stills]
    region = np.zeros(lumas[0].shape, np.uint8)
    cv2.fillPoly(region, [np.round(reduction.reduced_px(outline)).astype(np.int32)], 255)
    light = light_of_film(lumas, region)
    pictures = [
        light.evened_picture(cv2.merge(reduction.planes(s, luma))) for s, luma in zip(stills, lumas, strict=True)
    ]
    cloth = median_of(in_one_light(pictures, region))
    throats = reduction.reduced_px(_mouths_px(camera, table))

    def radii(reduced_px: NDArray[np.float64]) -> NDArray[np.float64]:
        return plane.radii_px(plane.places_m(reduction.frame_px(reduced_px))) / reduction.factor

    def seen_at(reduced_px: Vector) -> Vector | None:
        lit = [light.evened_frame(still) for still in stills]
        at_m = seen_in(lit, plane, plane.places_m(reduction.frame_px(reduced_px)[None])[0])
        return None if at_m is None else reduction.reduced_px(plane.pixel(at_m))

    cloth = _paint_over(cloth, region, throats, radii, seen_at)
    bounds, faint = _planes(cloth_bounds(cloth)), _planes(faint_bounds(cloth))
    return Background(reduction, cloth, bounds, faint, region, light)


def _planes(pictures: tuple[Picture, Picture]) -> tuple[Planes, Planes]:
    low, high = ((y, u, v) for y, u, v in (cv2.split(picture) for picture in pictures))
    return low, high


def cloth_bounds(cloth: Picture) -> tuple[Picture, Picture]:
    """Lowest and highest Y, U, V of a pixel that still is the cloth."""
    y, colour = cloth[..., 0].astype(float), cloth[..., 1:].astype(int)
    low = np.dstack([np.minimum(y * SHADOW_FLOOR, y - BRIGHTER), colour - OFF_COLOUR])
    high = np.dstack([y + BRIGHTER, colour + OFF_COLOUR])
    return np.clip(low, 0, 255).astype(np.uint8), np.clip(high, 0, 255).astype(np.uint8)


def faint_bounds(cloth: Picture) -> tuple[Picture, Picture]:
    """Lowest and highest Y, U, V of a pixel that looks as the cloth mostly does."""
    room = np.array([FAINT, FAINT_COLOUR, FAINT_COLOUR], np.uint8)
    return cv2.subtract(cloth, np.broadcast_to(room, cloth.shape)), cv2.add(cloth, np.broadcast_to(room, cloth.shape))


def ball_region_px(camera: Camera, table: Table) -> NDArray[np.float64]:
    """Outline in the frame of where a ball on the cloth, or dropping into a pocket, is seen: (n, 2) pixels."""
    steps = np.linspace(0, 1, 24, endpoint=False)[:, None]
    corners = np.array([(0, 0), (table.length_m, 0), (table.length_m, table.width_m), (0, table.width_m)])
    edge = np.vstack([a + steps * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    heights = np.full((len(edge), 1), table.nose_height_m)
    outline = camera.project(np.hstack([edge, heights]))
    pockets = []
    for pocket in POCKETS:
        mouth = table.mouth_m(pocket)
        outward = np.sign(np.round(mouth - table.centre_m, 6))
        drop = mouth + outward * table.ball_radius_m
        pockets.append(camera.project(np.array([[*drop, table.ball_radius_m]]))[0])
    # The hull takes in the pockets' throats; rails between them show no ball and do no harm.
    hull = cv2.convexHull(np.vstack([outline, pockets]).astype(np.float32))
    return hull[:, 0, :].astype(float)


def ball_radii_px(plane: BallPlane, table: Table) -> tuple[float, float]:
    """Radii in pixels of the balls that are seen smallest and largest; the smallest is in one of the corners."""
    xs, ys = np.linspace(0, table.length_m, 9), np.linspace(0, table.width_m, 5)
    radii = plane.radii_px(np.array([(x, y) for x in xs for y in ys]))
    return float(radii.min()), float(radii.max())


def _mouths_px(camera: Camera, table: Table) -> NDArray[np.float64]:
    mouths = np.array([table.mouth_m(pocket) for pocket in POCKETS])
    return camera.project(np.hstack([mouths, np.zeros((len(mouths), 1))]))


def _paint_over(
    cloth: Picture,
    region: Mask,
    throats_px: NDArray[np.float64],
    radii_px: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    seen_at: Callable[[Vector], Vector | None],
) -> Picture:
    """Replace balls that lay in the same place in most stills by the cloth around them.

    The cloth around is a mean over the neighbourhood of the pixels that are near the cloth's usual colour; what is
    left standing out from it as much as a ball does is painted over with it, and so is a ball that the stills show
    within a larger piece. ``radii_px`` tells how large a ball looks at places (n, 2): from the side those near the
    camera are half as large again as the far ones. ``seen_at``: see ``lain_throughout``.
    """
    inside = region > 0
    usual = np.median(cloth[inside], axis=0)
    picture = cloth.astype(np.float32)
    near = (np.abs(picture - usual).sum(axis=2) < 60) & inside
    middle = np.argwhere(inside).mean(axis=0)[None, ::-1]
    reach = int(FILL_REACH_RADII * float(radii_px(middle)[0])) * 2 + 1
    weight = cv2.boxFilter(near.astype(np.float32), -1, (reach, reach), normalize=False)
    around = np.dstack(
        [
            cv2.boxFilter(picture[..., c] * near, -1, (reach, reach), normalize=False) / np.maximum(weight, 1e-3)
            for c in range(3)
        ]
    )
    around[weight < 0.05 * reach * reach] = usual
    low, high = faint_bounds(np.clip(around, 0, 255).astype(np.uint8))
    odd = cv2.bitwise_not(cv2.inRange(cloth, low, high)) & region
    count, labels, stats, centroids = cv2.connectedComponentsWithStats(odd)
    filled = picture.copy()
    radii = radii_px(centroids)
    # On a dark cloth a pocket, which is not quite black in a picture, is not far from half as light.
    dark = BLACK + POCKET_SHARE * (float(usual[0]) - BLACK)
    for k in range(1, count):
        # Rims of pockets and the noses' shadows are long or open to the edge; balls are compact and inside.
        width, height, area = stats[k, 2], stats[k, 3], stats[k, 4]
        compact = area > 0.5 * width * height and max(width, height) < 4 * radii[k]
        at_pocket = np.hypot(*(throats_px - centroids[k]).T).min() < 2.5 * radii[k]
        pocket = at_pocket and float(picture[labels == k, 0].mean()) < dark
        if compact and not pocket and area > 1.2 * radii[k] ** 2:
            blob = cv2.dilate((labels == k).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
            filled[blob] = around[blob]
    standing_out = (np.abs(filled - around) / np.array([FAINT, FAINT_COLOUR, FAINT_COLOUR], np.float32)).max(axis=2)
    for ball in lain_throughout(standing_out, region, radii_px, seen_at):
        disc = np.zeros_like(region)
        cv2.circle(disc, np.rint(ball.middle).astype(int).tolist(), round(ball.radius + PAINTED_BEYOND_PX), 255, -1)
        pocket = float(picture[disc > 0, 0].mean()) < dark
        if not (pocket and np.hypot(*(throats_px - ball.middle).T).min() < 2.5 * ball.radius):
            filled[disc > 0] = around[disc > 0]
    return np.clip(filled, 0, 255).astype(np.uint8)
