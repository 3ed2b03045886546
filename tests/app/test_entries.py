"""Entries in the log: by hand and imported, taken out and put right, and everything that counts attempts."""

import io
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import isnan, radians
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import Engine, create_engine, text

from app.entry.csv_import import Imported, import_attempts
from app.entry.lines import check_lines, log_lines, parse_when, put_line_right
from app.fitting.attempts_csv import AttemptFile, load_attempts, write_attempts
from app.rates.from_log import Question, rates_of_log
from app.store.database import alembic_config, writing
from app.store.entries import restore, withdraw
from app.store.log import store_reading
from app.store.log_views import find_shot, list_attempts, list_sessions, list_shots, load_session
from app.store.logged import LoggedAttempt
from app.store.models import CorrectionRow
from app.telling.entries_list import list_entries, write_entries
from app.telling.practice import attempt_rows, practise
from calibration.errors import InputError
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, reading
from vision.shot import Shot, Stroke

DAY = datetime(2026, 3, 1, 12, tzinfo=UTC)
LINES = (
    "start 6 by 1, through 3.25, long half a ball, medium, no english",
    "start 5 by 1, through 3, made, note chalked",
    "start 4 by 1, through 2.5, missed short, no idea how far, running",
)


def log(
    engine: Engine, lines: Sequence[str] = LINES, shot: Shot = KICK, at: datetime = DAY, player: str | None = "A"
) -> list[int]:
    return log_lines(engine, check_lines(lines, shot, TABLE), shot, TABLE, player=player, at=at)


def exported(engine: Engine) -> str:
    drilled = {s.shot.name: s.shot for s in list_shots(engine)}
    stream = io.StringIO()
    write_attempts([r for a in list_attempts(engine) for r in attempt_rows([a], drilled[a.shot_name])], stream)
    return stream.getvalue()


def loaded(tmp_path: Path, content: str) -> AttemptFile:
    path = tmp_path / "attempts.csv"
    path.write_text(content, encoding="utf-8")
    return load_attempts(path)


def take_in(engine: Engine, tmp_path: Path, content: str, **options: object) -> Imported:
    shots = {KICK.name: KICK, "other": replace(KICK, name="other", stroke=Stroke(english="left"))}
    return import_attempts(engine, loaded(tmp_path, content), "attempts.csv", **({"shots": shots} | options))  # type: ignore[arg-type]


def test_entries_are_attempts_of_a_practice(engine: Engine) -> None:
    ids = log(engine)
    logged = list_attempts(engine)
    assert [a.id for a in logged] == ids
    assert {(a.source, a.session_id, a.player, a.at) for a in logged} == {("hand", 1, "A", DAY)}
    first, second, third = (a.entry for a in logged)
    assert first is not None
    assert second is not None
    assert third is not None
    assert (first.line, first.english, first.outcome) == (LINES[0], "none", "missed")
    assert second.note == "chalked"
    assert second.margin_left_rad > 0
    assert (third.miss_side, third.english) == ("left", "running")
    (line,) = list_sessions(engine)
    assert (line.attempts, line.made, line.shots, line.table_name) == (3, 1, (KICK.name,), "9ft")
    (shot,) = list_shots(engine)
    assert (shot.attempts, shot.made, shot.table) == (3, 1, TABLE)
    session = load_session(engine, 1)
    assert session is not None
    assert [s.name for s in session.shots] == [KICK.name]
    assert len(session.of_shot(KICK.name)) == 3


def test_a_players_day_is_one_practice_and_a_filmed_one_another(engine: Engine) -> None:
    filmed = store_reading(engine, reading(), clip(), player="A").session_id
    log(engine, at=clip().filmed_at)
    log(engine, at=clip().filmed_at + timedelta(hours=2))
    log(engine, at=clip().filmed_at + timedelta(days=1))
    log(engine, at=clip().filmed_at, player=None)
    sessions = [a.session_id for a in list_attempts(engine)]
    assert [sessions.count(s) for s in sorted(set(sessions))] == [5, 6, 3, 3]
    assert filmed == 1
    assert [a.number for a in list_attempts(engine, session_id=2)] == [1, 2, 3, 4, 5, 6]


def test_what_was_entered_twice_is_told_by_its_numbers_in_the_log(engine: Engine) -> None:
    log(engine, [LINES[1], *LINES])
    fit = practise(KICK, TABLE, list_attempts(engine)).fit
    assert fit.remarks == ("Entered twice, and counted twice: no. 3 (as no. 1).",)


def test_a_mistake_in_one_line_logs_none(engine: Engine) -> None:
    with pytest.raises(InputError, match="line 4: 'strat 2'") as caught:
        log(engine, [*LINES, "strat 2, through 3, made", "", "# a remark", "start 4 by 1, made"])
    assert "line 7: the line is missing" in str(caught.value)
    assert list_attempts(engine) == ()
    assert list_sessions(engine) == []


def test_a_line_alone_has_no_number(engine: Engine) -> None:
    with pytest.raises(InputError, match=r"^'strat 2'"):
        check_lines(["strat 2, through 3, made"], KICK, TABLE)
    with pytest.raises(InputError, match="no line to enter"):
        check_lines(["", "# nothing"], KICK, TABLE)
    with pytest.raises(InputError, match="too many at once"):
        check_lines(["x"] * 1001, KICK, TABLE)


def test_another_shot_of_the_same_name_is_refused_and_nothing_logged(engine: Engine) -> None:
    log(engine)
    other = replace(KICK, rails=("right",), target_pocket="foot-left", target_ball=None)
    with pytest.raises(InputError, match="another 'rails'"):
        log(engine, ["start 6 by 1, through 3.25, made"], other)
    assert len(list_attempts(engine)) == 3


def test_the_fit_and_the_rates_take_entries(engine: Engine) -> None:
    store_reading(engine, reading(), clip())
    log(engine)
    found = find_shot(engine, KICK.name)
    practice = practise(found.shot, TABLE, list_attempts(engine))
    assert practice.fit.used == 8
    assert all(w.weight > 0 for w in practice.fit.weights)
    assert practice.tally() == "3 of 8 made; of the others 2 long, 3 short"
    assert rates_of_log(engine, Question(by="along")).rates.overall.tries == 8
    assert practice.fit.convergence.point_m is not None


def test_a_start_told_by_its_line_alone_counts_in_no_cell(engine: Engine) -> None:
    log(engine, ["start 6, through 3.25, made", "start 6 by 1, through 3.25, made"])
    rates = rates_of_log(engine, Question(by="table")).rates
    assert rates.overall.tries == 2
    assert sum(rate.tries for rate in rates.cells) == 1


def test_odd_letters_do_no_harm_and_a_name_has_its_limit(engine: Engine) -> None:
    log(engine, ["start 6 by 1, through 3.25, made, note a\x00b\ud800c\td"], player="A\x00B")
    (logged,) = list_attempts(engine)
    assert logged.entry is not None
    assert logged.entry.note == "a b?c d"
    assert logged.player == "A B"
    with pytest.raises(InputError, match="101 letters"):
        log(engine, player="x" * 101)
    assert len(list_attempts(engine)) == 1


def test_entries_of_one_start_share_its_error(engine: Engine) -> None:
    log(
        engine,
        ["start 6 by 1, through 3.25, made", "start 6 by 1, through 3.5, long a ball", "start 5 by 1, through 3, made"],
    )
    rows = attempt_rows(list_attempts(engine), KICK)
    assert rows[0].clip == rows[1].clip != rows[2].clip
    assert all(0.2 < row.common_bearing_sd_rad / radians(1) < 1 for row in rows)


def test_what_is_taken_out_counts_nowhere_and_comes_back(engine: Engine) -> None:
    ids = log(engine)
    store_reading(engine, reading(), clip())
    before = exported(engine)
    withdraw(engine, [ids[1], ids[1] + 2], KICK.name)
    assert [a.id for a in list_attempts(engine) if a.source == "hand"] == [ids[0], ids[2]]
    assert len(list_attempts(engine)) == 6
    assert sum(s.attempts for s in list_sessions(engine)) == 6
    assert list_shots(engine)[0].attempts == 6
    session = load_session(engine, 1)
    assert session is not None
    assert len(session.attempts) == 2
    assert rates_of_log(engine, Question()).rates.overall.tries == 6
    assert exported(engine).count("\n") == 7
    assert sum(a.withdrawn for a in list_attempts(engine, withdrawn=True)) == 2
    with pytest.raises(InputError, match="taken out already"):
        withdraw(engine, [ids[0], ids[1]])
    assert len(list_attempts(engine)) == 6
    restore(engine, [ids[1], ids[1] + 2])
    assert exported(engine) == before
    with pytest.raises(InputError, match="was not taken out"):
        restore(engine, [ids[1]])
    with pytest.raises(InputError, match="has no attempt 99"):
        withdraw(engine, [99])
    with pytest.raises(InputError, match="'other' has no attempt 1"):
        withdraw(engine, [ids[0]], "other")


def attempt_of(engine: Engine, number: int) -> LoggedAttempt:
    return next(a for a in list_attempts(engine, withdrawn=True) if a.id == number)


def test_a_wrong_entry_is_put_right_and_stays_to_be_seen(engine: Engine) -> None:
    ids = log(engine)
    new, told = put_line_right(
        engine, attempt_of(engine, ids[1]), "start 5 by 1, through 3.25, short a quarter of a ball", KICK
    )
    assert told.words.endswith("short a quarter of a ball")
    logged = {a.id: a for a in list_attempts(engine, withdrawn=True)}
    assert logged[ids[1]].withdrawn
    assert (logged[new].at, logged[new].player, logged[new].session_id) == (DAY, "A", logged[ids[1]].session_id)
    states = {e.number: e.state for e in list_entries(tuple(logged.values()), KICK)}
    assert states == {ids[0]: "counts", ids[1]: f"put right as {new}", ids[2]: "counts", new: f"in place of {ids[1]}"}
    with pytest.raises(InputError, match=f"put right as {new}"):
        restore(engine, [ids[1]])
    with pytest.raises(InputError, match="was taken out; put it back"):
        put_line_right(engine, attempt_of(engine, ids[1]), LINES[0], KICK)
    withdraw(engine, [new])
    restore(engine, [ids[1]])
    assert [a.id for a in list_attempts(engine)] == ids


def test_only_entries_by_hand_are_put_right(engine: Engine) -> None:
    store_reading(engine, reading(), clip())
    with pytest.raises(InputError, match="measured from a film"):
        put_line_right(engine, attempt_of(engine, 1), LINES[0], KICK)
    assert not attempt_of(engine, 1).withdrawn


def test_the_list_tells_where_each_comes_from(engine: Engine, tmp_path: Path) -> None:
    store_reading(engine, reading(), clip())
    log(engine)
    take_in(engine, tmp_path, f"shot,start_x_m,start_y_m,bearing_deg,miss_side\n{KICK.name},0.9,0.3,55,left\n")
    listed = list_entries(list_attempts(engine, withdrawn=True), KICK)
    assert [e.origin for e in listed] == [
        *["measured by film"] * 5,
        *["entered by hand"] * 3,
        "imported from attempts.csv",
    ]
    assert listed[5].says == LINES[0]
    assert "short, no idea how far" in listed[8].says
    stream = io.StringIO()
    write_entries(listed, stream)
    assert stream.getvalue().splitlines()[0] == "number,day,player,origin,says,state"
    assert len(stream.getvalue().splitlines()) == 10


@pytest.mark.parametrize(
    ("said", "when"),
    [
        ("2026-03-01", DAY),
        (" 2026-03-01T18:30 ", datetime(2026, 3, 1, 18, 30, tzinfo=UTC)),
        ("2026-03-01T18:30+02:00", datetime(2026, 3, 1, 16, 30, tzinfo=UTC)),
        ("", None),
        (None, None),
    ],
)
def test_days_and_times(said: str | None, when: datetime | None) -> None:
    assert parse_when(said) == when


@pytest.mark.parametrize(("said", "words"), [("yesterday", "is no day"), ("2999-01-01", "lies in the future")])
def test_what_is_no_day(said: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_when(said)


def test_a_correction_of_an_outcome_still_stands_beside_it(engine: Engine) -> None:
    ids = log(engine)
    with writing(engine) as session:
        session.add(CorrectionRow(attempt_id=ids[0], field="outcome", value="made"))
    assert rates_of_log(engine, Question()).rates.overall.made == 2


def test_an_older_log_is_brought_up_to_date_and_loses_nothing(tmp_path: Path) -> None:
    engine = create_engine(f"sqlite:///{tmp_path / 'old.sqlite3'}")
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "0002")
        connection.execute(
            text(
                "INSERT INTO tables VALUES (1, '9ft', 2.54, 1.27, "
                '\'{"name": "9ft", "length_m": 2.54, "width_m": 1.27}\')'
            )
        )
        connection.execute(
            text("INSERT INTO shots (id, name, definition) VALUES (1, :name, :definition)"),
            {"name": KICK.name, "definition": json.dumps(KICK.to_json())},
        )
        connection.execute(
            text("INSERT INTO sessions (id, table_id, started_at, note) VALUES (1, 1, '2026-03-01 12:00:00', '')")
        )
        connection.execute(
            text(
                "INSERT INTO attempts (id, session_id, shot_id, source, ball, start_x_m, start_y_m, bearing_rad, "
                "contacts, ball_contacts, pocketed, outcome, flags, path, placement) "
                "VALUES (1, 1, 1, 'clip', 'cue', 0.9, 0.3, 0.97, '[]', '[]', '[]', 'made', '[]', :path, '[]')"
            ),
            {"path": b""},
        )
        command.upgrade(alembic_config(connection), "head")
    (old,) = list_attempts(engine)
    assert (old.source, old.withdrawn, old.entry, old.attempt.outcome) == ("clip", False, None, "made")
    assert isnan(old.attempt.miss_m)
    withdraw(engine, [1])
    assert list_attempts(engine) == ()
    engine.dispose()
