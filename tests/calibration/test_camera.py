"""The camera against OpenCV, round trips, height parallax, derivatives, and the camera file with its refusals."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.camera import PARAMETERS, SCHEMA, Camera, Setup
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from tests.rendering import looking_at, oblique_camera, overhead_camera

NINE = STANDARD_TABLES["9ft"]
VIEWS = {
    "above": overhead_camera(NINE, size=(1920, 1080)),
    "oblique": replace(oblique_camera(NINE, k1=-0.09, k2=0.015), centre_px=(644.3, 351.8)),
    "upright": overhead_camera(NINE, size=(720, 1280), roll_deg=90.0),
}


@pytest.mark.parametrize("view", VIEWS)
def test_project_agrees_with_opencv(view: str) -> None:
    camera = VIEWS[view]
    points = np.random.default_rng(3).uniform([0, 0, 0], [2.54, 1.27, 0.06], (200, 3))
    turn = cv2.Rodrigues(camera.rotation)[0]
    shift = -camera.rotation @ camera.position_m
    theirs, _ = cv2.projectPoints(points, turn, shift, camera.matrix, camera.distortion)
    assert camera.project(points) == pytest.approx(theirs.reshape(-1, 2), abs=1e-7)


@given(st.floats(0, 2.54), st.floats(0, 1.27), st.floats(0, 0.06), st.sampled_from(sorted(VIEWS)))
@settings(deadline=None, derandomize=True, max_examples=100)
def test_plane_and_picture_there_and_back(x: float, y: float, height: float, view: str) -> None:
    camera = VIEWS[view]
    pixel = camera.project(np.array([[x, y, height]]))
    assert camera.to_plane(pixel, height)[0] == pytest.approx([x, y], abs=1e-8)


@pytest.mark.parametrize(
    ("height_m", "aside_m", "outward_mm"), [(2.5, 1.27, 14.684), (2.5, 0.635, 7.342), (3.0, 1.27, 12.213)]
)
def test_height_parallax_of_a_ball(height_m: float, aside_m: float, outward_mm: float) -> None:
    """A centre at height R seen from height H at distance r falls r R / (H - R) too far out on the cloth (geometry)."""
    camera = looking_at((0.0, 0.0, height_m), (0.0, 0.0, 0.0), focal_px=600)
    for direction in (0.0, 1.0, 4.0):
        along = np.array([np.cos(direction), np.sin(direction)])
        pixel = camera.project(np.array([[*(aside_m * along), 0.028575]]))
        on_cloth = camera.to_plane(pixel, 0.0)[0]
        assert (on_cloth @ along - aside_m) * 1000 == pytest.approx(outward_mm, abs=5e-4)


def test_pixel_zero_is_the_centre_of_the_first_pixel() -> None:
    camera = looking_at((0, 0, 2.0), (0, 0, 0), size=(640, 480), focal_px=500)
    assert camera.project(np.array([[0, 0, 0.0]]))[0] == pytest.approx([319.5, 239.5])
    # Picture right is table x, picture down is -y, for a camera that looks down with y up the picture.
    assert camera.project(np.array([[0.4, 0.2, 0.0]]))[0] == pytest.approx([319.5 + 100, 239.5 - 50])


def test_nothing_is_seen_behind_the_camera_or_above_the_horizon() -> None:
    camera = VIEWS["oblique"]
    behind = camera.position_m - 2 * camera.rotation[2]
    assert np.isnan(camera.project(behind[None])).all()
    level = looking_at((0, 0, 1.0), (1, 0, 1.0), up=(0.0, 0.0, 1.0))
    assert np.isnan(level.to_plane(np.array([[639.5, 100.0]]), 0.0)).all()
    assert np.isfinite(level.to_plane(np.array([[639.5, 600.0]]), 0.0)).all()


@pytest.mark.parametrize("view", VIEWS)
def test_plane_jacobian_is_the_slope_of_to_plane(view: str) -> None:
    camera = VIEWS[view]
    pixels = camera.project(np.array([[0.3, 0.2, 0.028], [2.2, 1.1, 0.028]]))
    slope = camera.plane_jacobian(pixels, 0.028)
    step = np.array([0.02, -0.03])
    moved = camera.to_plane(pixels + step, 0.028) - camera.to_plane(pixels - step, 0.028)
    assert 2 * slope @ step == pytest.approx(moved, rel=1e-4, abs=1e-9)


@pytest.mark.parametrize("name", PARAMETERS)
def test_plane_sensitivity_predicts_a_small_change(name: str) -> None:
    camera = VIEWS["oblique"]
    pixels = camera.project(np.array([[0.3, 0.2, 0.028], [2.2, 1.1, 0.028]]))
    step = np.zeros(len(PARAMETERS))
    step[PARAMETERS.index(name)] = 1e-5 if name.startswith(("log", "turn", "pos")) else 1e-3
    moved = (camera.moved(step).to_plane(pixels, 0.028) - camera.moved(-step).to_plane(pixels, 0.028)) / 2
    assert camera.plane_sensitivity(pixels, 0.028) @ step == pytest.approx(moved, rel=5e-3, abs=1e-10)


def test_a_turned_camera_turns_all_bearings() -> None:
    """Straight above, an unsure turn about the axis is the common turn, one to one; unsure height turns nothing."""
    camera = looking_at((1.27, 0.635, 2.8), (1.27, 0.635, 0), focal_px=1200)
    covariance = np.zeros((len(PARAMETERS), len(PARAMETERS)))
    covariance[PARAMETERS.index("turn_z"), PARAMETERS.index("turn_z")] = 0.001**2
    assert replace(camera, covariance=covariance).common_bearing_sd_rad(NINE) == pytest.approx(0.001, rel=1e-3)
    covariance[:] = 0
    covariance[PARAMETERS.index("pos_z"), PARAMETERS.index("pos_z")] = 0.01**2
    assert replace(camera, covariance=covariance).common_bearing_sd_rad(NINE) == pytest.approx(0, abs=1e-9)


def test_scale_and_elevation() -> None:
    camera = looking_at((1.27, 0.635, 2.8), (1.27, 0.635, 0), focal_px=1200)
    assert camera.mm_per_px(NINE) == pytest.approx((2800 - 28.575) / 1200, rel=1e-6)
    assert camera.elevation_deg(NINE) == pytest.approx(90)
    aside = looking_at((1.27, 0.635 - 2.0, 2.0), (1.27, 0.635, 0), focal_px=1200)
    assert aside.elevation_deg(NINE) == pytest.approx(45)


def _setup() -> Setup:
    camera = replace(
        VIEWS["oblique"],
        covariance=np.diag(np.arange(1.0, 12.0)) * 1e-6,
        determined={"focal": True, "height": False},
        residual_px=0.41,
    )
    return Setup(NINE, "bottom", camera, automatic=False, readout_s=0.021)


def test_setup_comes_back_from_its_file(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    setup = _setup()
    setup.save(path)
    read = Setup.load(path)
    assert (read.table, read.head, read.automatic, read.readout_s) == (setup.table, "bottom", False, 0.021)
    for name in ("width", "height", "focal_px", "centre_px", "k1", "k2", "determined", "residual_px"):
        assert getattr(read.camera, name) == getattr(setup.camera, name), name
    for name in ("rotation", "position_m", "covariance"):
        assert getattr(read.camera, name) == pytest.approx(getattr(setup.camera, name), abs=0), name


def test_a_file_from_before_read_outs_were_kept_is_read(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    _setup().save(path)
    path.write_text(json.dumps(_without(json.loads(path.read_text()), "readout_s")))
    assert Setup.load(path).readout_s is None


def test_an_unknown_residual_stays_unknown(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    Setup(NINE, "left", VIEWS["above"]).save(path)
    assert json.loads(path.read_text())["camera"]["residual_px"] is None
    assert np.isnan(Setup.load(path).camera.residual_px)


def _without(data: dict[str, Any], *keys: str) -> dict[str, Any]:
    for key in keys[:-1]:
        data = data[key]
    del data[keys[-1]]
    return data


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda d: d.update(schema=2), "not a camera file of schema 1"),
        (lambda d: _without(d, "schema"), "not a camera file of schema 1"),
        (lambda d: _without(d, "table"), "the table in the camera file is incomplete"),
        (lambda d: _without(d, "table", "length_m"), "the table in the camera file is incomplete"),
        (lambda d: d["table"].update(colour="green"), "the table in the camera file is incomplete"),
        (lambda d: _without(d, "head"), "the table in the camera file is incomplete"),
        (lambda d: _without(d, "camera", "focal_px"), "'focal_px' is missing or not a number"),
        (lambda d: d["camera"].update(k1="wide"), "missing or not a number"),
        (lambda d: d["camera"].update(rotation=[1, 2, 3]), "missing or not a number"),
        (lambda d: d["camera"].update(centre_px=[1]), "missing or not a number"),
        (lambda d: d["camera"].update(covariance=None), "missing or not a number"),
        (lambda d: d.update(camera=[]), "missing or not a number"),
        (lambda d: d.update(table=[]), "the table in the camera file is incomplete"),
        (lambda d: d["table"].update(length_m="long"), "the table in the camera file is incomplete"),
    ],
)
def test_spoilt_camera_files_are_refused(tmp_path: Path, spoil: Any, sentence: str) -> None:
    path = tmp_path / "camera.json"
    _setup().save(path)
    data = json.loads(path.read_text())
    assert data["schema"] == SCHEMA
    spoil(data)
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match=sentence) as caught:
        Setup.load(path)
    assert str(path) in str(caught.value)


@pytest.mark.parametrize("content", ["", "not json", "[]", "3", '{"schema": 1'])
def test_other_files_are_refused(tmp_path: Path, content: str) -> None:
    path = tmp_path / "other.json"
    path.write_text(content)
    with pytest.raises(InputError, match="not a camera file"):
        Setup.load(path)


def test_files_that_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        Setup.load(tmp_path / "none.json")
    with pytest.raises(InputError, match="cannot be written"):
        _setup().save(tmp_path / "no" / "such" / "folder.json")


def test_camera_json_has_every_parameter() -> None:
    data = _setup().camera.to_json()
    assert data["parameters"] == list(PARAMETERS)
    assert np.shape(data["covariance"]) == (11, 11)
    assert Camera.from_json(data, "here").focal_px == VIEWS["oblique"].focal_px
