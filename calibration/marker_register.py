"""Registration by printed markers: from frames that show them, and the places in their file, to table and camera.

The markers give the camera to a few millimetres, with no need to recognise a table. With that the noses are looked for
where they must be; those that can be made out join the fit, which they sharpen and which they judge: a marker that lies
elsewhere than its file says is named.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from calibration.accuracy import place_accuracy
from calibration.camera import Camera, Setup
from calibration.camera_fit import LinePoints
from calibration.cloth import Picture
from calibration.errors import InputError
from calibration.head import SIDES, head_direction
from calibration.marker_file import LEAST_MARKERS
from calibration.marker_fit import MarkerFit, fit_markers, start_cameras
from calibration.markers import MarkerLayout, SeenMarker, find_markers
from calibration.median import median_of
from calibration.nose_lines import find_noses
from calibration.strips import linear_light
from calibration.table import Table

# Reach of the search for the noses, pass by pass, once the markers have told the camera.
NOSE_REACHES_M = (0.013, 0.006)
SHAPES_BELOW_M = 0.008
# A nose that is off by more, at 1920 pixels across, is another edge.
MOST_MISREAD_PX = 2.0
# Paper beside a nose hides the dark line by which it is found.
PAPER_HALF_M, PAPER_REACH_M = 0.13, 0.3
# A marker strained by more did not err by chance: one in some hundred layouts of six shows as much.
MOST_STRAIN_SD = 4.0
# So many markers may be singled out, as long as so many others, or so many with noses, remain to tell by.
MOST_STRAY, LEAST_WITNESSES, LEAST_WITH_NOSES = 2, 4, 2
MOST_PLACE_SD_M = 0.015
# Of a marker that is named, what is worth telling.
LEAST_TOLD_M, LEAST_TOLD_DEG = 0.003, 4.0


@dataclass(frozen=True)
class MarkedSetup:
    """The table and its camera, and what is to be said about how they were found, in sentences."""

    setup: Setup
    notes: tuple[str, ...]


def register_by_markers(
    frames: Sequence[Picture], layout: MarkerLayout, *, rotation_deg: int, head: str | None = None
) -> MarkedSetup:
    """The camera over a table on which markers lie.

    Parameters
    ----------
    frames : stored frames (uint8, BGR) of a camera that stands still; each marker must show in one of them at least.
    layout : where the markers lie; its table frame says which end is the head.
    rotation_deg : how far a stored frame is turned clockwise to stand upright.
    head : side of the upright picture where the head rail is said to lie; checked if given.

    Raises
    ------
    InputError : too few markers seen, a marker that lies elsewhere, places that do not go together or are too close
        together to tell the camera, a head rail on another side than stated.
    """
    if not frames:
        raise InputError("no frame could be read, so there is nothing to find markers in; check the clip.")
    found = find_markers(frames)
    listed = [m.id for m in layout.markers]
    seen = [s for s in found.markers if s.id in listed]
    twice = [k for k in found.twice if k in listed]
    unseen = [k for k in listed if k not in {s.id for s in seen} and k not in twice]
    if len(seen) < LEAST_MARKERS:
        few = f"only {_names([s.id for s in seen])}" if seen else "none"
        raise InputError(
            f"{few} of the {len(listed)} markers listed could be made out; at least {LEAST_MARKERS} must lie flat, "
            "whole and sharp in the picture, with white paper round the square."
        )
    size = (frames[0].shape[1], frames[0].shape[0])
    fit = _by_markers(seen, layout, size)
    fit = _with_noses(frames, fit, seen, layout)
    if not _consistent(fit):
        raise InputError(_blame(seen, layout, size, fit))
    setup = Setup(layout.table, _head_side(fit.camera, layout.table, rotation_deg, head), fit.camera, automatic=False)
    told = place_accuracy(setup)
    if told is None or told.worst_sd_m > MOST_PLACE_SD_M:
        raise InputError(
            f"{_names([s.id for s in seen])} lie too close together to tell the camera over the whole table; spread "
            "the markers towards its corners."
        )
    return MarkedSetup(setup, tuple(_notes(seen, unseen, twice, [s.id for s in found.markers], listed, fit)))


def _by_markers(seen: Sequence[SeenMarker], layout: MarkerLayout, size: tuple[int, int]) -> MarkerFit:
    """The camera from the markers alone. Raises InputError when they contradict each other beyond use."""
    starts = start_cameras(seen, layout, size)
    fit = fit_markers(seen, layout, starts[0]) if starts else None
    if fit is None or (not _consistent(fit) and len(seen) > LEAST_WITNESSES):
        raise InputError(_blame(seen, layout, size, fit))
    return fit


def _with_noses(
    frames: Sequence[Picture], fit: MarkerFit, seen: Sequence[SeenMarker], layout: MarkerLayout
) -> MarkerFit:
    """The fit with all noses that can be made out; the one given when there are none."""
    light = linear_light(median_of(frames))
    most_px = MOST_MISREAD_PX * max(light.shape[:2]) / 1920
    for reach in NOSE_REACHES_M:
        noses = find_noses(light, fit.camera, layout.table, reach_m=reach, shapes=reach < SHAPES_BELOW_M)
        lines = [line for line in (_clear_of_paper(n, layout) for n in noses) if len(line.along_m) > 3]
        while True:
            fit = fit_markers(seen, layout, fit.camera, lines)
            worst = max(fit.misread_px, key=lambda rail: fit.misread_px[rail], default=None)
            if worst is None or fit.misread_px[worst] < most_px:
                break
            lines = [line for line in lines if line.rail != worst]
    return fit


def _clear_of_paper(line: LinePoints, layout: MarkerLayout) -> LinePoints:
    start, end = layout.table.nose_segment(line.rail)[:, :2]
    unit = (end - start) / np.linalg.norm(end - start)
    clear = np.full(len(line.along_m), True)
    for marker in layout.markers:
        along, across = (marker.centre_m - start) @ np.array([unit, [-unit[1], unit[0]]]).T
        if abs(across) < PAPER_REACH_M:
            clear &= np.abs(line.along_m - along) > PAPER_HALF_M
    return replace(line, along_m=line.along_m[clear], pixels=line.pixels[clear], sd_px=line.sd_px[clear])


def _consistent(fit: MarkerFit) -> bool:
    return max(fit.strain.values()) < MOST_STRAIN_SD


def _blame(seen: Sequence[SeenMarker], layout: MarkerLayout, size: tuple[int, int], fit: MarkerFit | None) -> str:
    """A sentence that names the markers without which the others go together, if there are such."""
    lines = fit.lines if fit is not None else ()
    least = LEAST_WITH_NOSES if len(lines) > 2 else LEAST_WITNESSES
    for count in range(1, min(MOST_STRAY, len(seen) - least) + 1):
        best: tuple[MarkerFit, Sequence[SeenMarker]] | None = None
        for strays in combinations(seen, count):
            rest = [s for s in seen if s not in strays]
            # With noses found the camera is near; without, the stray ones may have led it anywhere.
            starts = [fit.camera] if fit is not None and lines else start_cameras(rest, layout, size)
            tried = fit_markers(rest, layout, starts[0], lines) if starts else None
            if tried is not None and _consistent(tried) and (best is None or tried.cost < best[0].cost):
                best = (tried, strays)
        if best is not None:
            strayed = "; ".join(_stray(s, layout, best[0].camera) for s in best[1])
            them, places = ("it", "its place") if count == 1 else ("them", "their places")
            return f"{strayed}; lay {them} anew, or measure {places} again for the file."
    return (
        f"the places of {_names([s.id for s in seen])} do not go together; check the table's size, and from which "
        "rail's nose each was measured."
    )


def _stray(seen: SeenMarker, layout: MarkerLayout, camera: Camera) -> str:
    """By how much, and which way, a marker lies from where the file says."""
    marker = layout.marker(seen.id)
    corners = camera.to_plane(seen.corners_px, marker.height_m)
    off = corners.mean(axis=0) - marker.centre_m
    upper = corners[1] - corners[0]
    turned = np.degrees(np.angle(np.exp(1j * (np.arctan2(upper[1], upper[0]) - marker.turn_rad))))
    distance = float(np.hypot(*off))
    ways = [
        f"{1000 * abs(step):.0f} mm towards the {ends[0] if step < 0 else ends[1]} rail"
        for step, ends in zip(off, (("head", "foot"), ("right", "left")), strict=True)
        if abs(step) > max(0.15 * distance, 0.0005)
    ]
    told = [] if distance < LEAST_TOLD_M else [f"lies {1000 * distance:.0f} mm from there ({' and '.join(ways)})"]
    told += [f"is turned by {abs(turned):.0f} degrees"] if abs(turned) > LEAST_TOLD_DEG else []
    return f"marker {seen.id} does not lie as the file says: it {' and '.join(told)}"


def _head_side(camera: Camera, table: Table, rotation_deg: int, stated: str | None) -> str:
    direction = head_direction(camera, table, rotation_deg)
    side = max(SIDES, key=lambda name: float(direction @ np.array(SIDES[name])))
    if stated is not None and stated != side:
        raise InputError(
            f"by the markers the head rail lies at the {side} of the picture, not at the {stated}; leave --head out, "
            "or name the rails in the file from the other end."
        )
    return side


def _notes(
    seen: Sequence[SeenMarker],
    unseen: Sequence[int],
    twice: Sequence[int],
    found: Sequence[int],
    listed: Sequence[int],
    fit: MarkerFit,
) -> list[str]:
    notes = [f"The camera was found by {_names([s.id for s in seen])}."]
    if fit.lines:
        notes.append(f"Noses that were made out and helped: {_listed([line.rail for line in fit.lines])}.")
    else:
        notes.append("No nose could be made out; all rests on the markers' places.")
    if unseen:
        notes.append(f"{_names(unseen).capitalize()} could not be made out.")
    if twice:
        notes.append(f"Left out, for it was seen at more than one place: {_names(twice)}.")
    strangers = [k for k in found if k not in listed]
    if strangers:
        notes.append(f"Seen too, but not listed in the file: {_names(strangers)}.")
    return notes


def _names(numbers: Sequence[int]) -> str:
    """Marker 3, or markers 1, 2 and 4."""
    return f"marker{'' if len(numbers) == 1 else 's'} {_listed([str(k) for k in numbers])}"


def _listed(words: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)
