"""A camera by printed markers that lie on the table in a clip, for a while at least."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Setup
from calibration.errors import InputError
from calibration.marker_register import register_by_markers
from calibration.markers import MarkerLayout
from calibration.still import draw_setup
from vision.film.clip import Frame, open_clip
from vision.stands import longest_part

# Sheets are often taken away soon after the film begins: its first seconds are looked at more closely.
OPENING_S, OPENING_STILLS = 15.0, 6
MARKER_BGR = (0, 0, 255)
SHIFT_BITS = 4


@dataclass(frozen=True)
class MarkedClip:
    """The camera of a clip, sentences on how it was found, and an upright still (h, w, 3) BGR with the model drawn."""

    setup: Setup
    notes: tuple[str, ...]
    still: NDArray[np.uint8]


def setup_by_markers(path: Path, layout: MarkerLayout, *, head: str | None = None) -> MarkedClip:
    """Register the camera of a clip by markers that lie on the table, where the camera stood longest.

    The sheets may be taken away during the film; somebody in front of one for a while does no harm.
    Raises InputError when the film cannot be read, or as ``marker_register.register_by_markers`` does.
    """
    with open_clip(path) as clip:
        part = longest_part(clip)
        opening = clip.stills(OPENING_STILLS, part.from_s, min(part.until_s, part.from_s + OPENING_S))
        frames = [still.bgr() for still in _by_time([*part.stills[::2], *opening])]
        if not frames:
            raise InputError(f"{path}: not one frame of the film can be decoded; copy it anew.")
        try:
            found = register_by_markers(frames, layout, rotation_deg=clip.rotation_deg, head=head)
        except InputError as error:
            raise InputError(f"{path}: {error}") from error
        return MarkedClip(found.setup, found.notes, _drawn(frames[0], found.setup, layout, clip.rotation_deg))


def _by_time(stills: list[Frame]) -> list[Frame]:
    """Frames in order of time, each once."""
    return [still for _, still in sorted({still.time_s: still for still in stills}.items())]


def _drawn(frame: NDArray[np.uint8], setup: Setup, layout: MarkerLayout, rotation_deg: int) -> NDArray[np.uint8]:
    """The model over a frame, with the squares of the markers where the file has them."""
    picture = frame.copy()
    for marker in layout.markers:
        corners = setup.camera.project(marker.corners_m())
        if np.isfinite(corners).all():
            fixed = np.round(corners * 2**SHIFT_BITS).astype(np.int32)
            cv2.polylines(picture, [fixed], True, MARKER_BGR, 1, cv2.LINE_AA, SHIFT_BITS)
    return draw_setup(picture, setup, rotation_deg=rotation_deg)
