"""The command line: each command once, and every mistake of the user's in one sentence with the log untouched."""

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import types
from dataclasses import replace
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from sqlalchemy import Engine
from typer.main import get_command
from typer.testing import CliRunner

from app.command_line import COMMANDS, main
from app.entry.vocabulary import EXAMPLE
from app.store.log import store_reading
from app.store.log_views import list_attempts, list_sessions
from calibration.camera import PARAMETERS, Camera, Setup
from calibration.errors import InputError
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, attempt, reading

SHOT = """
name = "one rail to the foot-right corner"
kind = "kick"
rails = ["left"]
made = "pocketed"
[target]
ball = [2.464, 0.075]
pocket = "foot-right"
[stroke]
speed = "medium"
"""


def run(*words: object) -> Any:
    return CliRunner().invoke(main, [str(word) for word in words])


def refused(result: Any, words: str) -> None:
    """One sentence on standard error, nothing on standard output, exit code 1."""
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("railpoint: ")
    assert words in lines[0]
    assert lines[0].endswith((".", ")"))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("nope", "no such command 'nope'"),
        ("read", "missing argument 'clip'"),
        ("card", "missing option '--shot'"),
        ("fit --sinse 2026-01-01", "no such option: --sinse"),
        ("--nope", "no such option: --nope"),
        ("rates --by foot", "invalid value for '--by': 'foot' is not one of"),
        ("enter --shot a --withdraw x", "'--withdraw': input should be a valid integer; 'railpoint enter --help'"),
    ],
)
def test_command_line_that_cannot_be_understood(line: str, words: str) -> None:
    refused(run(*line.split()), words)


def test_the_list_of_commands_says_what_each_says_of_itself() -> None:
    group = get_command(main)
    for name, place in COMMANDS.items():
        command = group.get_command(None, name)  # type: ignore[attr-defined]
        assert command.name == name
        assert command.get_short_help_str(100) == place.summary


def test_help_loads_no_command() -> None:
    told = "import sys; from app.command_line import main; main(['--help'], standalone_mode=False); "
    told += "sys.exit([name for name in ('numpy', 'fastapi', 'sqlalchemy') if name in sys.modules] or None)"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Read a clip's attempts into the log." in done.stdout


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    path = tmp_path / "kick.toml"
    path.write_text(SHOT)
    return path


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "drill.mp4"
    path.write_bytes(b"stands for a film")
    return path


@pytest.fixture
def reader(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """In place of the reading of films, which has its own tests: gives the scenario, or raises what is put in."""
    fake = types.ModuleType("vision.read")
    camera = Camera(
        1920, 1080, 1500.0, (959.5, 539.5), 0.0, 0.0, np.diag([1.0, -1.0, -1.0]), np.array([1.27, 0.6, 2.4])
    )
    setup = Setup(
        TABLE,
        "left",
        replace(
            camera,
            residual_px=0.4,
            determined={"focal": False, "distortion": True},
            covariance=1e-8 * np.eye(len(PARAMETERS)),
        ),
    )

    def read_clip(path: Path, shot: Any, **rest: Any) -> Any:
        if getattr(fake, "fails", None):
            raise InputError(str(fake.fails))  # type: ignore[attr-defined]
        rest["progress"](0.5)
        fake.seen = rest  # type: ignore[attr-defined]
        return reading(shot=shot)

    def setup_clip(path: Path, **rest: Any) -> tuple[Setup, Any]:
        fake.seen = rest  # type: ignore[attr-defined]
        return setup, np.zeros((40, 60, 3), dtype=np.uint8)

    fake.read_clip, fake.setup_clip = read_clip, setup_clip  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vision.read", fake)
    return fake


@pytest.fixture
def stored(engine: Engine, own_data_dir: Path) -> str:
    """A log with one session, and its fingerprint."""
    store_reading(engine, reading(), clip())
    return fingerprint(own_data_dir)


def fingerprint(folder: Path) -> str:
    with_wal = sorted(p for p in folder.glob("railpoint.sqlite3*") if not p.name.endswith("-shm"))
    return hashlib.sha256(b"".join(p.read_bytes() for p in with_wal)).hexdigest()


@pytest.mark.usefixtures("reader")
def test_reading_a_clip(engine: Engine, film: Path, shot: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    result = run("read", film, "--shot", shot, "--json", out, "--player", "A. Player")
    assert result.exit_code == 0, result.output
    assert "long by 0.7 ball-widths" in result.stdout
    assert "Logged 5 attempts in session 1." in result.stdout
    assert json.loads(out.read_text()) == reading().to_json()
    assert len(list_attempts(engine)) == 5
    again = run("read", film, "--shot", shot)
    assert again.exit_code == 0
    assert "in the log for this shot already (session 1); nothing was added" in again.stdout
    assert len(list_attempts(engine)) == 5


@pytest.mark.usefixtures("reader")
def test_reading_a_clip_anew(engine: Engine, film: Path, shot: Path) -> None:
    run("read", film, "--shot", shot)
    before = {a.id for a in list_attempts(engine)}
    assert "--anew" in run("read", film, "--shot", shot).stdout
    again = run("read", film, "--shot", shot, "--anew")
    assert "Logged 5 attempts in session 1 in place of 5 that were taken out." in again.stdout
    assert len(list_attempts(engine)) == 5
    assert not before & {a.id for a in list_attempts(engine)}
    assert len(list_attempts(engine, withdrawn=True)) == 10
    refused(run("read", film, "--shots", shot.parent, "--anew"), "--anew is for a clip of one drill")


def test_corners_given(reader: types.ModuleType, film: Path, shot: Path, tmp_path: Path) -> None:
    corners = "410,180  1510.5,176 1516,902 405,-8"
    told = [[410, 180], [1510.5, 176], [1516, 902], [405, -8]]
    assert run("setup", film, "--corners", corners).exit_code == 0
    assert reader.seen["corners_px"].tolist() == told
    assert run("read", film, "--shot", shot, "--no-log", "--corners", corners).exit_code == 0
    assert reader.seen["corners_px"].tolist() == told
    camera = tmp_path / "camera.json"
    assert run("setup", film, "--camera", camera).exit_code == 0
    both = run("read", film, "--shot", shot, "--corners", corners, "--camera", camera)
    assert both.exit_code == 1
    assert "give one of them" in both.stderr


@pytest.mark.parametrize(
    "corners", ["", "1,2 3,4 5,6", "1,2 3,4 5,6 7", "1 2 3 4", "a,b c,d e,f g,h", "1,2 3,4 5,6 7,nan"]
)
@pytest.mark.usefixtures("reader")
def test_corners_misspelt_end_in_one_sentence(film: Path, corners: str) -> None:
    result = run("setup", film, "--corners", corners)
    assert result.exit_code == 1
    assert "four places as x,y" in " ".join(result.stderr.split())


@pytest.mark.usefixtures("reader")
def test_reading_without_the_log(film: Path, shot: Path, own_data_dir: Path) -> None:
    result = run("read", film, "--shot", shot, "--no-log")
    assert result.exit_code == 0
    assert "Logged" not in result.stdout
    assert not own_data_dir.exists()


def test_setting_up_and_reading_with_the_camera(
    reader: types.ModuleType, film: Path, shot: Path, tmp_path: Path
) -> None:
    camera, still = tmp_path / "camera.json", tmp_path / "still.png"
    result = run("setup", film, "--camera", camera, "--still", still)
    assert result.exit_code == 0, result.output
    assert "does not tell the focal length" in result.stdout
    assert re.search(r"places a ball to \d\.\d\d mm .*, at worst to \d\.\d\d mm, at the \w+", result.stdout)
    assert still.read_bytes().startswith(b"\x89PNG")
    assert run("read", film, "--shot", shot, "--camera", camera).exit_code == 0
    assert reader.seen["setup"].table == TABLE


@pytest.mark.usefixtures("stored")
def test_fitting_and_exporting_the_log_agree(tmp_path: Path) -> None:
    exported, one, two = tmp_path / "log.csv", tmp_path / "one.json", tmp_path / "two.json"
    assert "5 attempts written" in run("export", "--to", exported).stdout
    assert run("export").stdout == exported.read_text()
    from_log = run("fit", "--shot", KICK.name, "--json", one)
    assert "straight out from the nose of the left rail" in from_log.stdout
    shots = tmp_path / "shots"
    shots.mkdir()
    (shots / "kick.toml").write_text(SHOT)
    assert run("fit", "--from", exported, "--shots", shots, "--table", "9ft", "--json", two).exit_code == 0
    (log_fit,), (file_fit,) = json.loads(one.read_text()), json.loads(two.read_text())
    assert log_fit["shot"] == file_fit["shot"] == KICK.name
    assert log_fit["point_m"] == pytest.approx(file_fit["point_m"], abs=1e-3)


def test_version_and_help() -> None:
    assert run("--version").stdout.startswith("railpoint ")
    for name in (command.name or command.callback.__name__ for command in main.registered_commands if command.callback):
        told = run(name, "--help")
        assert told.exit_code == 0, name
        assert "list[" not in told.stdout, f"{name}: a type of the language is no help"
    assert f'"{EXAMPLE}"' in " ".join(run("enter", "--help").stdout.split())


@pytest.mark.usefixtures("reader")
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["read", "nothing.mp4", "--shot", "SHOT"], "nothing.mp4: there is no such clip"),
        (["read", ".", "--shot", "SHOT"], "this is a folder"),
        (["read", os.devnull, "--shot", "SHOT"], "this is no file; save the film to one"),
        (["read", "FILM", "--shot", "nothing.toml"], "nothing.toml: the shot file cannot be read"),
        (["read", "FILM", "--shot", "RAIL"], "rail 'middle' is not known"),
        (["read", "FILM", "--shot", "SHOT", "--head", "north"], "--head is 'north'"),
        (["read", "FILM", "--shot", "SHOT", "--camera", "SHOT"], "this is not a camera file"),
        (["read", "FILM", "--shot", "SHOT", "--json", "/nowhere/out.json"], "cannot be written"),
        (["read", "FILM", "--shot", "SHOT", "--json", "."], "cannot be written"),
        (["setup", "nothing.mp4"], "there is no such clip"),
        (["setup", "FILM", "--still", "still.xyz"], "a still is a PNG or JPEG"),
        (["setup", "FILM", "--camera", "/nowhere/camera.json"], "cannot be written"),
        (["fit", "--from", "nothing.csv"], "nothing.csv: the file of attempts cannot be read"),
        (["fit", "--from", "COLUMN"], "bearing_deg"),
        (["fit", "--from", "NUMBER"], "row 3"),
        (["fit", "--from", "GOOD", "--json", "/nowhere/out.json"], "cannot be written"),
        (["fit", "--from", "GOOD", "--table", "12ft"], "table '12ft' is not known"),
        (["fit", "--from", "GOOD", "--shots", "nowhere"], "no such folder of shot files"),
        (["fit", "--from", "GOOD", "--shot", "other"], "no attempt is at a shot named 'other'"),
        (["fit", "--shot", "other"], "the log has no shot named 'other'"),
        (["fit", "--shots", "."], "--shots goes with --from"),
        (["export", "--to", "/nowhere/out.csv"], "cannot be written"),
        (["export", "--shot", "other"], "the log has no shot named 'other'"),
        (["demo", "--no-serve", "--dir", "FILM"], "this folder cannot be made"),
        (["serve", "--host", "203.0.113.7", "--port", "0"], "cannot be listened on"),
    ],
)
def test_mistakes_are_one_sentence_and_the_log_stays(
    words: list[str],
    sentence: str,
    stored: str,
    own_data_dir: Path,
    film: Path,
    shot: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    head = "shot,start_x_m,start_y_m,bearing_deg\n"
    files = {
        "FILM": film,
        "SHOT": shot,
        "RAIL": put(tmp_path / "rail.toml", SHOT.replace('["left"]', '["middle"]')),
        "COLUMN": put(tmp_path / "column.csv", "shot,start_x_m,start_y_m\na,1,1\n"),
        "NUMBER": put(tmp_path / "number.csv", head + "a,1,1,50\na,1,1,fifty\n"),
        "GOOD": put(tmp_path / "good.csv", head + "a,1,1,50\n"),
    }
    monkeypatch.chdir(own_data_dir)
    refused(run(*(files.get(word, word) for word in words)), sentence)
    assert fingerprint(own_data_dir) == stored


def test_a_failed_reading_leaves_no_trace(
    reader: types.ModuleType, film: Path, shot: Path, tmp_path: Path, own_data_dir: Path
) -> None:
    reader.fails = "drill.mp4: no table is in view; film the whole table."
    out = tmp_path / "out.json"
    refused(run("read", film, "--shot", shot, "--json", out), "no table is in view")
    assert not out.exists()
    assert not own_data_dir.exists()


@pytest.mark.usefixtures("reader")
def test_another_shot_of_the_same_name_is_refused_before_the_reading(
    reader: types.ModuleType, stored: str, film: Path, tmp_path: Path, own_data_dir: Path
) -> None:
    changed = put(tmp_path / "changed.toml", SHOT.replace('"left"', '"right"'))
    refused(run("read", film, "--shot", changed), "another 'rails'")
    assert not hasattr(reader, "seen")
    assert fingerprint(own_data_dir) == stored


@pytest.mark.usefixtures("reader")
def test_a_log_that_cannot_be_made_is_refused_before_the_reading(
    reader: types.ModuleType, film: Path, shot: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RAILPOINT_DATA_DIR", str(film / "below"))
    refused(run("read", film, "--shot", shot), "RAILPOINT_DATA_DIR")
    assert not hasattr(reader, "seen")


def test_films_without_a_table_and_without_a_frame(tmp_path: Path, shot: Path, own_data_dir: Path) -> None:
    """With the real reader."""
    grey = tmp_path / "grey.mp4"
    with av.open(str(grey), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for _ in range(20):
            for packet in stream.encode(av.VideoFrame.from_ndarray(np.full((240, 320, 3), 120, np.uint8), "bgr24")):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    refused(run("read", grey, "--shot", shot), "grey.mp4")
    refused(run("setup", grey), "grey.mp4")
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(grey.read_bytes()[:200])
    refused(run("read", cut, "--shot", shot), "cut.mp4")
    text = put(tmp_path / "text.mp4", "no film at all\n" * 100)
    refused(run("read", text, "--shot", shot), "text.mp4")
    assert not own_data_dir.exists()


def test_empty_log(own_data_dir: Path) -> None:
    refused(run("fit"), "the log is empty")
    refused(run("export"), "the log is empty")
    assert not own_data_dir.exists()


@pytest.mark.usefixtures("reader")
def test_demo(tmp_path: Path, own_data_dir: Path, monkeypatch: pytest.MonkeyPatch, film: Path, shot: Path) -> None:
    """On files that stand for the sample, so that the reading need not run."""
    from app.commands import demonstration

    sample = tmp_path / "sample"
    sample.mkdir()
    shutil.copy(film, sample / demonstration.CLIP)
    shutil.copy(shot, sample / demonstration.SHOT)
    monkeypatch.setattr(demonstration, "files", lambda _: sample)
    for _ in range(2):
        result = run("demo", "--no-serve")
        assert result.exit_code == 0, result.output
        assert "2 of 5 made; of the others 1 long, 2 short." in result.stdout
        assert "straight out from the nose of the left rail" in result.stdout
        assert "19 times in 20" in result.stdout
    assert (own_data_dir / "demo" / "demo.svg").read_text().startswith("<svg")
    assert not (own_data_dir / "railpoint.sqlite3").exists()
    (sample / demonstration.CLIP).unlink()
    refused(run("demo", "--no-serve"), "the sample clip is not installed")


def test_the_log_is_not_needed_for_a_file(own_data_dir: Path, tmp_path: Path) -> None:
    lines = ["shot,start_x_m,start_y_m,bearing_deg,bearing_sd_deg,miss_m,miss_sd_m,miss_per_deg_m"]
    for start, error in (((0.5, 0.27), 0.2), ((0.98, 0.25), -0.4), ((1.45, 0.24), 0.1), ((0.7, 0.3), 0.3)):
        a = attempt(start, error)
        per_deg = a.miss_per_rad_m * np.pi / 180
        lines.append(f"k,{start[0]},{start[1]},{np.degrees(a.bearing_rad)},0.04,{a.miss_m},0.003,{per_deg}")
    path = put(tmp_path / "log.csv", "\n".join(lines) + "\n")
    result = run("fit", "--from", path)
    assert result.exit_code == 0
    assert "k: 4 of 4 attempts used." in result.stdout
    assert not own_data_dir.exists()


def test_sessions_are_listed_by_day(engine: Engine) -> None:
    store_reading(engine, reading(), clip(2))
    store_reading(engine, reading(), clip(1))
    assert [s.started_at.day for s in list_sessions(engine)] == [2, 1]


def put(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


@pytest.mark.parametrize("words", [("stroke", "--aimed", "sight left 3.5"), ("fit", "--shot", "nobody's")])
def test_no_empty_line_before_an_error(stored: str, words: tuple[str, ...]) -> None:
    result = run(*words)
    assert result.stderr.startswith("railpoint: "), result.stderr
