"""``railpoint markers`` and the option ``--markers`` of setup and read, films being stood in for."""

import sys
import types
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from app.command_line import main
from calibration.camera import PARAMETERS, Camera, Setup
from calibration.errors import InputError
from calibration.marker_file import load_markers
from calibration.table import STANDARD_TABLES
from tests.app.scenario import reading

NINE = STANDARD_TABLES["9ft"]


def run(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "drill.mp4"
    path.write_bytes(b"stands for a film")
    return path


@pytest.fixture
def finder(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """In place of the search for markers in a film; keeps what it was asked."""
    asked: list[dict[str, Any]] = []
    camera = Camera(
        1920, 1080, 1500.0, (959.5, 539.5), 0.0, 0.0, np.diag([1.0, -1.0, -1.0]), np.array([1.27, 0.6, 2.4])
    )
    camera = replace(camera, residual_px=0.2, covariance=1e-8 * np.eye(len(PARAMETERS)))

    def setup_by_markers(path: Path, layout: Any, *, head: str | None = None) -> Any:
        if len(layout.markers) > 6:
            raise InputError(f"{path}: marker 7 does not lie as the file says")
        asked.append({"layout": layout, "head": head})
        still = np.zeros((40, 60, 3), np.uint8)
        setup = Setup(NINE, "left", camera, automatic=False)
        return types.SimpleNamespace(setup=setup, notes=("The camera was found by markers 1 to 6.",), still=still)

    fake = types.ModuleType("vision.marked")
    fake.setup_by_markers = setup_by_markers  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vision.marked", fake)
    return asked


def test_sheets_and_places_are_written_and_read_back(tmp_path: Path) -> None:
    folder = tmp_path / "to" / "print"
    result = run("markers", "--to", folder, "--table", "8ft", "--count", 8, "--size-mm", 100, "--paper", "Letter")
    assert result.exit_code == 0, result.output
    assert (folder / "markers.pdf").read_bytes().startswith(b"%PDF")
    layout = load_markers(folder / "markers.toml")
    assert (layout.table.name, len(layout.markers)) == ("8ft", 8)
    assert {m.size_m for m in layout.markers} == {0.1}
    assert "print them at 100 %" in " ".join(result.stdout.split())


def test_places_that_were_filled_in_are_not_written_over(tmp_path: Path) -> None:
    assert run("markers", "--to", tmp_path).exit_code == 0
    filled = (tmp_path / "markers.toml").read_text().replace("0.300", "0.312")
    (tmp_path / "markers.toml").write_text(filled)
    again = run("markers", "--to", tmp_path)
    assert again.exit_code == 1
    assert "there already" in again.stderr
    assert (tmp_path / "markers.toml").read_text() == filled


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--count", 3), "4 to 10"),
        (("--size-mm", 500), "cannot be printed on a4"),
        (("--paper", "a3"), "use one of a4, letter"),
        (("--table", "10ft"), "'10ft' is not known"),
    ],
)
def test_mistakes_write_nothing(tmp_path: Path, words: tuple[object, ...], sentence: str) -> None:
    result = run("markers", "--to", tmp_path / "out", *words)
    assert result.exit_code == 1
    assert sentence in " ".join(result.stderr.split())
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_made(tmp_path: Path, film: Path) -> None:
    result = run("markers", "--to", film)
    assert result.exit_code == 1
    assert "cannot be written there" in result.stderr


def test_setting_up_by_markers(finder: list[dict[str, Any]], film: Path, tmp_path: Path) -> None:
    assert run("markers", "--to", tmp_path).exit_code == 0
    file, camera, still = tmp_path / "markers.toml", tmp_path / "camera.json", tmp_path / "still.png"
    result = run("setup", film, "--markers", file, "--camera", camera, "--still", still, "--head", "left")
    assert result.exit_code == 0, result.output
    assert finder[0]["head"] == "left"
    assert finder[0]["layout"] == load_markers(file)
    assert not Setup.load(camera).automatic
    assert still.read_bytes().startswith(b"\x89PNG")
    assert "found by markers 1 to 6" in result.stdout
    assert "Take the sheets away" in result.stdout


@pytest.mark.usefixtures("finder")
def test_reading_a_film_that_shows_the_markers(film: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[dict[str, Any]] = []

    def read_clip(path: Path, shot: Any, **rest: Any) -> Any:
        asked.append(rest)
        return reading(shot=shot)

    reader = types.ModuleType("vision.read")
    reader.read_clip = read_clip  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vision.read", reader)
    assert run("markers", "--to", tmp_path).exit_code == 0
    shot, file, camera = tmp_path / "kick.toml", tmp_path / "markers.toml", tmp_path / "camera.json"
    shot.write_text(
        'name = "kick"\nkind = "kick"\nrails = ["left"]\nmade = "pocketed"\n[target]\npocket = "foot-right"'
    )
    result = run("read", film, "--shot", shot, "--no-log", "--markers", file)
    assert result.exit_code == 0, result.output
    assert asked[0]["setup"].head == "left"
    assert "found by markers 1 to 6" in result.stdout
    camera.write_text("{}")
    both = run("read", film, "--shot", shot, "--no-log", "--markers", file, "--camera", camera)
    assert both.exit_code == 1
    assert "--markers is for finding the camera" in both.stderr


@pytest.mark.usefixtures("finder")
def test_what_does_not_go_with_markers(film: Path, tmp_path: Path) -> None:
    assert run("markers", "--to", tmp_path).exit_code == 0
    file = tmp_path / "markers.toml"
    for words, sentence in (
        (("setup", film, "--markers", file, "--corners", "1,2 3,4 5,6 7,8"), "two ways to find the camera"),
        (("setup", film, "--markers", file, "--table", "8ft"), "laid on a 9ft table, but --table is 8ft"),
        (("setup", film, "--markers", tmp_path / "none.toml"), "cannot be read"),
    ):
        result = run(*words)
        assert result.exit_code == 1
        assert sentence in " ".join(result.stderr.split())


@pytest.mark.usefixtures("finder")
def test_a_misplaced_marker_ends_in_one_sentence_and_saves_nothing(film: Path, tmp_path: Path) -> None:
    assert run("markers", "--to", tmp_path, "--count", 8).exit_code == 0
    camera = tmp_path / "camera.json"
    result = run("setup", film, "--markers", tmp_path / "markers.toml", "--camera", camera)
    assert result.exit_code == 1
    assert "marker 7 does not lie as the file says" in result.stderr
    assert not camera.exists()
