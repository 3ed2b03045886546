"""What a clip's noise allows at best: the Cramer-Rao bounds of starts, bearings and contacts with rails.

Assumed: every frame that truly shows the ball on a leg gives one sighting of its centre; errors of sightings are
independent and Gaussian, the same in both directions; their standard deviation is that of a white ball well seen,
``SIGHTING_SD_PX`` pixels, wherever the true camera puts a pixel; the leg is straight, the place of rest is one sighting
more (compression repeats its error from frame to frame); the camera is known. So registration, occlusion at the
strike, bends after a rail and errors that neighbouring frames share come on top. A reading can beat a bound where the
outline is sharper than that.
"""

from math import nan
from typing import Any

import numpy as np

from calibration.camera import Camera
from calibration.table import Vector
from tests.known_clips import KnownClip

# Either coordinate of one sighting, pixels.
SIGHTING_SD_PX = 0.06
# A ball of which less than this is seen gives no sighting.
LEAST_VISIBLE = 0.9
# A frame exposed this close to a contact shows the ball on both legs.
SMEARED_S = 0.009
# What the errors of a place have, two coordinates, against one.
BOTH_COORDINATES = 2


def limits(clip: KnownClip) -> dict[str, Vector]:
    """Bounds (sds, SI) by quantity, one for each attempt or contact of the truth, (n,); for places of the distance."""
    camera = clip.camera()
    found: dict[str, list[float]] = {"start": [], "bearing": [], "contact": [], "miss": []}
    for true in clip.truth["shots"]:
        for what, bounds in _limits_of(true, clip, camera).items():
            found[what] += bounds
    return {what: np.array(bounds, dtype=float) for what, bounds in found.items()}


def _limits_of(true: dict[str, Any], clip: KnownClip, camera: Camera) -> dict[str, list[float]]:
    ball, rails = true["rail_ball"], len(true["intended_rails"])
    own = [c for c in true["contacts"] if c["ball"] == ball]
    rest = np.array(true["rail_ball_start"])
    rest_sd = _sd_m(rest[None], camera, clip)[0]
    out: dict[str, list[float]] = {"start": [np.sqrt(BOTH_COORDINATES) * rest_sd], "contact": [], "bearing": []}
    edges = [true["rail_ball_t_start"], *(c["t"] for c in own), clip.truth["pts"][-1]]
    others = sorted(c["t"] for c in true["ball_contacts"] if c["t"] > edges[0] + SMEARED_S and ball in (c["a"], c["b"]))
    for k in range(min(rails, len(own)) + 1):
        end = min([edges[k + 1], *(t for t in others if t > edges[k])])
        places = _sightings(clip, ball, edges[k], end)
        if k == 0:
            places = np.vstack([rest, places])
        bearing_sd, across_sd, middle, ahead = _straight_fit(places, camera, clip)
        if k == 0:
            out["bearing"].append(bearing_sd)
        if k < min(rails, len(own)):
            at = np.array([own[k]["x"], own[k]["y"]])
            normal = 1 if own[k]["rail"] in ("left", "right") else 0
            out["contact"].append(_carried(at, bearing_sd, across_sd, middle, ahead) / abs(float(ahead[normal])))
        elif k == rails:
            out["miss"] = [_carried(np.array(true["target_xy"]), bearing_sd, across_sd, middle, ahead)]
    return out


def _sightings(clip: KnownClip, ball: str, from_s: float, until_s: float) -> Vector:
    """True places (n, 2) of a ball in the frames that show it between two contacts."""
    seen, times = clip.truth["frames"][ball], np.array(clip.truth["pts"])
    frames = np.flatnonzero((times > from_s + SMEARED_S) & (times < until_s - SMEARED_S))
    shown = [k for k in frames if seen["state"][k] == "m" and (seen["visible"][k] or 0.0) >= LEAST_VISIBLE]
    return np.array([(seen["x"][k], seen["y"][k]) for k in shown], dtype=float).reshape(-1, 2)


def _sd_m(places: Vector, camera: Camera, clip: KnownClip) -> Vector:
    """Standard deviation (n,), metres, of either coordinate of a ball's centre sighted at places (n, 2)."""
    radius = clip.table.ball_radius_m
    pixels = camera.project(np.column_stack([places, np.full(len(places), radius)]))
    steps = [camera.to_plane(pixels + step, radius) - places for step in ((1.0, 0.0), (0.0, 1.0))]
    area = np.abs(steps[0][:, 0] * steps[1][:, 1] - steps[0][:, 1] * steps[1][:, 0])
    return np.asarray(SIGHTING_SD_PX * np.sqrt(area))


def _straight_fit(places: Vector, camera: Camera, clip: KnownClip) -> tuple[float, float, Vector, Vector]:
    """Of a line through sightings: sds of its bearing and, at its middle, of its place; that middle; its direction."""
    if len(places) < 2:
        return nan, nan, np.full(2, nan), np.full(2, nan)
    weight = 1 / _sd_m(places, camera, clip) ** 2
    middle = np.average(places, axis=0, weights=weight)
    ahead = places[-1] - places[0]
    ahead = ahead / np.hypot(*ahead)
    along = (places - middle) @ ahead
    return float(1 / np.sqrt(weight @ along**2)), float(1 / np.sqrt(weight.sum())), middle, ahead


def _carried(at: Vector, bearing_sd: float, across_sd: float, middle: Vector, ahead: Vector) -> float:
    """Sd across a line, at its place nearest to ``at``."""
    return float(np.hypot(across_sd, ((at - middle) @ ahead) * bearing_sd))
