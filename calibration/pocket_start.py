"""Cameras to start from where pockets show: dark spots of which four to six lie as a pool table's pockets do.

Nothing is assumed about the cloth or the rails, and pockets may be missing: outside the frame, behind a person. Every
four spots in convex position are tried as every four pockets; what counts is how many of the other pockets that should
then be in the frame are there.
"""

from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.cloth import Picture
from calibration.likeness import hole_m, table_likeness
from calibration.pose import posed_camera
from calibration.strips import Linear
from calibration.table import Pocket, Table, Vector

LONG_SIDE_PX = 640
MOST_SPOTS = 14
# A spot is darker than these shares of what surrounds it, is so large (px of the reduced picture) and so compact.
DARK_SHARES = (0.35, 0.5, 0.65)
AROUND_PX = 61
SPOT_AREA_PX = (10, 2500)
LEAST_FILL, MOST_LENGTH = 0.45, 3.0
# A pocket is where it should be when a spot lies within this share of the table's width.
HIT_SHARE = 0.07
LEAST_HITS = 4
MOST_TRIED, MOST_FOUND = 60, 6
FOCALS_OVER_LONG_SIDE = (0.6, 0.8, 1.0, 1.4)
# Counter-clockwise seen from above.
ROUND: tuple[Pocket, ...] = ("head-right", "side-right", "foot-right", "foot-left", "side-left", "head-left")
HOLE_HEIGHT_M = 0.02


def start_from_pockets(picture: Picture, light: Linear, table: Table) -> list[Camera]:
    """Coarse cameras for a picture (uint8, BGR; and its linear light), those first under which it looks most like a
    table; empty when no four spots lie as pockets do."""
    height, width = picture.shape[:2]
    scale = min(1.0, LONG_SIDE_PX / max(height, width))
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    spots, weight = _dark_spots(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))
    if len(spots) < LEAST_HITS:
        return []
    full = (spots + 0.5) / scale - 0.5
    cameras = []
    for hits in _arrangements(spots, weight, table, (small.shape[1], small.shape[0])):
        camera = _camera(hits, full, table, (width, height))
        if camera is not None:
            cameras.append((table_likeness(light, camera, table).score, camera))
    cameras.sort(key=lambda pair: -pair[0])
    return [camera for _, camera in cameras[:MOST_FOUND]]


def _dark_spots(grey: NDArray[np.uint8]) -> tuple[Vector, Vector]:
    """Middles (n, 2) of compact dark spots, those that stand out most first, and how much each does (n,), up to 1.

    A dark line under a nose falls into small spots, too: what stands out as the fourth does, or more, counts fully.
    """
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (AROUND_PX, AROUND_PX))
    around = cv2.medianBlur(cv2.morphologyEx(grey, cv2.MORPH_CLOSE, kernel), 5).astype(np.float32)
    share = (cv2.GaussianBlur(grey, (3, 3), 0).astype(np.float32) + 2) / (around + 2)
    found: list[tuple[float, Vector, float]] = []
    for limit in DARK_SHARES:
        _, labels, stats, middles = cv2.connectedComponentsWithStats((share < limit).astype(np.uint8), connectivity=8)
        for k in range(1, len(stats)):
            wide, high, area = stats[k, cv2.CC_STAT_WIDTH], stats[k, cv2.CC_STAT_HEIGHT], stats[k, cv2.CC_STAT_AREA]
            if not SPOT_AREA_PX[0] <= area <= SPOT_AREA_PX[1] or max(wide, high) > MOST_LENGTH * min(wide, high):
                continue
            if area < LEAST_FILL * wide * high:
                continue
            reach = 0.6 * float(np.sqrt(area))
            if all(np.hypot(*(middles[k] - other)) > max(reach, size) for _, other, size in found):
                depth = 1 - float(share[labels == k].mean())
                found.append((depth * min(np.sqrt(area), 12.0), middles[k], reach))
    found.sort(key=lambda spot: -spot[0])
    found = found[:MOST_SPOTS]
    usual = found[min(LEAST_HITS, len(found)) - 1][0] if found else 1.0
    weight = np.array([min(1.0, stands_out / usual) for stands_out, _, _ in found])
    return np.array([middle for _, middle, _ in found]).reshape(-1, 2), weight


def _arrangements(spots: Vector, weight: Vector, table: Table, size: tuple[int, int]) -> list[dict[Pocket, int]]:
    """Ways to take spots for pockets, the likeliest first: for each pocket that is there, which spot it is."""
    model = np.array([hole_m(table, pocket) for pocket in ROUND])
    quads = [q for q in combinations(range(6), 4) if not {0, 1, 2} <= set(q) and not {3, 4, 5} <= set(q)]
    rings = []
    for four in combinations(range(len(spots)), 4):
        hull = cv2.convexHull(spots[list(four)].astype(np.float32), returnPoints=False).ravel()
        if len(hull) < 4:
            continue
        ring = spots[list(four)][hull]
        after = np.roll(ring, -1, axis=0)
        if np.sum(ring[:, 0] * after[:, 1] - ring[:, 1] * after[:, 0]) > 0:
            ring = ring[::-1]
        rings.append(ring)
    if not rings:
        return []
    # Every ring as every four pockets, from each of its corners on.
    turned = np.array([np.roll(np.arange(4), turn) for turn in range(4)])
    pixels = np.repeat(np.array(rings)[:, None, turned], len(quads), axis=1).reshape(-1, 4, 2)
    places = np.tile(np.repeat(model[np.array(quads)], 4, axis=0), (len(rings), 1, 1))
    maps = _homographies(places, pixels)
    seen = np.einsum("nij,kj->nki", maps, np.column_stack([model, np.ones(6)]))
    with np.errstate(divide="ignore", invalid="ignore"):
        at = seen[..., :2] / seen[..., 2:]
    ahead = (np.sign(seen[..., 2]) == np.sign(seen[:, :1, 2])).all(axis=1) & np.isfinite(at).all(axis=(1, 2))
    gap, which = _nearest(at, spots)
    # How large the table's width is round about each pocket, in pixels.
    wide = np.linalg.norm(at - at[:, [5, 4, 3, 2, 1, 0]], axis=2)
    hit = gap < HIT_SHARE * wide
    inside = ((at > 2) & (at < np.array(size) - 3)).all(axis=2)
    hits, misses = hit.sum(axis=1), (inside & ~hit).sum(axis=1)
    stray = np.where(hit, gap / np.maximum(wide, 1e-9), 0).sum(axis=1)
    good = ahead & (hits >= LEAST_HITS) & (misses <= 1)
    worth = np.where(hit, weight[which], 0).sum(axis=1)
    order = np.lexsort((stray, np.round(misses - worth, 1)))
    found: list[dict[Pocket, int]] = []
    for k in order[good[order]]:
        taken = {pocket: int(which[k, i]) for i, pocket in enumerate(ROUND) if hit[k, i]}
        half = {ROUND[(i + 3) % 6]: taken[pocket] for i, pocket in enumerate(ROUND) if pocket in taken}
        if len(set(taken.values())) == len(taken) and taken not in found and half not in found:
            found.append(taken)
        if len(found) == MOST_TRIED:
            break
    return found


def _nearest(at: NDArray[np.float64], spots: Vector) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """How far from places (n, 6, 2) the nearest spot is, (n, 6), and which: one spot after the other, for there are
    many places."""
    gap, which = np.full(at.shape[:2], np.inf), np.zeros(at.shape[:2], np.intp)
    for k, spot in enumerate(spots):
        off = np.linalg.norm(at - spot, axis=2)
        nearer = off < gap
        gap[nearer], which[nearer] = off[nearer], k
    return gap, which


def _homographies(places: NDArray[np.float64], pixels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Maps (n, 3, 3) from four places each (n, 4, 2) to four pixels each (n, 4, 2)."""
    x, y = places[..., 0], places[..., 1]
    u, v = pixels[..., 0], pixels[..., 1]
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=2)
    rows_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=2)
    matrix = np.concatenate([rows_u, rows_v], axis=1)
    matrix += 1e-9 * np.eye(8)
    solved = np.linalg.solve(matrix, np.concatenate([u, v], axis=1)[..., None])[..., 0]
    return np.concatenate([solved, np.ones((len(solved), 1))], axis=1).reshape(-1, 3, 3)


def _camera(taken: dict[Pocket, int], spots: Vector, table: Table, size: tuple[int, int]) -> Camera | None:
    """The camera of the usual focal lengths that sees the pockets best; None when all would stand below the table."""
    places = np.array([[*hole_m(table, pocket), HOLE_HEIGHT_M] for pocket in taken])
    pixels = spots[list(taken.values())]
    best: tuple[float, Camera] | None = None
    for share in FOCALS_OVER_LONG_SIDE:
        posed = posed_camera(places, pixels, size, share, cv2.SOLVEPNP_IPPE)
        if posed is None:
            continue
        camera, off = posed
        if camera.position_m[2] > 0.2 and np.isfinite(off) and (best is None or off < best[0]):
            best = (off, camera)
    return None if best is None else best[1]
