"""``railpoint setup`` and ``read`` against what a user may do wrong, and ``setup --check`` from option to exit code."""

import json
import sys
import types
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from app.command_line import main
from app.commands.saved_camera import check_replaced
from calibration.ball_outline import BallOutline
from calibration.camera import PARAMETERS, Camera, Setup
from calibration.errors import InputError
from calibration.setup_check import SetupCheck
from calibration.size_over_table import SizedBall, size_over_table
from calibration.table import STANDARD_TABLES
from vision.checked import Distance, Drift, Scatter, SelfCheck, SizedPlace
from vision.resting import RestingBall

TABLE = STANDARD_TABLES["9ft"]
SETUP = Setup(
    TABLE,
    "left",
    Camera(
        1920,
        1080,
        1500.0,
        (959.5, 539.5),
        0.0,
        0.0,
        np.diag([1.0, -1.0, -1.0]),
        np.array([1.27, 0.6, 2.4]),
        covariance=1e-8 * np.eye(len(PARAMETERS)),
        residual_px=0.4,
    ),
)
SHOT = 'name = "k"\nkind = "kick"\nrails = ["left"]\nmade = "pocketed"\n[target]\npocket = "foot-right"\n'


def resting(x: float, y: float) -> RestingBall:
    outline = BallOutline(np.array([x, y]), TABLE.ball_radius_m, 1e-4, 17.0, 0.6, 0.9, 0.4)
    times = np.arange(0, 20, 0.2)
    return RestingBall("white", np.array([x, y]), 1e-4, times, np.tile([x, y], (len(times), 1)), (outline,))


def checked(setup: Setup = SETUP, tapes_m: tuple[float, ...] = ()) -> SelfCheck:
    balls = (resting(0.2, 0.2), resting(2.2, 0.2))
    pair = Distance(balls[0], balls[1], 2.0, 0.0005)
    sized = [SizedBall(b.colour, b.at_m, TABLE.ball_radius_m, 1e-5, 17.0, 0.3) for b in balls]
    return SelfCheck(
        setup=setup,
        from_s=0.0,
        until_s=20.0,
        whole=True,
        noses=SetupCheck({"head": 0.1, "left": -0.2}, -0.2, True, ""),
        balls=balls,
        places=tuple(SizedPlace(b.colour, b.at_m, 0.0572, 0.0006, "") for b in balls),
        sizes=size_over_table(sized, TABLE),
        spots=(),
        distances=(pair,),
        tapes=tuple(replace(pair, tape_m=tape) for tape in tapes_m),
        tapes_without=(),
        scatter=(Scatter(balls[0], 60, 2.0, 5e-5, 1e-4),),
        drift=Drift(balls[0], 20.0, 2e-5, 4e-5, 5e-4),
        still=np.zeros((40, 60, 3), np.uint8),
    )


@pytest.fixture
def check(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """In place of the check of films, which has its own tests."""
    fake = types.ModuleType("vision.self_check")

    def check_clip_setup(path: Path, **rest: Any) -> SelfCheck:
        fake.seen = rest  # type: ignore[attr-defined]
        rest["progress"](0.5)
        return checked(rest["setup"] or SETUP, tuple(rest["tapes_m"]))

    fake.check_clip_setup = check_clip_setup  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vision.self_check", fake)
    return fake


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("film.mp4").write_bytes(b"stands for a film")
    Path("kick.toml").write_text(SHOT)
    Path("notes.txt").write_text("not a camera")
    SETUP.save(Path("saved.json"))
    return tmp_path


def run(words: str) -> Any:
    return CliRunner().invoke(main, words.split())


def test_check_that_agrees(check: types.ModuleType) -> None:
    result = run("setup film.mp4 --check --tape 2.001 --json out.json --still still.png --camera new.json")
    assert result.exit_code == 0, result.output
    assert check.seen["setup"] is None
    assert "57.2 ± 0.6" in result.stdout
    assert "2.0000 ± 0.0005" in result.stdout
    assert "Nothing seen contradicts the camera." in result.stdout
    told = json.loads(Path("out.json").read_text())
    assert told["agrees"] is True
    assert told["contradictions"] == []
    assert Path("still.png").read_bytes().startswith(b"\x89PNG")
    assert Setup.load(Path("new.json")).table == TABLE


@pytest.mark.usefixtures("check")
def test_check_that_contradicts() -> None:
    result = run("setup film.mp4 --check --tape 2.03 --json out.json")
    assert result.exit_code == 1
    assert "Contradiction: The tape says 2.030 m where the film says 2.000 m" in result.stdout
    assert "Nothing seen contradicts" not in result.stdout
    told = json.loads(Path("out.json").read_text())
    assert told["agrees"] is False
    assert len(told["contradictions"]) == 1


def test_saved_camera_is_checked_as_it_is(check: types.ModuleType) -> None:
    before = Path("saved.json").read_bytes()
    result = run("setup film.mp4 --check --camera saved.json")
    assert result.exit_code == 0, result.output
    assert check.seen["setup"].camera.focal_px == SETUP.camera.focal_px
    assert "Checking the camera saved in saved.json" in result.stdout
    assert Path("saved.json").read_bytes() == before


@pytest.mark.usefixtures("check")
def test_camera_file_keeps_the_read_out_time() -> None:
    result = run("setup film.mp4 --check --camera new.json --readout-ms 20")
    assert result.exit_code == 0, result.output
    assert Setup.load(Path("new.json")).readout_s == 0.02


def broken(change: dict[str, Any]) -> None:
    data = SETUP.to_json()
    data["camera"].update(change)
    Path("broken.json").write_text(json.dumps(data))


@pytest.mark.usefixtures("check")
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("setup film.mp4 --tape 1.2", "add --check"),
        ("setup film.mp4 --json out.json", "add --check"),
        ("setup film.mp4 --check --tape -1", "--tape is -1"),
        ("setup film.mp4 --check --tape 120", "--tape is 120"),
        ("setup film.mp4 --camera film.mp4", "--camera would overwrite a file that this command needs"),
        ("setup film.mp4 --camera ./out.png --still out.png", "--still would overwrite"),
        ("setup film.mp4 --check --json film.mp4", "--json would overwrite"),
        ("setup film.mp4 --camera notes.txt", "is there already and is no camera file"),
        ("setup film.mp4 --check --camera notes.txt", "this is not a camera file"),
        ("setup film.mp4 --check --camera saved.json --table 8ft", "registered over a 9ft table"),
        ("setup film.mp4 --check --camera saved.json --corners 1,1", "four places as x,y"),
        ("read film.mp4 --shot kick.toml --json kick.toml", "--json would overwrite"),
        ("read film.mp4 --shot kick.toml --json film.mp4", "--json would overwrite"),
        ("read film.mp4 --shot kick.toml --camera saved.json --json saved.json", "--json would overwrite"),
        ("read film.mp4 --shot kick.toml --camera saved.json --head right", "the head rail lies at the left"),
        ("read film.mp4 --shot kick.toml --camera saved.json --table 8ft", "registered over a 9ft table"),
        ("read film.mp4 --shot kick.toml --readout-ms 200", "--readout-ms is 200; give the milliseconds"),
        ("read film.mp4 --shot kick.toml --readout-ms nan", "--readout-ms is nan; give the milliseconds"),
        ("setup film.mp4 --readout-ms 20", "--readout-ms is kept in the camera file; add --camera"),
        ("setup film.mp4 --check --camera saved.json --readout-ms 20", "left as it is by a check"),
    ],
)
def test_mistakes_are_one_sentence_and_nothing_is_lost(words: str, sentence: str, folder: Path) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    result = run(words)
    assert result.exit_code == 1, result.output
    lines = [line for line in result.stderr.splitlines() if line.strip()]
    assert len(lines) == 1, result.stderr
    assert sentence in lines[0]
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before


@pytest.mark.parametrize(
    "change", [{"rotation": np.zeros((3, 3)).tolist()}, {"focal_px": float("nan")}, {"focal_px": -1500.0}]
)
def test_camera_file_with_numbers_that_are_no_camera(change: dict[str, Any]) -> None:
    broken(change)
    result = run("read film.mp4 --shot kick.toml --camera broken.json")
    assert result.exit_code == 1
    assert "no camera" in result.stderr
    assert "make it anew with 'railpoint setup'" in result.stderr


def test_damaged_camera_file_can_be_made_anew() -> None:
    Path("broken.json").write_text(json.dumps({"schema": 0, "camera": {}}))
    check_replaced(Path("broken.json"))
    with pytest.raises(InputError, match=r"notes\.txt: this file is there already"):
        check_replaced(Path("notes.txt"))
