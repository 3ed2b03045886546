"""How much a picture looks like a table under a camera: the test by which rival cameras are told apart.

Beside each rail the picture must show, going outwards, the bed, the cushion's top of about the bed's colour, and then
mostly something else; where a pool table's pockets are it must be dark. A camera that took the outer edge of a rail for
a nose, or a long rail for a short one, fails this however well its lines fit.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera, Matrix
from calibration.camera_fit import CLOTH_HEIGHT_M, rail_points
from calibration.strips import CORNER_GAP_M, SIDE_GAP_M, Linear
from calibration.table import POCKETS, RAILS, Pocket, Rail, Table, Vector

PIECES = 24
# A rail of which fewer pieces lie in the frame tells nothing.
LEAST_PIECES = 5
# Where, behind the nose, the bed, the cushion and the rail are looked at, metres.
BED_M, CUSHION_M, RAIL_M, SHADE_M = (-0.09, -0.05), (0.014, 0.036), (0.062, 0.080), (-0.014, 0.002)
SPOTS = 5
# Linear light below this share of white is as good as black.
BLACK_LIGHT = 0.004
# A cushion's top differs from the bed in the logarithms of its colours by no more than this: in hue, in brightness.
MOST_HUE_STEP, MOST_LIGHT_STEP = 0.45, 0.7
# The rail beyond differs from the cushion by more than this, or the cloth's edge does not show.
LEAST_EDGE_STEP = 0.25
DARK_STEP = 0.2
# A camera so far on the inner side of a nose, as a share of its height, sees something of the cushion's face, and all
# of it; where it sees something of it and no dark line, the nose is likely elsewhere.
SOME_INSIDE, LEAST_INSIDE = 0.2, 0.7
# Of such a cushion, if it shows at all, so much must have the dark line.
LEAST_SHOWN, LEAST_SHADE = 0.3, 0.4
# In a pocket it is dark: this share of the cushions' light at most. The middles of the holes lie about so far beyond
# the corners (along each axis) and beyond the side rails' noses.
POCKET_DARK_SHARE = 0.45
CORNER_HOLE_M, SIDE_HOLE_M, HOLE_RADIUS_M = 0.036, 0.066, 0.03
LEAST_HOLE_SHARE = 0.6
# A dark rail lies where a side pocket's hole would be, but a cushion runs on before it: there it must be dark, too.
SIDE_MOUTH_M, SIDE_MOUTH_HALF_M = (0.014, 0.036), 0.02
# What pockets all dark on a table that should have none count for, or all light where it should have them.
OTHER_POCKETS = 0.8


@dataclass(frozen=True)
class RailLook:
    """Share of a rail's pieces in the frame that show a cushion of the bed's colour, and shares of those that show its
    outer edge and a dark line under its nose.

    ``inside``: how far on the inner side of the nose the camera stands, as a share of its height; from there the
    cushion's face and its shadow must show.
    """

    cushion: float
    edge: float
    shade: float
    inside: float

    @property
    def score(self) -> float:
        facing = float(np.clip((self.inside - SOME_INSIDE) / (LEAST_INSIDE - SOME_INSIDE), 0, 1))
        return self.cushion * (0.8 + 0.2 * self.edge - 0.4 * facing * (1 - self.shade))

    def shaded_from(self, least_inside: float) -> bool:
        """Whether it has its dark line, or may lack it: hardly shown, or not seen from so far inside."""
        return self.shade > LEAST_SHADE or self.cushion <= LEAST_SHOWN or self.inside <= least_inside


@dataclass(frozen=True)
class Likeness:
    """What of a table was seen.

    Attributes
    ----------
    rails : the rails of which enough lies in the frame.
    pockets : for each place in the frame where a pocket would be whether it is dark there.
    has_pockets : whether the table that is looked for has them.
    """

    rails: Mapping[Rail, RailLook]
    pockets: Mapping[Pocket, bool]
    has_pockets: bool

    @property
    def cushions(self) -> float:
        """Mean share of cushion seen over the rails in the frame."""
        return float(np.mean([look.cushion for look in self.rails.values()])) if self.rails else 0.0

    @property
    def shaded(self) -> bool:
        """Whether every cushion that the camera looks at from the inside has its dark face and shadow."""
        return all(look.shaded_from(LEAST_INSIDE) for look in self.rails.values())

    @property
    def doubtful(self) -> bool:
        """Whether a cushion lacks it of which the camera sees some of the inner side: its nose may be elsewhere."""
        return not all(look.shaded_from(SOME_INSIDE) for look in self.rails.values())

    @property
    def faced(self) -> bool:
        """Whether the camera faces a cushion whose nose shows for sure, by its dark line, and none lacks it."""
        facing = [look for look in self.rails.values() if look.inside > LEAST_INSIDE]
        shown = all(look.cushion > LEAST_SHOWN and look.shade > LEAST_SHADE for look in facing)
        return bool(facing) and shown and not self.doubtful

    @property
    def pocketed(self) -> bool:
        """Whether the table has pockets: most of the places where they would be are dark."""
        return sum(self.pockets.values()) > 0.5 * len(self.pockets) if self.pockets else True

    @property
    def score(self) -> float:
        """From 0 to about 2: cushions, edges, and the pockets, all dark or all light, better as the table has them."""
        if not self.rails:
            return 0.0
        rails = float(np.mean([look.score for look in self.rails.values()]))
        dark = sum(self.pockets.values()) / len(self.pockets) if self.pockets else 0.5
        as_told = (dark, 1 - dark) if self.has_pockets else (1 - dark, dark)
        return rails + max(as_told[0], OTHER_POCKETS * as_told[1])


@dataclass(frozen=True)
class RailPieces:
    """Pieces along a rail: where (n,), the colours (n, 3) of bed and cushion there; NaN out of the frame."""

    along_m: Vector
    bed: Matrix
    top: Matrix

    @property
    def seen(self) -> NDArray[np.bool_]:
        return np.asarray(np.isfinite(self.bed).all(axis=1) & np.isfinite(self.top).all(axis=1))

    def cushion(self, usual: Vector) -> NDArray[np.bool_]:
        """Which pieces show bed of about the ``usual`` colour (3,) and cushion of the bed's.

        A hand or a lamp may lie over both alike, so each piece's bed is compared with the bed elsewhere, too.
        """
        bed, top = colour_steps(usual, self.bed), colour_steps(self.bed, self.top)
        alike = [(hue_of(step) < MOST_HUE_STEP) & (np.abs(step.mean(axis=1)) < MOST_LIGHT_STEP) for step in (bed, top)]
        return np.asarray(alike[0] & alike[1])


def look_at_rail(light: Linear, camera: Camera, table: Table, rail: Rail) -> RailPieces:
    along = _pieces(table, rail)
    bed = bed_colours(light, camera, table, rail, along)
    top = _patches(light, camera, table, rail, along, CUSHION_M, (table.nose_height_m, CLOTH_HEIGHT_M))
    return RailPieces(along, bed, top)


def table_likeness(light: Linear, camera: Camera, table: Table) -> Likeness:
    """Compare a picture (linear light) with what ``camera`` should see of ``table``."""
    rails: dict[Rail, RailLook] = {}
    tops = []
    for rail in RAILS:
        pieces = look_at_rail(light, camera, table, rail)
        seen = pieces.seen
        if seen.sum() < LEAST_PIECES:
            continue
        along, top = pieces.along_m[seen], pieces.top[seen]
        cushion = pieces.cushion(np.median(pieces.bed[seen], axis=0))[seen]
        beyond = _patches(light, camera, table, rail, along, RAIL_M, (CLOTH_HEIGHT_M, CLOTH_HEIGHT_M))
        shade = _patches(light, camera, table, rail, along, SHADE_M, (0.0, table.nose_height_m), darkest=True)
        step, out = colour_steps(pieces.bed[seen], top), colour_steps(top, beyond)
        edge = np.linalg.norm(np.nan_to_num(out), axis=1) > LEAST_EDGE_STEP + 0.5 * np.linalg.norm(step, axis=1)
        dark = colour_steps(top, shade).mean(axis=1) < -DARK_STEP
        # What covers a rail says nothing of what is under it.
        edge, dark = (part[cushion] if cushion.any() else part for part in (edge, dark))
        rails[rail] = RailLook(
            float(cushion.mean()), float(edge.mean()), float(dark.mean()), inside_of(camera, table, rail)
        )
        tops.append(np.median(top.mean(axis=1)))
    usual_top = float(np.median(tops)) if tops else float("nan")
    pockets: dict[Pocket, bool] = {}
    for pocket in POCKETS:
        places = [_hole_points(table, pocket), *_mouth_points(table, pocket)]
        shares = [_dark_share(light, camera, points, POCKET_DARK_SHARE * usual_top) for points in places]
        if np.isfinite(shares[0]):
            # Of a mouth out of the frame nothing is asked.
            pockets[pocket] = bool(np.nanmin(shares) > LEAST_HOLE_SHARE)
    return Likeness(rails, pockets, table.has_pockets)


def bed_colours(light: Linear, camera: Camera, table: Table, rail: Rail, along_m: Vector) -> Matrix:
    """Colours (n, 3) of the bed a hand's breadth from a rail, out of its shadow; NaN out of the frame."""
    return _patches(light, camera, table, rail, along_m, BED_M, (0.0, 0.0))


def inside_of(camera: Camera, table: Table, rail: Rail) -> float:
    """How far the camera stands on the inner side of a nose, as a share of its height."""
    middle, outward = rail_points(table, rail, np.array([0.5 * table.width_m]), 0.0, table.nose_height_m)
    return -float((camera.position_m - middle[0]) @ outward) / max(float(camera.position_m[2]), 1e-6)


def hole_m(table: Table, pocket: Pocket) -> Vector:
    """About where the middle of a pocket's hole is, (2,)."""
    end, side = pocket.split("-")
    y, out = (0.0, -1.0) if side == "right" else (table.width_m, 1.0)
    if end == "side":
        return np.array([table.length_m / 2, y + out * SIDE_HOLE_M])
    x, ahead = (0.0, -1.0) if end == "head" else (table.length_m, 1.0)
    return np.array([x + ahead * CORNER_HOLE_M, y + out * CORNER_HOLE_M])


def _hole_points(table: Table, pocket: Pocket) -> Matrix:
    around = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    ring = np.column_stack([np.cos(around), np.sin(around)])
    places = hole_m(table, pocket) + HOLE_RADIUS_M * np.concatenate([[[0, 0]], 0.5 * ring, ring])
    return np.column_stack([places, np.full(len(places), table.nose_height_m / 2)])


def _mouth_points(table: Table, pocket: Pocket) -> list[Matrix]:
    """Where a cushion's top would be in the mouth of a side pocket; none for a corner, where two end anyhow."""
    end, side = pocket.split("-")
    if end != "side":
        return []
    along = table.length_m / 2 + np.linspace(-SIDE_MOUTH_HALF_M, SIDE_MOUTH_HALF_M, SPOTS)
    across = np.linspace(*SIDE_MOUTH_M, SPOTS)
    points, _ = rail_points(table, "left" if side == "left" else "right", along[:, None], across, table.nose_height_m)
    return [points.reshape(-1, 3)]


def _dark_share(light: Linear, camera: Camera, points_m: Matrix, limit: float) -> float:
    colours = sample(light, camera.project(points_m))
    seen = np.isfinite(colours).all(axis=1)
    return float((colours[seen].mean(axis=1) < limit).mean()) if seen.all() and np.isfinite(limit) else float("nan")


def _pieces(table: Table, rail: Rail) -> Vector:
    start, end = table.nose_segment(rail)
    length = float(np.linalg.norm(end - start))
    along = CORNER_GAP_M + (np.arange(PIECES) + 0.5) / PIECES * (length - 2 * CORNER_GAP_M)
    return along[np.abs(along - length / 2) > SIDE_GAP_M] if rail in ("left", "right") else along


def _patches(
    light: Linear,
    camera: Camera,
    table: Table,
    rail: Rail,
    along_m: Vector,
    across_m: tuple[float, float],
    height_m: tuple[float, float],
    *,
    darkest: bool = False,
) -> Matrix:
    """Colours (n, 3) of patches beside a rail: the mean of a few spots across, or the darkest; NaN out of the frame."""
    spots = 2 * SPOTS - 1 if darkest else SPOTS
    share = np.linspace(0, 1, spots)
    across = across_m[0] + share * (across_m[1] - across_m[0])
    points, _ = rail_points(table, rail, np.repeat(along_m[:, None], spots, axis=1), across, 0.0)
    points[..., 2] = height_m[0] + share * (height_m[1] - height_m[0])
    colours = sample(light, camera.project(points.reshape(-1, 3))).reshape(len(along_m), spots, 3)
    if darkest:
        return np.asarray(colours.min(axis=1))
    return np.asarray(colours.mean(axis=1))


def sample(light: Linear, pixels: Matrix) -> Matrix:
    """Colours (n, 3) at pixels, between them by straight lines; NaN out of the picture."""
    where = np.nan_to_num(np.asarray(pixels), nan=-10.0).clip(-10, 30000).astype(np.float32)[:, None, :]
    border = (np.nan,) * 3
    colour = cv2.remap(
        light, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=border
    )
    return np.asarray(colour.reshape(-1, 3), dtype=float)


def colour_steps(here: Matrix | Linear, there: Matrix | Linear) -> Matrix:
    """Change of the logarithms of colours (..., 3) from one place to another."""
    dark = np.float64(BLACK_LIGHT)
    return np.asarray(np.log((np.maximum(there, 0) + dark) / (np.maximum(here, 0) + dark)))


def hue_of(steps: Matrix) -> Vector:
    """The part of steps (n, 3) that is not one of brightness."""
    return np.asarray(np.linalg.norm(steps - steps.mean(axis=1, keepdims=True), axis=1))
