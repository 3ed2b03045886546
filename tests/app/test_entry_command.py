"""``railpoint enter`` and ``railpoint import`` at the terminal."""

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine
from typer.testing import CliRunner

from app.command_line import main
from app.entry.vocabulary import EXAMPLE
from app.settings import Settings
from app.store.database import database_exists, open_database
from app.store.log import store_reading
from app.store.log_views import list_attempts
from tests.app.conftest import clip
from tests.app.scenario import KICK, reading
from tests.app.test_command_line import SHOT, refused

LINE = "start 6 by 1, through 3.25, long half a ball, medium"


def run(*words: object, given: str | None = None) -> Any:
    return CliRunner().invoke(main, [str(word) for word in words], input=given)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    path = tmp_path / "kick.toml"
    path.write_text(SHOT)
    return path


def test_words_tell_the_table() -> None:
    told = run("enter", "--words").stdout
    assert EXAMPLE in " ".join(told.split())
    assert "long half a ball" in told


def test_check_tells_and_makes_no_log(shot: Path, settings: Settings) -> None:
    told = run("enter", "--shot", shot, "--check", LINE)
    assert told.exit_code == 0, told.stderr
    assert "line 50.2 ± 1.1°, passes sight 3.25 of the left rail; 2.9 ± 1.2 cm long" in " ".join(told.stdout.split())
    assert "nothing was logged" in told.stdout
    assert not database_exists(settings)


def test_lines_are_logged_under_numbers(shot: Path, engine: Engine) -> None:
    told = run("enter", "--shot", shot, "--player", "A", "--at", "2026-03-01", LINE, "start 5 by 1, through 3, made")
    assert told.exit_code == 0, told.stderr
    assert "1  start 6 by 1, through 3.25, long half a ball, medium" in told.stdout
    assert "Logged 2 attempts" in told.stdout
    assert [(a.player, f"{a.at:%Y-%m-%d}") for a in list_attempts(engine)] == [("A", "2026-03-01")] * 2
    assert run("enter", "--shot", KICK.name, LINE).exit_code == 0
    assert len(list_attempts(engine)) == 3


def test_a_file_and_standard_input(shot: Path, engine: Engine, tmp_path: Path) -> None:
    lines = tmp_path / "lines.txt"
    lines.write_text(f"# spring\n\n{LINE}\n", encoding="utf-8-sig")
    assert run("enter", "--shot", shot, "--from", lines).exit_code == 0
    assert run("enter", "--shot", shot, given=f"{LINE}\n{LINE}\n").exit_code == 0
    assert run("enter", "--shot", shot, "--from", "-", given=LINE).exit_code == 0
    assert len(list_attempts(engine)) == 4


def test_mistakes_have_line_numbers_and_log_nothing(shot: Path, engine: Engine) -> None:
    told = run("enter", "--shot", shot, given=f"{LINE}\nstrat 2, through 3, made\nstart 9.5 by 1, through 3, made\n")
    assert told.exit_code == 1
    assert "line 2: 'strat 2' cannot be read (do you mean 'start'?)" in told.stderr
    assert "line 3: the start 9.5 by 1 sights lies off the table" in told.stderr
    assert list_attempts(engine) == ()


def test_what_was_forgotten_is_said_in_a_sentence(shot: Path, tmp_path: Path) -> None:
    refused(run("enter", LINE), "say which shot")
    refused(run("enter", "--shot", "nothing", LINE), "the log has no shot named 'nothing'")
    refused(run("enter", "--shot", shot, given=""), "there is no line to enter")
    refused(run("enter", "--shot", shot, "--from", tmp_path / "none.txt"), "cannot be read")
    refused(run("enter", "--shot", shot, "--from", tmp_path / "none.txt", LINE), "not both")
    refused(run("enter", "--shot", shot, "--at", "yesterday", LINE), "is no day")
    refused(run("enter", "--shot", shot, "--table", "10ft", LINE), "'10ft' is not known")
    refused(run("enter", "--shot", shot, "--list"), "the log is empty")
    binary = tmp_path / "binary.txt"
    binary.write_bytes(b"\xff\xfe\x00")
    refused(run("enter", "--shot", shot, "--from", binary), "not UTF-8")


def test_list_withdraw_restore_put_right(engine: Engine, tmp_path: Path) -> None:
    store_reading(engine, reading(), clip())
    name = KICK.name
    assert run("enter", "--shot", name, LINE).exit_code == 0
    told = run("enter", "--shot", name, "--list", "--csv", tmp_path / "list.csv").stdout
    assert "measured by film" in told
    assert "entered by hand" in told
    assert len((tmp_path / "list.csv").read_text().splitlines()) == 7
    assert "counts no more" in run("enter", "--shot", name, "--withdraw", 2, "--withdraw", 6).stdout
    assert len(list_attempts(engine)) == 4
    assert "counts again" in run("enter", "--shot", name, "--restore", 6).stdout
    checked = run("enter", "--shot", name, "--put-right", 6, "start 6 by 1, through 3.5, made", "--check")
    assert "Nothing was logged" in checked.stdout
    right = run("enter", "--shot", name, "--put-right", 6, "start 6 by 1, through 3.5, made")
    assert "Logged as 7 in place of 6" in right.stdout
    assert [a.id for a in list_attempts(engine)] == [1, 3, 4, 5, 7]
    refused(run("enter", "--shot", name, "--put-right", 99, LINE), "has no attempt 99")
    refused(run("enter", "--shot", name, "--put-right", 1, LINE), "measured from a film")
    refused(run("enter", "--shot", name, "--put-right", 7), "takes one line")
    refused(run("enter", "--shot", name, "--withdraw", 2), "taken out already")
    refused(run("enter", "--shot", name, "--withdraw", 3, "--list"), "two things")
    refused(run("enter", "--shot", name, "--withdraw", 3, LINE), "--withdraw takes no line")
    refused(run("enter", "--shot", name, "--put-right", 7, LINE, "--player", "B"), "--put-right takes no --player")
    assert len(list_attempts(engine)) == 5


def test_import_and_again(shot: Path, settings: Settings, tmp_path: Path) -> None:
    attempts = tmp_path / "attempts.csv"
    attempts.write_text(f"shot,start_x_m,start_y_m,bearing_deg,outcome,colour\n{KICK.name},0.9,0.3,55,made,green\n")
    refused(run("import", tmp_path / "none.csv"), "cannot be read")
    assert not database_exists(settings)
    refused(run("import", attempts), "row 2: the log has no shot")
    told = run("import", attempts, "--shots", shot.parent, "--player", "A", "--table", "9ft")
    assert told.exit_code == 0, told.stderr
    assert "Imported 1 attempt at" in told.stdout
    assert "'colour'" in told.stdout
    assert "1 row of the file is in the log already" in run("import", attempts, "--player", "A").stdout
    engine = open_database(settings)
    assert [(a.source, a.player) for a in list_attempts(engine)] == [("import", "A")]
    engine.dispose()
