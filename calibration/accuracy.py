"""How well a camera places a ball, over the table: the part of the error that comes from the registration."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera, Matrix, Setup
from calibration.table import Vector

# Places at which the table is looked at, along it and across it.
ALONG, ACROSS = 17, 9


@dataclass(frozen=True)
class PlaceAccuracy:
    """Standard deviation of a ball's place in the direction in which it is worst known, metres: its mean (root mean
    square) over the table, and the largest with where it is."""

    mean_sd_m: float
    worst_sd_m: float
    worst_at_m: Vector


def place_covariance_m2(camera: Camera, places_m: Matrix, radius_m: float) -> NDArray[np.float64]:
    """What an error of the registration does to the places (n, 2) of balls, (n, 2, 2) square metres, to first order."""
    pixels = camera.project(np.column_stack([places_m, np.full(len(places_m), radius_m)]))
    sensitivity = camera.plane_sensitivity(pixels, radius_m)
    return np.asarray(np.einsum("nij,jk,nlk->nil", sensitivity, camera.covariance, sensitivity))


def place_sd_m(setup: Setup, places_m: Matrix) -> Vector:
    """Standard deviations (n,), metres, of balls at places (n, 2), in the direction in which each is worst known.

    NaN for a camera without a covariance.
    """
    camera, radius = setup.camera, setup.table.ball_radius_m
    if not np.isfinite(camera.covariance).all() or not camera.covariance.any():
        return np.full(len(places_m), np.nan)
    covariance = place_covariance_m2(camera, places_m, radius)
    return np.asarray(np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[:, -1], 0.0)))


def in_frame(setup: Setup, places_m: Matrix) -> NDArray[np.bool_]:
    """Which balls at places (n, 2) have their middle in the frame."""
    camera = setup.camera
    points = np.column_stack([places_m, np.full(len(places_m), setup.table.ball_radius_m)])
    pixels = np.nan_to_num(camera.project(points), nan=-1.0)
    return np.asarray(((pixels >= 0) & (pixels <= [camera.width - 1, camera.height - 1])).all(axis=1))


def place_accuracy(setup: Setup) -> PlaceAccuracy | None:
    """Mean and worst over all places in the frame that a ball can take; None for a camera without a covariance."""
    table, o = setup.table, setup.table.track_offset_m
    along = np.linspace(o, table.length_m - o, ALONG)
    across = np.linspace(o, table.width_m - o, ACROSS)
    places = np.array([(x, y) for x in along for y in across])
    places = places[in_frame(setup, places)]
    sd = place_sd_m(setup, places)
    if not len(sd) or not np.isfinite(sd).all():
        return None
    worst = int(np.argmax(sd))
    return PlaceAccuracy(float(np.sqrt(np.mean(sd**2))), float(sd[worst]), places[worst])
