"""The log: nothing twice, all or nothing, everything comes back, two writers at once, the schema up to date."""

import threading
from dataclasses import replace
from math import isnan, nan
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from sqlalchemy import Engine, create_engine, inspect, text
from sqlalchemy.exc import IntegrityError

from app.settings import Settings
from app.store.attempt_columns import pack_path, unpack_path
from app.store.database import alembic_config, check_database, open_database, opened, writing
from app.store.log import check_shot, identify_clip, store_reading
from app.store.log_views import find_attempt, find_shot, list_attempts, list_sessions, list_shots, load_session
from app.store.models import AttemptLogRow, Base, ClipRow, CorrectionRow
from calibration.errors import InputError
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, attempt, reading
from vision.reading import attempt_json
from vision.shot import Shot


def test_a_reading_comes_back_as_it_was(engine: Engine) -> None:
    read = reading(warnings=("dim light",))
    stored = store_reading(engine, read, clip(), player="  A. Player ")
    assert (stored.added, stored.already) == (5, False)
    found = load_session(engine, stored.session_id)
    assert found is not None
    assert found.table == TABLE
    assert found.shots == (KICK,)
    assert found.player == "A. Player"
    assert found.started_at == clip().filmed_at
    assert found.clips[0].warnings == ("dim light",)
    assert found.clips[0].not_attempts[0]["why"] == "ball moved by hand"
    assert [a.number for a in found.attempts] == [1, 2, 3, 4, 5]
    for logged, original in zip(found.attempts, read.attempts, strict=True):
        assert attempt_json(logged.attempt) == attempt_json(original)
        np.testing.assert_allclose(logged.attempt.path_m, original.path_m, atol=1e-5)
    assert found.attempts[0].common_bearing_sd_rad == read.camera.common_bearing_sd_rad


def test_the_same_clip_for_the_same_shot_adds_nothing(engine: Engine) -> None:
    first = store_reading(engine, reading(), clip())
    again = store_reading(engine, reading(), replace(clip(), name="renamed.mp4"))
    assert again == replace(first, added=0, already=True)
    assert len(list_attempts(engine)) == 5
    assert len(list_sessions(engine)) == 1


def test_the_same_clip_for_another_shot_joins_its_session(engine: Engine) -> None:
    first = store_reading(engine, reading(), clip())
    other = replace(KICK, name="the same, firm")
    second = store_reading(engine, reading(shot=other), clip())
    assert (second.session_id, second.added) == (first.session_id, 5)
    found = load_session(engine, first.session_id)
    assert found is not None
    assert [s.name for s in found.shots] == [KICK.name, other.name]
    assert [a.number for a in found.of_shot(other.name)] == [1, 2, 3, 4, 5]


def test_another_shot_of_the_same_name_is_refused_and_nothing_is_stored(engine: Engine) -> None:
    store_reading(engine, reading(), clip(1))
    changed = replace(KICK, rails=("right",), target_pocket="foot-left", target_ball=None)
    with pytest.raises(InputError, match="another 'rails'"):
        check_shot(engine, changed)
    with pytest.raises(InputError, match="another 'rails'"):
        store_reading(engine, reading([], shot=changed), clip(2))
    assert len(list_sessions(engine)) == 1


def test_what_is_not_measured_stays_unknown(engine: Engine) -> None:
    unknown = replace(attempt((0.98, 0.25), 1.0), miss_m=nan, miss_sd_m=nan, speed_mps=nan, path_m=np.empty((0, 3)))
    store_reading(engine, reading([unknown]), clip())
    back = list_attempts(engine)[0].attempt
    assert isnan(back.miss_m)
    assert isnan(back.speed_mps)
    assert back.path_m.shape == (0, 3)
    with engine.connect() as connection:
        assert connection.execute(text("SELECT miss_m, speed_mps FROM attempts")).one() == (None, None)


def test_shots_and_sessions_are_counted(engine: Engine) -> None:
    store_reading(engine, reading(), clip(1))
    store_reading(engine, reading([attempt((0.5, 0.3), 0.1)]), clip(2))
    lines = list_sessions(engine)
    assert [(s.attempts, s.made) for s in lines] == [(1, 1), (5, 2)]
    assert [(s.attempts, s.made) for s in list_shots(engine)] == [(6, 3)]
    assert find_shot(engine, KICK.name).table == TABLE
    with pytest.raises(InputError, match="no shot named 'nothing'"):
        find_shot(engine, "nothing")
    assert find_attempt(engine, 3) is not None
    assert find_attempt(engine, 99) is None


def test_corrections_stand_beside_the_measured_values(engine: Engine) -> None:
    store_reading(engine, reading(), clip())
    with writing(engine) as session:
        session.add(CorrectionRow(attempt_id=2, field="outcome", value="made", note="dropped late"))
    second = list_attempts(engine)[1]
    assert second.attempt.outcome == "missed"
    assert second.corrections == (("outcome", "made"),)


def test_the_schema_is_up_to_date_and_named(engine: Engine) -> None:
    with engine.begin() as connection:
        command.check(alembic_config(connection))
    assert set(inspect(engine).get_table_names()) == set(Base.metadata.tables) | {"alembic_version"}
    assert {c["name"] for c in inspect(engine).get_unique_constraints("clips")} == {"uq_clips_sha256"}


def test_migrations_go_back_and_forth(engine: Engine) -> None:
    with engine.begin() as connection:
        command.downgrade(alembic_config(connection), "base")
    assert inspect(engine).get_table_names() == ["alembic_version"]
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
    store_reading(engine, reading(), clip())


def test_the_unique_pair_and_foreign_keys_hold_in_the_database_itself(engine: Engine) -> None:
    store_reading(engine, reading(), clip())
    facts = {"name": "again", "reader": "0", "facts": {}, "not_attempts": [], "warnings": []}
    again = ClipRow(session_id=1, shot_id=1, sha256=clip().sha256, **facts)
    with pytest.raises(IntegrityError), writing(engine) as session:
        session.add(again)
    with pytest.raises(IntegrityError), writing(engine) as session:
        session.add(CorrectionRow(attempt_id=12345, field="outcome", value="made"))


def test_two_writers_at_once_lose_nothing(settings: Settings) -> None:
    """Each writer has its own engine, as two programs would."""
    failures: list[BaseException] = []

    def write(k: int) -> None:
        try:
            with opened(settings) as engine:
                for n in range(4):
                    store_reading(engine, reading([attempt((0.5, 0.3), 0.1 * k)]), clip(1 + 4 * k + n))
                store_reading(engine, reading(), clip(28))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with opened(settings) as engine:
        # Sixteen different clips of one attempt, and one clip of five that all four tried to store.
        assert len(list_attempts(engine)) == 16 + 5
        assert len(list_shots(engine)) == 1


def test_a_locked_log_is_told_in_a_sentence(settings: Settings) -> None:
    impatient = settings.model_copy(update={"database_wait_s": 0.05})
    with (
        opened(settings) as engine,
        opened(impatient) as other,
        engine.begin(),
        pytest.raises(InputError, match="cannot be written now"),
    ):
        store_reading(other, reading(), clip())


def test_readers_do_not_wait_for_a_writer(settings: Settings) -> None:
    with opened(settings) as engine:
        store_reading(engine, reading(), clip())
        with writing(engine) as session:
            session.get_one(AttemptLogRow, 1).outcome = "unclear"
            session.flush()
            assert list_attempts(engine)[0].attempt.outcome == "made"
        assert list_attempts(engine)[0].attempt.outcome == "unclear"


def test_a_log_from_a_newer_program_is_refused(settings: Settings) -> None:
    with opened(settings) as engine, engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(InputError, match="newer Railpoint"):
        open_database(settings)


@pytest.mark.parametrize(
    ("url", "words"),
    [("nonsense", "not a database address"), ("nosuch://x/y", "not a database address")],
)
def test_wrong_addresses(settings: Settings, url: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        open_database(settings.model_copy(update={"database_url": url}))


def test_a_file_that_is_no_database_is_refused_and_left_alone(settings: Settings, tmp_path: Path) -> None:
    path = tmp_path / "diary.txt"
    path.write_text("not a database, but long enough to be looked at by one that expects a header\n" * 20)
    before = path.read_bytes()
    wrong = settings.model_copy(update={"database_url": f"sqlite:///{path}"})
    for attempt_to in (check_database, open_database):
        with pytest.raises(InputError, match="cannot be opened"):
            attempt_to(wrong)
    assert path.read_bytes() == before


def test_checking_makes_nothing(settings: Settings) -> None:
    check_database(settings)
    assert not settings.data_dir.exists()
    with pytest.raises(InputError, match="cannot be made there"):
        check_database(settings.model_copy(update={"data_dir": Path("/dev/null/below")}))


def test_clips_are_told_apart_by_content(tmp_path: Path) -> None:
    one, two = tmp_path / "a.mp4", tmp_path / "b.mp4"
    one.write_bytes(b"film" * 1000)
    two.write_bytes(b"film" * 1000)
    seen: list[float] = []
    assert identify_clip(one, seen.append).sha256 == identify_clip(two).sha256
    assert seen[-1] == 1.0
    two.write_bytes(b"film" * 999)
    assert identify_clip(one).sha256 != identify_clip(two).sha256
    with pytest.raises(InputError, match="cannot be read"):
        identify_clip(tmp_path)


def test_paths_are_packed_closely() -> None:
    t = np.linspace(7200, 7204, 240)
    path = np.column_stack([t, np.linspace(0, 2.5, 240), np.linspace(0.2, 1.2, 240)])
    packed = pack_path(path, 7200.0)
    assert len(packed) < 12 * 240
    np.testing.assert_allclose(unpack_path(packed, 7200.0), path, atol=1e-6)
    assert unpack_path(b"rubbish", 0.0).shape == (0, 3)


def test_other_databases_get_plain_rows() -> None:
    """The models hold nothing that only SQLite takes: a memory database made from them alone stores an attempt."""
    engine = create_engine("sqlite://")
    Base.metadata.create_all(engine)
    store_reading(engine, reading(shot=Shot("x", "bank", ("head",), "pocketed", target_pocket="foot-left")), clip())
    engine.dispose()
