"""What else is in the picture: a cue stick, a bridge hand, a hand that carries a ball. Flat shapes, drawn on top."""

from math import pi, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table
from tests.rendering.scene import Array, Colour

SKIN: Colour = (196, 148, 122)
SLEEVE: Colour = (70, 84, 96)
SHAFT: Colour = (214, 184, 138)
TIP: Colour = (60, 96, 140)
ADDRESS_S = 1.6  # how long before the strike the stick comes into the picture
LEAVE_S = 0.7  # how long after the strike it stays


def fill(levels: NDArray[np.float32], camera: Camera, corners_m: Array, colour: Colour) -> None:
    """A polygon with corners (n, 3) metres; nothing when a part of it stands behind the camera."""
    seen = camera.project(corners_m)
    if np.isfinite(seen).all():
        cv2.fillPoly(levels, [np.rint(seen * 16).astype(np.int32)], tuple(map(float, colour[::-1])), cv2.LINE_AA, 4)


def tapering(start_m: Array, end_m: Array, start_half_m: float, end_half_m: float) -> Array:
    """A tapering flat band between two places (3,)."""
    along = (end_m - start_m)[:2] / np.linalg.norm((end_m - start_m)[:2])
    side = np.array([-along[1], along[0], 0.0])
    return np.array(
        [
            start_m + side * start_half_m,
            end_m + side * end_half_m,
            end_m - side * end_half_m,
            start_m - side * start_half_m,
        ]
    )


def oval(centre_m: Array, along: Array, half_length_m: float, half_width_m: float) -> Array:
    turn = np.linspace(0, 2 * pi, 28, endpoint=False)
    side = np.array([-along[1], along[0], 0.0])
    return np.asarray(
        centre_m
        + half_length_m * np.cos(turn)[:, None] * np.append(along[:2], 0)
        + half_width_m * np.sin(turn)[:, None] * side
    )


def tip_gap_m(since_strike_s: float, speed_mps: float) -> float | None:
    """Distance from the ball's resting surface back to the stick's tip; None while there is no stick."""
    t = since_strike_s
    if not -ADDRESS_S < t < LEAVE_S:
        return None
    if t < -0.5:  # practice strokes that stop short of the ball
        return swing_gap_m(t)
    if t < -0.12:  # the last draw back
        return 0.07 + 0.09 * (t + 0.5) / 0.38
    if t < 0:  # forward, onto the ball
        return 0.16 * (t / 0.12) ** 2 if t < -1e-9 else 0.0
    if t < 0.12:  # follow through, slower than the ball
        return -min(0.35 * speed_mps * t, 0.10)
    return -0.10 + 0.9 * (t - 0.12)


def swing_gap_m(t_s: float) -> float:
    """The same while somebody swings the stick behind the ball and never strikes it."""
    return 0.07 + 0.04 * sin(2 * pi * 1.5 * t_s)


def draw_stick(
    levels: NDArray[np.float32], camera: Camera, table: Table, ball_m: Array, bearing_rad: float, gap_m: float
) -> None:
    """A stick behind a ball at rest, and the bridge hand and forearm under it."""
    along = np.array([np.cos(bearing_rad), np.sin(bearing_rad), 0.0])
    foot = np.append(ball_m, 0.0)
    back = foot - along * (table.ball_radius_m + gap_m)
    hand = foot - along * 0.22 + np.array([0, 0, max(0.03, table.sight_height_m)])
    elbow = hand - along * 0.45 + np.array([-along[1], along[0], 0.5]) * 0.25
    fill(levels, camera, tapering(hand, elbow, 0.030, 0.045), SLEEVE)
    fill(levels, camera, oval(hand, along, 0.065, 0.042), SKIN)
    rise = np.array([0.0, 0.0, 1.0])
    tip, butt = back + rise * 0.032, back - along * 1.35 + rise * 0.17
    ferrule = tip - along * 0.02
    fill(levels, camera, tapering(ferrule, butt, 0.0065, 0.014), SHAFT)
    fill(levels, camera, tapering(tip, ferrule, 0.006, 0.0065), TIP)


def draw_hand(levels: NDArray[np.float32], camera: Camera, table: Table, place_m: Array, out_m: float) -> None:
    """A hand over a place, its arm coming in over the nearer long rail; ``out_m`` draws it back that way."""
    sideways = -1.0 if place_m[1] < table.width_m / 2 else 1.0
    along = np.array([0.0, sideways, 0.0])
    hand = np.array([place_m[0], place_m[1], 0.075]) + along * (0.02 + out_m)
    arm = hand + along * 0.06
    fill(levels, camera, tapering(arm, arm + along * 0.9 + np.array([0.1, 0, 0.15]), 0.034, 0.06), SLEEVE)
    fill(levels, camera, oval(hand, along, 0.085, 0.048), SKIN)


def draw_arm(
    levels: NDArray[np.float32], camera: Camera, table: Table, middle_m: Array, along: Array, *, stick: bool = False
) -> None:
    """A sleeve that lies over the cloth, or a stick laid flat on it, its ``middle_m`` (2,) at a place; it comes in over
    the rail that lies ``along`` (2,) and ends a little before that place on the other side."""
    way = np.append(along, 0.0)
    foot = np.append(middle_m, 0.0)
    if stick:
        fill(
            levels,
            camera,
            tapering(foot - way * 0.25 + [0, 0, 0.02], foot + way * 1.1 + [0, 0, 0.06], 0.006, 0.014),
            SHAFT,
        )
        return
    fist = foot - way * 0.14 + np.array([0, 0, 0.03])
    shoulder = foot + way * (table.width_m + 0.3) + np.array([0, 0, 0.35])
    fill(levels, camera, oval(fist, way, 0.07, 0.045), SKIN)
    fill(levels, camera, tapering(fist, shoulder, 0.040, 0.065), SLEEVE)
