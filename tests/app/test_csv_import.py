"""Files of attempts taken into the log: whole or not at all, and nothing twice."""

from dataclasses import replace
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import Engine, create_engine

from app.entry.lines import check_lines, log_lines
from app.fitting.fit import fit_shot
from app.store.database import alembic_config
from app.store.entries import withdraw
from app.store.log import store_reading
from app.store.log_views import list_attempts, list_shots
from app.telling.practice import attempt_rows
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, reading
from tests.app.test_entries import LINES, exported, loaded, log, take_in
from vision.shot import Stroke

HEADER = "shot,start_x_m,start_y_m,bearing_deg,miss_m,outcome,miss_side,english,at,player,note"


FILE = f"""{HEADER}
{KICK.name},0.9,0.3,55,0.01,missed,,none,2026-02-01T10:00:00,B,
other,0.8,0.3,54,,made,,,2026-02-01T10:01:00,B,"said ""long"", twice"
{KICK.name},0.7,0.3,53,,missed,left,,2026-02-02,,
{KICK.name},0.7,0.3,53,,missed,left,,2026-02-02,,
{KICK.name},0.6,0.3,52,,,,,,,
"""


def test_a_file_is_taken_in_once(engine: Engine, tmp_path: Path) -> None:
    done = take_in(engine, tmp_path, FILE, player="A")
    assert (done.added, done.already) == ({KICK.name: 4, "other": 1}, 0)
    again = take_in(engine, tmp_path, FILE, player="A")
    assert (again.added, again.already) == ({}, 5)
    longer = take_in(
        engine,
        tmp_path,
        FILE + f"other,0.5,0.3,50,,made,,,,,\n{KICK.name},0.7,0.3,53,,missed,left,,2026-02-02,,\n",
        player="A",
    )
    assert (longer.added, longer.already) == ({"other": 1, KICK.name: 1}, 5)
    logged = list_attempts(engine)
    assert {a.source for a in logged} == {"import"}
    assert {(a.player, f"{a.at:%m-%d}") for a in logged if a.entry and a.entry.at_text} == {
        ("B", "02-01"),
        ("A", "02-02"),
    }
    assert [e.note for a in logged if (e := a.entry) and e.note] == ['said "long", twice']
    withdraw(engine, [logged[0].id])
    assert take_in(engine, tmp_path, FILE, player="A").added == {}
    odd = f'{HEADER}\n{KICK.name},0.7,0.3,53,,missed,left,,2026-02-02,A\tB,"two\nlines"\n'
    assert take_in(engine, tmp_path, odd).added == {KICK.name: 1}
    assert take_in(engine, tmp_path, odd).added == {}


def test_a_row_says_no_more_after_the_import_than_its_file_did(engine: Engine, tmp_path: Path) -> None:
    """So that a fit from the log is the one from the file."""
    take_in(engine, tmp_path, FILE)
    rows = [r for a in list_attempts(engine, shot_name=KICK.name) for r in attempt_rows([a], KICK)]
    file_rows = [r for r in loaded(tmp_path, FILE).rows if r.shot == KICK.name]
    assert [(r.outcome, r.english, r.at, r.player, r.miss_side) for r in rows] == [
        (r.outcome, r.english, r.at, r.player, r.miss_side) for r in file_rows
    ]
    one, other = (fit_shot(mine, shot_name=KICK.name, table=TABLE, shot=KICK) for mine in (rows, file_rows))
    assert one.convergence.family == pytest.approx(other.convergence.family)


def test_export_import_export_is_stable(engine: Engine, tmp_path: Path) -> None:
    store_reading(engine, reading(), clip(1), player="B")
    store_reading(engine, reading(), clip(2))
    log(engine)
    other = replace(KICK, name="other", stroke=Stroke(english="left"))
    log(engine, ["start 6 by 1, through 3.25, long half a ball", *LINES[1:]], other)
    first = exported(engine)
    fresh = create_engine("sqlite://")
    with fresh.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
    done = take_in(fresh, tmp_path, first)
    assert sum(done.added.values()) == 16
    assert exported(fresh) == first
    assert take_in(fresh, tmp_path, first).added == {}
    # Back into the log that it came from it adds nothing either.
    assert take_in(engine, tmp_path, first).added == {}
    fresh.dispose()


@pytest.mark.parametrize(
    ("content", "options", "words"),
    [
        (FILE.replace("other", "unknown"), {}, "attempts.csv, row 3: the log has no shot 'unknown'"),
        (FILE.replace("0.9,0.3,55", "9.9,0.3,55"), {}, "attempts.csv, row 2: the start .* lies off the table"),
        (
            FILE.replace("0.9,0.3", "90,30")
            .replace("0.8,0.3", "80,30")
            .replace("0.7,0.3", "70,30")
            .replace("0.6,0.3", "60,30"),
            {},
            "look like inches",
        ),
    ],
)
def test_a_file_that_cannot_be_used_leaves_the_log_alone(
    engine: Engine, tmp_path: Path, content: str, options: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        take_in(engine, tmp_path, content, **options)
    assert list_attempts(engine) == ()
    assert list_shots(engine) == []


def test_every_bad_row_of_a_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        loaded(tmp_path, FILE.replace("0.9", "x").replace("missed,left", "lost,left"))
    assert [line.partition(": ")[0].rpartition(", ")[2] for line in str(caught.value).splitlines()] == [
        "row 2",
        "row 4",
        "row 5",
    ]


def test_a_shot_that_is_another_in_the_log_is_refused(engine: Engine, tmp_path: Path) -> None:
    log(engine)
    changed = replace(KICK, target_ball=None)
    with pytest.raises(InputError, match="another 'target'"):
        take_in(engine, tmp_path, FILE, shots={KICK.name: changed, "other": replace(KICK, name="other")})
    assert len(list_attempts(engine)) == 3


def test_the_table_is_the_shots_own_unless_stated(engine: Engine, tmp_path: Path) -> None:
    small = STANDARD_TABLES["7ft"]
    log_lines(engine, check_lines(["start 6 by 1, through 3.25, made"], KICK, small), KICK, small)
    take_in(engine, tmp_path, FILE)
    tables = {a.shot_name: a.table.name for a in list_attempts(engine) if a.source == "import"}
    assert tables == {KICK.name: "7ft", "other": "9ft"}
    take_in(engine, tmp_path, FILE.replace("0.9,0.3", "0.95,0.3"), table=TABLE)
    assert [a.table.name for a in list_attempts(engine) if a.attempt.start_m[0] == 0.95] == ["9ft"]
