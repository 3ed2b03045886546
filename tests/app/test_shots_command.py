"""``railpoint read --shots``: words, file and log for a clip of several drills, and every mistake in one sentence."""

import json
import sys
import types
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from app.store.log import store_reading
from app.store.log_views import list_attempts
from tests.app.conftest import clip
from tests.app.mixed import OTHER, mixed
from tests.app.scenario import KICK, reading
from tests.app.test_command_line import SHOT, put, refused, run
from vision.mixed_reading import MixedReading

OTHER_SHOT = (
    SHOT.replace("foot-right", "foot-left").replace('["left"]', '["right"]').replace("0.075", str(OTHER.target_ball[1]))  # type: ignore[index]
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shots = tmp_path / "shots"
    shots.mkdir()
    put(shots / "a.toml", SHOT)
    put(shots / "b.toml", OTHER_SHOT)
    put(shots / "notes.txt", "not a shot")
    return shots


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "drill.mp4"
    path.write_bytes(b"stands for a film")
    return path


@pytest.fixture
def reader(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """In place of the reading of films: gives ``reader.gives``."""
    fake = types.ModuleType("vision.read")
    fake.gives = mixed()  # type: ignore[attr-defined]

    def read_mixed_clip(path: Path, shots: Any, **rest: Any) -> MixedReading:
        rest["progress"](0.5)
        fake.seen = list(shots)  # type: ignore[attr-defined]
        return fake.gives  # type: ignore[attr-defined, no-any-return]

    fake.read_mixed_clip = read_mixed_clip  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "vision.read", fake)
    return fake


def test_words_file_and_log(reader: types.ModuleType, engine: Engine, film: Path, folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    result = run("read", film, "--shots", folder, "--json", out)
    assert result.exit_code == 0, result.output
    assert reader.seen == [KICK, OTHER]
    assert f"{KICK.name}: 2 attempts on a 9ft table" in result.stdout
    assert f"{OTHER.name}: 1 attempt on a 9ft table" in result.stdout
    assert "1 stroke at none of the shots, kept unassigned: at 24.0 s." in result.stdout
    said = " ".join(result.stdout.split())
    assert f"Logged 2 attempts at '{KICK.name}' and 1 attempt at '{OTHER.name}' in session 1." in said
    assert "Kept 1 stroke at none of the shots in session 1." in said
    assert json.loads(out.read_text()) == mixed().to_json()
    assert {a.shot_name for a in list_attempts(engine)} == {KICK.name, OTHER.name}
    again = " ".join(run("read", film, "--shots", folder).stdout.split())
    assert f"in the log for '{KICK.name}' already (session 1); nothing was added" in again
    assert len(list_attempts(engine)) == 3


def test_a_drill_that_was_not_shot_is_named(reader: types.ModuleType, film: Path, folder: Path) -> None:
    reader.gives = mixed([(KICK, 3.0)], strays_s=())
    result = run("read", film, "--shots", folder, "--no-log")
    assert f"No attempt at '{OTHER.name}'." in result.stdout
    assert "none of the shots" not in result.stdout
    assert "Logged" not in result.stdout


def test_notes_are_told_once(reader: types.ModuleType, film: Path, folder: Path) -> None:
    torn = "the stroke at 24.0 s is at none of the shots: it fits 'a' and 'b' equally well"
    read = mixed()
    reader.gives = replace(read, readings=tuple(replace(r, warnings=(torn,)) for r in read.readings))
    said = " ".join(run("read", film, "--shots", folder, "--no-log").stdout.split())
    assert said.count(f"Note: {torn}.") == 1


def test_attempts_in_the_log_twice_are_told(reader: types.ModuleType, engine: Engine, film: Path, folder: Path) -> None:
    assert run("read", film, "--shots", folder).exit_code == 0
    third = replace(OTHER, name="a third")
    put(folder / "b.toml", OTHER_SHOT.replace(OTHER.name, third.name))
    reader.gives = mixed([(third, 10.0)], strays_s=(), shots=(KICK, third))
    said = " ".join(run("read", film, "--shots", folder).stdout.split())
    assert "Note: 1 of these attempts is in the log for another shot too" in said


def test_nothing_to_log(reader: types.ModuleType, film: Path, folder: Path) -> None:
    reader.gives = mixed([], strays_s=())
    assert "Nothing was logged" in run("read", film, "--shots", folder).stdout


@pytest.mark.usefixtures("reader")
@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--shots", "FOLDER", "--shot", "A"], "--shot is for a clip of one drill"),
        ([], "say what is drilled"),
        (["--shots", "EMPTY"], "there is no shot file (*.toml) in this folder"),
        (["--shots", "nowhere"], "there is no such folder of shot files"),
        (["--shots", "A"], "there is no such folder of shot files"),
        (["--shots", "TWINS"], "another file of this folder has the name"),
        (["--shots", "BROKEN"], "c.toml: rail 'middle' is not known"),
        (["--shots", "FOLDER", "--json", "A"], "--json would overwrite a file that this command needs"),
    ],
)
def test_mistakes_are_one_sentence(
    words: list[str], sentence: str, film: Path, folder: Path, tmp_path: Path, own_data_dir: Path
) -> None:
    folders = {"FOLDER": folder, "A": folder / "a.toml"}
    for name, extra in (("EMPTY", None), ("TWINS", SHOT), ("BROKEN", SHOT.replace('["left"]', '["middle"]'))):
        folders[name] = tmp_path / name
        folders[name].mkdir()
        if extra is not None:
            put(folders[name] / "a.toml", SHOT)
            put(folders[name] / "c.toml", extra)
    refused(run("read", film, *(folders.get(word, word) for word in words)), sentence)
    assert not own_data_dir.exists()
    assert (folder / "a.toml").read_text() == SHOT


def test_another_shot_under_one_of_the_names_is_refused_before_the_reading(
    reader: types.ModuleType, engine: Engine, film: Path, folder: Path
) -> None:
    store_reading(engine, reading([], shot=replace(OTHER, rails=("left",))), clip(2))
    refused(run("read", film, "--shots", folder), "another 'rails'")
    assert not hasattr(reader, "seen")
