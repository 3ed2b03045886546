"""Overlays to look at: each attempt as it was measured, over its film and beside the truth (``--to FOLDER``).

One picture an attempt, the frame at the end of its last leg that counts, turned upright. Measured things are put on
the picture by the camera that was found, true ones by the true camera: where the two agree, both stand on the ball.
"""

from collections.abc import Sequence
from math import degrees
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Vector
from tests.known_clips import SAME_STROKE_S, KnownClip, footage_clips, sample_clip
from vision.read import read_clip, setup_clip
from vision.reading import Attempt

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Blue, green, red.
MEASURED: Colour = (0, 220, 255)
TRUE: Colour = (255, 80, 255)
AIMED_AT: Colour = (80, 255, 80)
# Fractions of a pixel that OpenCV draws to, as a power of two.
SHIFT = 4
QUARTER_TURNS = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}
LINE_HEIGHT_PX = 34
# A close view of the start, of each contact and of the target shows so much to each side, in a square so large.
CLOSE_M, CLOSE_SIDE_PX = 0.09, 300


def run(to: Path | None = None, clips: Sequence[str] | None = None) -> list[dict[str, str]]:
    """One row a picture written; nothing is read without a folder to write to."""
    if to is None:
        return [{"overlays": "not drawn; name a folder with --to FOLDER"}]
    to.mkdir(parents=True, exist_ok=True)
    rows = []
    for clip in [sample_clip(), *footage_clips()]:
        if not clips or any(word in clip.name for word in clips):
            rows += [{"overlays": str(path)} for path in draw_clip(clip, to)]
    return rows


def draw_clip(clip: KnownClip, to: Path) -> list[Path]:
    """Read a clip with its camera found anew, and write a picture of every attempt."""
    setup, _ = setup_clip(clip.path)
    reading = read_clip(clip.path, clip.shot, setup=setup)
    moments = [_moment_s(attempt, clip) for attempt in reading.attempts]
    frames, rotation = _frames(clip.path, moments)
    written = []
    for number, (attempt, picture) in enumerate(zip(reading.attempts, frames, strict=True), 1):
        path = to / f"{clip.name}.{number}.png"
        cv2.imwrite(str(path), draw_attempt(picture, attempt, clip, setup.camera, rotation))
        written.append(path)
    return written


def draw_attempt(picture: Picture, attempt: Attempt, clip: KnownClip, camera: Camera, rotation: int) -> Picture:
    """A stored frame with an attempt and its truth drawn over it, upright, close views beneath it."""
    true = _truth_of(attempt, clip)
    drawn = picture.copy()
    sketch = _Sketch(drawn, clip.table.ball_radius_m)
    if true is not None:
        sketch.path(_true_path(true, clip), clip.camera(), TRUE)
        sketch.ball(np.array(true["rail_ball_start"]), clip.camera(), TRUE)
        for contact in _own(true)[: len(true["intended_rails"])]:
            sketch.ball(np.array([contact["x"], contact["y"]]), clip.camera(), TRUE)
    sketch.path(attempt.path_m[:, 1:], camera, MEASURED)
    sketch.ball(attempt.start_m, camera, MEASURED)
    for hit in attempt.contacts:
        sketch.ball(hit.at_m, camera, MEASURED)
    target = _target(attempt, clip)
    sketch.cross(target, camera, AIMED_AT)
    places = [attempt.start_m, *(hit.at_m for hit in attempt.contacts), target]
    close = [_close_view(drawn, camera, place, clip.table.ball_radius_m, rotation) for place in places]
    upright = _upright(drawn, rotation)
    _write(upright, _words(attempt, true, clip))
    return _with_row(upright, close)


class _Sketch:
    """Draws places of ball centres onto a stored frame."""

    def __init__(self, picture: Picture, radius_m: float) -> None:
        self.picture, self.radius_m = picture, radius_m

    def _pixels(self, places_m: Vector, camera: Camera) -> NDArray[np.int32]:
        seen = camera.project(np.column_stack([places_m, np.full(len(places_m), self.radius_m)]))
        return np.rint(seen[np.isfinite(seen).all(axis=1)] * 2**SHIFT).astype(np.int32)

    def path(self, places_m: Vector, camera: Camera, colour: Colour) -> None:
        pixels = self._pixels(places_m[np.isfinite(places_m).all(axis=1)], camera)
        # The truth is wider, so that it shows on both sides of what was measured.
        width = 3 if colour == TRUE else 1
        cv2.polylines(self.picture, [pixels.reshape(-1, 1, 2)], False, colour, width, cv2.LINE_AA, SHIFT)

    def ball(self, place_m: Vector, camera: Camera, colour: Colour) -> None:
        """The circle on the table that is as wide as the ball, at the height of its centre."""
        angle = np.linspace(0, 2 * np.pi, 49)
        self.path(place_m + self.radius_m * np.column_stack([np.cos(angle), np.sin(angle)]), camera, colour)
        self.cross(place_m, camera, colour, 0.25)

    def cross(self, place_m: Vector, camera: Camera, colour: Colour, radii: float = 1.0) -> None:
        for axis in np.eye(2):
            arm = radii * self.radius_m * axis
            self.path(np.array([place_m - arm, place_m + arm]), camera, colour)


def _truth_of(attempt: Attempt, clip: KnownClip) -> dict[str, Any] | None:
    near = [s for s in clip.truth["shots"] if abs(s["t_strike"] - attempt.t_s) < SAME_STROKE_S]
    return near[0] if near else None


def _own(true: dict[str, Any]) -> list[dict[str, Any]]:
    return [c for c in true["contacts"] if c["ball"] == true["rail_ball"]]


def _true_path(true: dict[str, Any], clip: KnownClip) -> Vector:
    """True places (n, 2) of the kicked or banked ball from its start until it no longer moves by itself."""
    seen = clip.truth["frames"][true["rail_ball"]]
    places = [true["rail_ball_start"]]
    for k in range(clip.frame_before(true["rail_ball_t_start"]) + 1, len(clip.truth["pts"])):
        if seen["state"][k] != "m":
            break
        places.append([seen["x"][k], seen["y"][k]])
    return np.array(places, dtype=float)


def _target(attempt: Attempt, clip: KnownClip) -> Vector:
    """The point that the path should pass through, from where the waiting ball truly lay."""
    waiting = None
    if clip.shot.kind == "kick" and "obj" in clip.truth["frames"]:
        waiting = clip.place_m("obj", max(clip.frame_before(attempt.t_s) - 1, 0))
    return clip.shot.target_point_m(clip.table, waiting)


def _moment_s(attempt: Attempt, clip: KnownClip) -> float:
    """When the ball is well on the leg after the last rail named, or was last seen."""
    rails = len(clip.shot.rails)
    last = float(attempt.path_m[-1, 0])
    return min(attempt.contacts[rails - 1].t_s + 0.4, last) if len(attempt.contacts) >= rails else last


def _frames(path: Path, moments_s: Sequence[float]) -> tuple[list[Picture], int]:
    """The stored frames shown at some moments, in order, and the clockwise turn that shows them upright."""
    waiting, found, rotation = sorted(moments_s), [], 0
    with av.open(str(path)) as film:
        for frame in film.decode(video=0):
            rotation = -frame.rotation % 360
            while waiting and float(frame.time or 0.0) >= waiting[0]:
                found.append(np.asarray(frame.to_ndarray(format="bgr24"), np.uint8))
                waiting.pop(0)
            if not waiting:
                break
    return found, rotation


def _upright(picture: Picture, rotation: int) -> Picture:
    return cv2.rotate(picture, QUARTER_TURNS[rotation]) if rotation else picture.copy()


def _close_view(picture: Picture, camera: Camera, place_m: Vector, radius_m: float, rotation: int) -> Picture:
    """What lies round a place, enlarged, upright."""
    x, y = camera.project(np.array([[*place_m, radius_m]]))[0]
    beside = camera.project(np.array([[*place_m + [CLOSE_M, 0.0], radius_m], [*place_m + [0.0, CLOSE_M], radius_m]]))
    half = float(np.hypot(*(beside - [x, y]).T).max())
    matrix = np.array([[1.0, 0.0, half - x], [0.0, 1.0, half - y]]) * CLOSE_SIDE_PX / (2 * half)
    size = (CLOSE_SIDE_PX, CLOSE_SIDE_PX)
    return _upright(np.asarray(cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_LINEAR), np.uint8), rotation)


def _words(attempt: Attempt, true: dict[str, Any] | None, clip: KnownClip) -> list[tuple[str, Colour]]:
    flags = ", ".join(attempt.flags) or "no flags"
    lines = [
        (
            f"measured: {attempt.t_s:.3f} s, {degrees(attempt.bearing_rad):.2f} deg, {attempt.speed_mps:.2f} m/s, "
            f"miss {1000 * attempt.miss_m:+.1f} mm, {attempt.outcome}, {flags}",
            MEASURED,
        )
    ]
    if true is None:
        return [*lines, ("no such attempt in truth", TRUE)]
    bearing = degrees(true["rail_ball_line_dir"]) % 360
    try:
        miss = f"{1000 * clip.miss_m(true):+.1f} mm"
    except IndexError:
        miss = "none: never got onto that leg"
    made = "made" if true["made"] else "missed"
    return [*lines, (f"true: {true['t_strike']:.3f} s, {bearing:.2f} deg, miss {miss}, {made}", TRUE)]


def _write(picture: Picture, lines: Sequence[tuple[str, Colour]]) -> None:
    cv2.rectangle(picture, (0, 0), (picture.shape[1], LINE_HEIGHT_PX * len(lines) + 8), (0, 0, 0), -1)
    scale = min(picture.shape[1] / 1500, 0.8)
    for k, (text, colour) in enumerate(lines):
        at = (8, LINE_HEIGHT_PX * (k + 1) - 6)
        cv2.putText(picture, text, at, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, 1, cv2.LINE_AA)


def _with_row(picture: Picture, close: Sequence[Picture]) -> Picture:
    """The picture with close views in a row below it, as many as there is room for."""
    row = np.zeros((CLOSE_SIDE_PX, picture.shape[1], 3), np.uint8)
    for k, view in enumerate(close[: picture.shape[1] // (CLOSE_SIDE_PX + 4)]):
        left = k * (CLOSE_SIDE_PX + 4)
        row[:, left : left + CLOSE_SIDE_PX] = view
    return np.asarray(np.vstack([picture, row]), np.uint8)
