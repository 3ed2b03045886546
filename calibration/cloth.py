"""Where the cloth lies in a picture: the four-sided region of one colour that a table shows.

No hue is assumed. Every common colour of the picture is tried as a seed; the region that grows from it under a smooth
model of colour (lamps fade towards the corners, so one colour is not one value) is kept when four straight sides
describe it. The sides found here are coarse, a pixel or two of the reduced picture; the edges are measured elsewhere.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from calibration.table import Vector

Picture = NDArray[np.uint8]
Mask = NDArray[np.bool_]

LONG_SIDE_PX = 640
SEEDS = 10
SEED_REACH = 9.0
PARTS = 3
GROWTH_TURNS = 4
KNOWN_OVERLAP = 0.6
# In spreads of the colour round its model.
GROWTH_LIMIT = 5.0
LEAST_AREA = 0.06
LEAST_AGREEMENT = 0.80
BORDER_MARGIN_PX = 3.0
# Widest gap that is bridged: the shaded face of a far cushion between the bed and the cushion's top; and a narrower one
# for where rails are as thin and the floor beyond them has the cloth's colour.
BRIDGE_PX, THIN_BRIDGE_PX = 9, 3


@dataclass(frozen=True)
class ClothOutline:
    """A candidate for the table's cloth, in pixels of the full picture.

    Attributes
    ----------
    corners_px : (4, 2) virtual corners of the sides, counter-clockwise as one sees the picture.
    sides_px : four arrays (n, 2): points of the outline on the side from corner k to corner k + 1.
    agreement : overlap of the four-sided shape with the region, 0 to 1.
    area : share of the picture.
    """

    corners_px: Vector
    sides_px: tuple[Vector, ...]
    agreement: float
    area: float


def find_cloth(picture: Picture, bridge_px: int = BRIDGE_PX) -> list[ClothOutline]:
    """Candidates for the cloth in a picture (uint8, BGR), the likeliest first; empty when nothing is four-sided.

    ``bridge_px`` is the widest gap in it that is bridged, in pixels of the reduced picture.
    """
    height, width = picture.shape[:2]
    scale = min(1.0, LONG_SIDE_PX / max(height, width))
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(cv2.medianBlur(small, 5), cv2.COLOR_BGR2LAB).astype(np.float32)
    found: list[ClothOutline] = []
    tried: list[Mask] = []
    for seed in _common_colours(lab):
        for region in _regions(lab, seed, tried, bridge_px):
            if any(_overlap(region, other) > 0.95 for other in tried):
                continue
            tried.append(region)
            # Where the dark line of a nose is no longer bridged the outline is ragged: then its hull is taken.
            outline = _outline(region, scale) or _outline(_hull(region), scale)
            if outline is not None:
                found.append(outline)
    return sorted(found, key=lambda o: -(o.agreement**4) * o.area**0.5)


def outline_from_corners(corners_px: Vector) -> ClothOutline:
    """The outline that four clicks make, given in order round the table, either way round."""
    corners = np.asarray(corners_px, dtype=float).reshape(-1, 2)
    if len(corners) != 4 or not cv2.isContourConvex(corners.astype(np.float32)):
        raise InputError("the corners must be four places in order round the table; give them so that no side crosses.")
    corners = _anticlockwise(corners)
    share = np.linspace(0.1, 0.9, 20)[:, None]
    sides = tuple(corners[k] + share * (corners[(k + 1) % 4] - corners[k]) for k in range(4))
    return ClothOutline(corners, sides, 1.0, float("nan"))


def _anticlockwise(corners: Vector) -> Vector:
    """Counter-clockwise as seen, which is a negative shoelace sum, as y runs down."""
    after = np.roll(corners, -1, axis=0)
    return corners[::-1] if np.sum(corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0]) > 0 else corners


def _common_colours(lab: NDArray[np.float32]) -> list[Vector]:
    """Peaks of the picture's colour histogram, the commonest first."""
    shape = np.array([32, 48, 48])
    cells = (lab / 256 * shape).astype(int).reshape(-1, 3)
    counts = np.zeros(shape)
    np.add.at(counts, tuple(cells.T), 1)
    counts = cv2.GaussianBlur(counts, (1, 3), 0.7)
    peaks: list[Vector] = []
    for flat in np.argsort(counts, axis=None)[::-1][:4000]:
        cell = np.array(np.unravel_index(flat, counts.shape))
        if all(np.abs(cell - other).max() > 2 for other in peaks):
            peaks.append(cell)
        if len(peaks) == SEEDS:
            break
    return [(cell + 0.5) * 256 / shape for cell in peaks]


def _regions(lab: NDArray[np.float32], seed: Vector, known: list[Mask], bridge_px: int) -> list[Mask]:
    """Connected regions of a smoothly varying colour round a seed colour, their holes filled, the largest first.

    The floor may have the cloth's colour, so that the largest region need not be the one that is looked for; a region
    that reaches all four borders of the picture is left out. What lies in a region already known is not grown again.
    """
    weight = np.array([0.5, 1.0, 1.0], dtype=np.float32)  # brightness varies more than hue over a lit cloth
    near = np.linalg.norm((lab - seed.astype(np.float32)) * weight, axis=2) < SEED_REACH
    parts = _parts(near, bridge_px)
    fresh = [part for part in parts if all(_overlap(part, old) < KNOWN_OVERLAP for old in known)]
    grown = [_grow(lab * weight, part, bridge_px) for part in fresh]
    return [region for region in grown if region is not None]


def _grow(weighted: NDArray[np.float32], start: Mask, bridge_px: int) -> Mask | None:
    height, width = start.shape
    x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1).astype(np.float32)
    region = start
    for _ in range(GROWTH_TURNS):
        model = np.linalg.lstsq(terms[region][::7], weighted[region][::7], rcond=None)[0]
        residual = np.abs(weighted - terms @ model)
        spread = np.clip(1.4826 * np.median(residual[region], axis=0), 1.0, 4.0)
        parts = _parts((residual / spread).max(axis=2) < GROWTH_LIMIT, bridge_px)
        if not parts:
            return None
        region = max(parts, key=lambda part: int((part & region).sum()))
    return region


def _parts(mask: Mask, bridge_px: int) -> list[Mask]:
    """Connected parts after thin gaps (shadow under the nose) are bridged, holes (balls) filled, the largest first."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    closed = cv2.morphologyEx(closed, cv2.MORPH_CLOSE, np.ones((bridge_px, bridge_px), np.uint8))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=4)
    height, width = mask.shape
    out = []
    for k in np.argsort(stats[1:, cv2.CC_STAT_AREA])[::-1][:PARTS] + 1:
        left, top, wide, high, area = stats[k]
        everywhere = left <= 1 and top <= 1 and left + wide >= width - 1 and top + high >= height - 1
        if area < LEAST_AREA / 3 * mask.size or everywhere:
            continue
        contours, _ = cv2.findContours((labels == k).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        filled = np.zeros(mask.shape, np.uint8)
        cv2.drawContours(filled, contours, -1, 1, thickness=cv2.FILLED)
        part = cv2.morphologyEx(filled, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8)).astype(bool)
        # Of what is thinner than that all round nothing is left.
        if part.any():
            out.append(part)
    return out


def _overlap(one: Mask, other: Mask) -> float:
    union = int((one | other).sum())
    return float((one & other).sum() / union) if union else 0.0


def _hull(region: Mask) -> Mask:
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(region.shape, np.uint8)
    cv2.fillConvexPoly(filled, cv2.convexHull(np.concatenate(contours)), 1)
    return filled.astype(bool)


def _outline(region: Mask, scale: float) -> ClothOutline | None:
    area = float(region.mean())
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if area < LEAST_AREA or not contours:
        return None
    contour = max(contours, key=len).reshape(-1, 2).astype(float)
    height, width = region.shape
    sides = _four_sides(contour, (width, height))
    if sides is None:
        return None
    corners, points = sides
    # What of the four-sided shape lies outside the frame cannot be compared.
    shape = np.zeros(region.shape, np.uint8)
    cv2.fillPoly(shape, [np.round(corners).astype(np.int32)], 1)
    agreement = _overlap(region, shape.astype(bool))
    if agreement < LEAST_AGREEMENT:
        return None
    # Reduced pixel u covers full pixels (u + 0.5) / scale - 0.5.
    return ClothOutline((corners + 0.5) / scale - 0.5, tuple((p + 0.5) / scale - 0.5 for p in points), agreement, area)


def _four_sides(contour: Vector, size: tuple[int, int]) -> tuple[Vector, list[Vector]] | None:
    """Four lines through a contour: corners (4, 2), counter-clockwise in the picture, and the points on each side.

    Starts from the four-cornered simplification of the hull or, where pockets or the frame cut the corners off, from
    its four longest sides; then assigns the contour's points to the nearest line and fits each line anew, so that cut
    corners stop mattering.
    """
    width, height = size
    hull = cv2.convexHull(contour.astype(np.float32))
    inner = _within(contour, size)
    for corners in (_simplified(hull), _longest_sides(hull, size)):
        found = None if corners is None else _fitted_sides(contour[inner], corners, max(width, height))
        if found is not None:
            return found
    return None


def _within(points: Vector, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Which points do not lie on the picture's border."""
    inside = (points > BORDER_MARGIN_PX) & (points < np.array(size) - 1 - BORDER_MARGIN_PX)
    return np.asarray(inside.all(axis=1))


def _simplified(hull: NDArray[np.float32]) -> Vector:
    length = cv2.arcLength(hull, True)
    for share in np.linspace(0.01, 0.15, 29):
        simple = cv2.approxPolyDP(hull, share * length, True).reshape(-1, 2)
        if len(simple) == 4:
            return _anticlockwise(simple.astype(float))
        if len(simple) < 4:
            break
    return _anticlockwise(cv2.boxPoints(cv2.minAreaRect(hull)).astype(float))


def _longest_sides(hull: NDArray[np.float32], size: tuple[int, int]) -> Vector | None:
    """Corners where the four longest sides of a hull meet that are not the picture's border; None without four."""
    simple = cv2.approxPolyDP(hull, 0.008 * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(float)
    simple = _anticlockwise(simple)
    after = np.roll(simple, -1, axis=0)
    free = _within(simple, size) | _within(after, size)
    if free.sum() < 4:
        return None
    length = np.where(free, np.linalg.norm(after - simple, axis=1), 0)
    chosen = np.sort(np.argsort(-length)[:4])
    lines = [np.cross([*simple[k], 1.0], [*after[k], 1.0]) for k in chosen]
    return _meeting(lines, 4 * max(size))


def _meeting(lines: list[Vector], most: float) -> Vector | None:
    """Corners (4, 2) where each line meets the one before; None when two hardly do."""
    meets = [np.cross(lines[k - 1], lines[k]) for k in range(4)]
    if any(abs(m[2]) < 1e-9 for m in meets):
        return None
    corners = np.array([m[:2] / m[2] for m in meets])
    return None if np.abs(corners).max() > most else corners


def _fitted_sides(free: Vector, corners: Vector, long_side: int) -> tuple[Vector, list[Vector]] | None:
    points: list[Vector] = []
    for reach in (12.0, 8.0, 6.0, 5.0, 5.0, 5.0):
        lines, points = [], []
        for k in range(4):
            near = _points_near(free, corners[k], corners[(k + 1) % 4], reach)
            if len(near) < 12:
                return None
            vx, vy, x0, y0 = cv2.fitLine(near.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
            lines.append(np.array([vy, -vx, vx * y0 - vy * x0]))
            points.append(near)
        meeting = _meeting(lines, 4 * long_side)
        if meeting is None:
            return None
        corners = meeting
    return (corners, points) if cv2.isContourConvex(corners.astype(np.float32)) else None


def _points_near(points: Vector, start: Vector, end: Vector, reach: float) -> Vector:
    """Points within ``reach`` of the segment, its outer tenths (where pockets cut the cloth) left out."""
    along = end - start
    length = float(np.hypot(*along))
    if length < 1e-9:
        return points[:0]
    unit = along / length
    offset = points - start
    s = offset @ unit
    d = offset @ np.array([unit[1], -unit[0]])
    return points[(s > 0.1 * length) & (s < 0.9 * length) & (np.abs(d) < reach)]
