"""The search for a table in a picture: cameras to start from, refined on the lines, the one that shows a table best.

Starts come from the outline of the cloth and from the pockets, which fail on different pictures. Every start may have
taken one line for another (the edge of a rail for a nose, a long rail for a short one), so those that look most like a
table are all refined, and what the picture shows under each decides between them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.camera import Camera
from calibration.camera_fit import (
    CLOTH_HEIGHT_M,
    CLOTH_SETBACK_M,
    CameraFit,
    LinePoints,
    fit_camera,
)
from calibration.camera_start import start_cameras, start_farther_out, start_inside_frame, start_short_of_cushion
from calibration.cloth import THIN_BRIDGE_PX, ClothOutline, Picture, find_cloth
from calibration.likeness import Likeness, table_likeness
from calibration.nose_lines import find_lines
from calibration.pocket_marks import find_side_pockets
from calibration.pocket_start import start_from_pockets
from calibration.strips import Linear
from calibration.table import CORNERS, RAILS, Table

# Reach of the search for the noses, pass by pass: coarse passes are repeated until little changes.
COARSE_REACHES_M = (0.040, 0.022)
FINE_REACHES_M = (0.010, 0.006)
# The blur at the noses is modelled once the camera is about right.
SHAPES_BELOW_M = 0.008
LEAST_RAILS = 3
MOST_OUTLINES = 4
MOST_REFINED = 6
# A start that looks so much less like a table than the best of all is not refined.
LEAST_SCORE_SHARE = 0.6
# What looks as good as this after refining is taken at once; what looks good enough is, when its round is over; what
# has less cushion is no table.
SURE_SCORE, SURE_CUSHIONS = 1.9, 0.9
ENOUGH_SCORE, ENOUGH_CUSHIONS = 1.85, 0.75
LEAST_CUSHIONS, LEAST_SCORE = 0.65, 1.3
# A line fit worse than this, as a share of the picture's long side, is not a table (2.9 px at 1080p).
MOST_RESIDUAL_SHARE = 0.0015
MOST_FOCAL_STRAY = 0.8


@dataclass(frozen=True)
class Found:
    """A camera that was found, and how much the picture looks like a table under it."""

    fit: CameraFit
    likeness: Likeness

    @property
    def enough(self) -> bool:
        """Whether it is good enough to look no further."""
        return self._better_than(ENOUGH_SCORE, ENOUGH_CUSHIONS)

    @property
    def sure(self) -> bool:
        """Whether it is so good that the other starts of its round need not be tried."""
        return self._better_than(SURE_SCORE, SURE_CUSHIONS)

    def _better_than(self, score: float, cushions: float) -> bool:
        seen = self.likeness
        return seen.score > score and seen.cushions > cushions and not seen.doubtful


@dataclass(frozen=True)
class Starts:
    """Cameras to start from, and how far about them the noses are looked for; ``faced``: what comes of them is believed
    only where the camera faces a cushion, and each that it faces shows its dark line."""

    fits: Sequence[CameraFit]
    faced: bool = False
    reaches_m: Sequence[float] = COARSE_REACHES_M


def find_table(still: Picture, light: Linear, table: Table, given: ClothOutline | None) -> Found | None:
    """The camera under which the picture looks most like ``table``, refined on the lines; None when there is none.

    ``light`` is the still in linear light; ``given`` an outline of the noses to start from, instead of a search.
    """
    best: Found | None = None
    likely: Found | None = None
    for starts in _rounds(still, table, light, given):
        for found in _refined(light, table, starts):
            likely = _liker(likely, found)
            best = _liker(best, found) if _believed(found, starts) else best
        if best is not None and best.enough:
            return best
    if likely is not None and likely.likeness.doubtful and given is None:
        # All but a far side may be right.
        starts = Starts(start_farther_out(likely.fit.camera, table), faced=True, reaches_m=COARSE_REACHES_M[1:])
        for found in _refined(light, table, starts):
            best = _liker(best, found) if _believed(found, starts) else best
    return best


def _rounds(still: Picture, table: Table, light: Linear, given: ClothOutline | None) -> Iterator[Starts]:
    """Cameras to start from, in rounds: the next is wanted only when the one before shows no table for sure."""
    size = (still.shape[1], still.shape[0])
    if given is not None:
        yield Starts(start_cameras(given, table, size, "nose")[:2])
        return
    yield Starts([_as_fit(camera, table) for camera in start_from_pockets(still, light, table)])
    outlines = find_cloth(still)[:MOST_OUTLINES]
    yield Starts([fit for outline in outlines for fit in _starts(outline, table, size)])
    yield Starts([fit for outline in outlines for fit in start_inside_frame(outline, table, size)[:2]])
    yield Starts([fit for outline in outlines for fit in start_short_of_cushion(outline, table, size)], faced=True)
    outlines = find_cloth(still, THIN_BRIDGE_PX)[:MOST_OUTLINES]
    yield Starts([fit for outline in outlines for fit in _starts(outline, table, size)])


def _refined(light: Linear, table: Table, starts: Starts) -> Iterator[Found]:
    """What comes of the likeliest starts, until one is sure."""
    scored = sorted(
        ((table_likeness(light, fit.camera, table).score, k) for k, fit in enumerate(starts.fits)), reverse=True
    )
    for score, k in scored[:MOST_REFINED]:
        if score < LEAST_SCORE_SHARE * scored[0][0]:
            return
        fit = refined(light, starts.fits[k], table, starts.reaches_m)
        if fit is None:
            continue
        found = Found(fit, table_likeness(light, fit.camera, table))
        yield found
        if found.sure and _believed(found, starts):
            return


def _liker(best: Found | None, found: Found) -> Found:
    """The one under which the picture looks more like a table."""
    return found if best is None or found.likeness.score > best.likeness.score else best


def _believed(found: Found, starts: Starts) -> bool:
    return credible(found) and (found.likeness.faced or not starts.faced)


def _as_fit(camera: Camera, table: Table) -> CameraFit:
    return CameraFit(camera, float("nan"), CLOTH_SETBACK_M, CLOTH_HEIGHT_M, table.nose_height_m, 0)


def _starts(outline: ClothOutline, table: Table, size: tuple[int, int]) -> Iterator[CameraFit]:
    """What the sides of a region may be: ends of the cloth, or noses."""
    yield from start_cameras(outline, table, size, "cloth")[:2]
    yield from start_cameras(outline, table, size, "nose")[:1]


def refined(light: Linear, fit: CameraFit, table: Table, reaches_m: Sequence[float]) -> CameraFit | None:
    """The fit after passes over ever narrower strips; None when too few lines are seen."""
    for reach in reaches_m:
        lines = find_lines(
            light,
            fit.camera,
            table,
            fit.cloth_setback_m,
            fit.cloth_height_m,
            nose_reach_m=reach,
            shapes=reach < SHAPES_BELOW_M,
        )
        seen = {line.rail for line in lines}
        if len(seen) < LEAST_RAILS:
            return None
        marks = [] if {"head", "foot"} <= seen else find_side_pockets(light, fit.camera, table)
        fit = fit_camera(lines, table, fit.camera, marks=marks)
        if not np.isfinite(fit.camera.position_m).all() or fit.camera.position_m[2] < 0.2:
            return None
        fit = replace(fit, camera=replace(fit.camera, unseen=_unseen(fit.camera, table, lines)))
    return fit


def _unseen(camera: Camera, table: Table, lines: Sequence[LinePoints]) -> tuple[str, ...]:
    """Rails of which no line was seen, and corners outside the frame."""
    rails: list[str] = [rail for rail in RAILS if all(line.rail != rail for line in lines)]
    places = np.array([[*table.corner_m(corner), table.nose_height_m] for corner in CORNERS])
    pixels = np.nan_to_num(camera.project(places), nan=-1.0)
    inside = ((pixels >= 0) & (pixels <= [camera.width - 1, camera.height - 1])).all(axis=1)
    return (*rails, *(corner for corner, within in zip(CORNERS, np.atleast_1d(inside), strict=True) if not within))


def credible(found: Found) -> bool:
    """Whether the camera is a usual one, its lines fit, and the picture shows a table under it."""
    camera, likeness = found.fit.camera, found.likeness
    long_side = max(camera.width, camera.height)
    stray = abs(np.log(camera.focal_px / (0.9 * long_side)))
    fits = camera.residual_px < MOST_RESIDUAL_SHARE * long_side and stray < MOST_FOCAL_STRAY
    looks = likeness.cushions > LEAST_CUSHIONS and likeness.score > LEAST_SCORE and likeness.shaded
    return bool(fits and looks)
