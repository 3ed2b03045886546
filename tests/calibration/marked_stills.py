"""Stills of tables with printed markers on them, laid with errors as a person lays them."""

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.marker_file import RailPlace, default_places
from calibration.markers import Marker, MarkerLayout
from calibration.table import STANDARD_TABLES
from tests.rendering import RED, WHITE, Ball, Look, Stage, looking_at, overhead_camera
from tests.rendering.picture import with_noise
from tests.rendering.sheets import Sheet, put_sheets

NINE = STANDARD_TABLES["9ft"]
SIZE_M, CUT_EDGE_M, PLACE_SD_M = 0.12, 0.12, 0.002
PAPER_M = (0.105, 0.105, CUT_EDGE_M, 0.115)
# Cloth, rails and floor of one colour: the table is not found by itself.
GREY = Look(cloth=(120, 120, 120), rail=(118, 119, 120), floor=(120, 120, 120), sight="dot")
VIEWS: dict[str, tuple[Camera, Look]] = {
    "from above": (overhead_camera(NINE, size=(960, 540)), GREY),
    # From beside the head, the foot end outside the picture.
    "cut off": (looking_at((0.7, -0.3, 2.1), (0.62, 0.6, 0.0), size=(960, 540), focal_px=770.0, k1=-0.05), Look()),
}


def layout(places: list[RailPlace] | None = None) -> MarkerLayout:
    """As the file says: six markers at the default places, or others."""
    laid = [p.marker(NINE, SIZE_M, CUT_EDGE_M) for p in places or default_places(NINE, 6)]
    return MarkerLayout(NINE, tuple(laid), PLACE_SD_M, CUT_EDGE_M)


def truly_laid(file: MarkerLayout, random: np.random.Generator) -> list[Marker]:
    """The same markers where a person laid them, with errors of the sd stated."""
    return [
        replace(
            m,
            centre_m=(m.centre_m[0] + random.normal(0, PLACE_SD_M), m.centre_m[1] + random.normal(0, PLACE_SD_M)),
            turn_rad=m.turn_rad + random.normal(0, PLACE_SD_M / 0.15),
        )
        for m in file.markers
    ]


def moved(file: MarkerLayout, number: int, x_m: float = 0.0, y_m: float = 0.0, turn_rad: float = 0.0) -> MarkerLayout:
    """A file that puts one marker elsewhere than it lies."""
    return replace(
        file,
        markers=tuple(
            replace(m, centre_m=(m.centre_m[0] + x_m, m.centre_m[1] + y_m), turn_rad=m.turn_rad + turn_rad)
            if m.id == number
            else m
            for m in file.markers
        ),
    )


@cache
def laid_on(view: str) -> list[Marker]:
    return truly_laid(layout(), np.random.default_rng(list(VIEWS).index(view) + 5))


def true_place(view: str, number: int) -> tuple[float, float]:
    return next(m.centre_m for m in laid_on(view) if m.id == number)


@cache
def still(view: str, sheets: bool = True) -> NDArray[np.uint8]:
    """Two balls and, with ``sheets``, the six markers, truly laid."""
    camera, look = VIEWS[view]
    stage = Stage.build(camera, NINE, look, samples=3)
    if sheets:
        stage = put_sheets(stage, [Sheet(m, PAPER_M) for m in laid_on(view)], samples=3)
    return with_noise(stage.still([Ball(0.9, 0.5, WHITE), Ball(1.4, 0.9, RED)]), 1.5, np.random.default_rng(2))
