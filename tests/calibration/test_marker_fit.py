"""The camera from markers' corners: exact from exact ones, as uncertain as it says from markers laid with errors."""

import numpy as np
import pytest

from calibration.camera import Camera
from calibration.camera_fit import FOCAL_OVER_LONG_SIDE, LOG_FOCAL_SD, LinePoints, rail_points
from calibration.marker_fit import CORNER_SD_PX, PRINT_SCALE_SD, fit_markers, start_cameras
from calibration.markers import Marker, SeenMarker
from tests.calibration.marked_stills import NINE, layout, truly_laid
from tests.known_stills import camera_error
from tests.rendering import oblique_camera, overhead_camera

OBLIQUE = oblique_camera(NINE, size=(1080, 1920), focal_px=1500.0, k1=-0.05, k2=0.005)
OVERHEAD = overhead_camera(NINE, size=(1920, 1080))


def seen_by(camera: Camera, markers: list[Marker], noise_px: float, random: np.random.Generator) -> list[SeenMarker]:
    scale = 1 + (random.normal(0, PRINT_SCALE_SD) if noise_px else 0.0)
    return [
        SeenMarker(m.id, camera.project(m.corners_m(scale=scale)) + random.normal(0, noise_px, (4, 2))) for m in markers
    ]


def noses(camera: Camera, random: np.random.Generator, noise_px: float = 0.1) -> list[LinePoints]:
    lines = []
    for rail in ("right", "left", "head"):
        length = float(np.linalg.norm(np.diff(NINE.nose_segment(rail), axis=0)))
        along = np.linspace(0.12, length - 0.12, 25)
        points, _ = rail_points(NINE, rail, along, 0.0, NINE.nose_height_m)
        pixels = camera.project(points) + random.normal(0, noise_px, (25, 2))
        lines.append(
            LinePoints(
                rail=rail,
                kind="nose",
                along_m=along,
                pixels=pixels,
                sd_px=np.full(25, noise_px),
                common_sd_px=0.05,
                turn_sd_px=0.015,
            )
        )
    return lines


def test_exact_corners_give_the_exact_camera() -> None:
    seen = seen_by(OBLIQUE, list(layout().markers), 0.0, np.random.default_rng(1))
    fit = fit_markers(seen, layout(), start_cameras(seen, layout(), (1080, 1920))[0])
    assert camera_error(fit.camera, OBLIQUE, NINE).worst_m < 0.0004
    assert fit.camera.focal_px == pytest.approx(OBLIQUE.focal_px, rel=0.01)
    assert max(fit.strain.values()) < 0.3
    assert fit.camera.residual_px < 0.05


def test_the_lens_to_start_with_does_not_matter() -> None:
    """Straight down focal length and height trade off along a valley; every start must cross it to the same place."""
    seen = seen_by(OVERHEAD, list(layout().markers), 0.0, np.random.default_rng(1))
    starts = start_cameras(seen, layout(), (1920, 1080))
    assert max(c.focal_px for c in starts) > 2 * min(c.focal_px for c in starts)
    fits = [fit_markers(seen, layout(), start) for start in starts]
    assert [f.camera.focal_px for f in fits] == pytest.approx([fits[0].camera.focal_px] * len(fits), rel=1e-4)
    assert [f.cost for f in fits] == pytest.approx([fits[0].cost] * len(fits), abs=1e-3)
    assert not fits[0].camera.determined["focal"]


@pytest.mark.parametrize(("view", "with_noses"), [("oblique", False), ("overhead", False), ("oblique", True)])
def test_stated_covariance_is_the_scatter_of_repeated_layings(view: str, with_noses: bool) -> None:
    """Sheets laid anew each time, with the sd stated, and a lens drawn from its priors."""
    random = np.random.default_rng(17)
    squares, turns = [], []
    for _ in range(14):
        step = np.concatenate([[0.0], random.normal(0, 8, 2), random.normal(0, [0.02, 0.005]), np.zeros(6)])
        true = OBLIQUE
        if view == "overhead":
            true = OVERHEAD
            longer = FOCAL_OVER_LONG_SIDE * true.width * np.exp(random.normal(0, LOG_FOCAL_SD)) / true.focal_px
            step[0], step[10] = np.log(longer), (longer - 1) * true.position_m[2]
        drawn = true.moved(step)
        seen = seen_by(drawn, truly_laid(layout(), random), CORNER_SD_PX / np.sqrt(2), random)
        fit = fit_markers(seen, layout(), true, noses(drawn, random) if with_noses else ())
        error = camera_error(fit.camera, drawn, NINE)
        squares.append((error.rms_m / error.stated_rms_m) ** 2)
        turns.append(error.turn_rad / error.stated_turn_rad)
        assert error.stated_rms_m < (0.001 if with_noses else 0.003)
    assert 0.4 < np.mean(squares) < 1.7
    assert 0.6 < np.sqrt(np.mean(np.square(turns))) < 1.5


def test_four_sharp_corners_do_not_pass_for_four_measurements() -> None:
    """Corners ten times sharper leave the camera as uncertain as the sheets were laid."""
    seen = seen_by(OBLIQUE, list(layout().markers), 0.0, np.random.default_rng(1))
    fit = fit_markers(seen, layout(), OBLIQUE)
    stated = camera_error(fit.camera, OBLIQUE, NINE).stated_rms_m
    # Six places of 2 mm each cannot place the table better than 2 mm / sqrt(6).
    assert stated > 0.002 / np.sqrt(6)


def test_points_that_are_not_on_the_nose_are_left_out() -> None:
    random = np.random.default_rng(3)
    seen = seen_by(OBLIQUE, list(layout().markers), 0.1, random)
    lines = noses(OBLIQUE, random)
    lines[0].pixels[5:7] += 6.0
    fit = fit_markers(seen, layout(), OBLIQUE, lines)
    assert [len(line.pixels) for line in fit.lines] == [23, 25, 25]
    assert camera_error(fit.camera, OBLIQUE, NINE).worst_m < 0.002
