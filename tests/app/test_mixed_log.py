"""A clip of several drills in the log: each attempt under its shot, the rest kept, nothing twice."""

from dataclasses import replace

import numpy as np
import pytest
from alembic import command
from sqlalchemy import Engine, inspect

from app.store.database import alembic_config
from app.store.log import store_reading
from app.store.log_views import list_attempts, list_sessions, list_shots, load_session
from app.store.mixed_log import store_mixed
from calibration.errors import InputError
from tests.app.conftest import Client, clip
from tests.app.mixed import OTHER, WHY, mixed
from tests.app.scenario import KICK, attempt, reading
from vision.reading import Placement, attempt_json


def test_each_attempt_goes_to_its_shot_and_the_rest_is_kept(engine: Engine) -> None:
    read = mixed()
    stored = store_mixed(engine, read, clip(), player="A. Player")
    assert stored.added == {KICK.name: 2, OTHER.name: 1}
    assert (stored.already, stored.unassigned, stored.twice) == ((), 1, 0)
    assert stored.session_id is not None
    found = load_session(engine, stored.session_id)
    assert found is not None
    assert [s.name for s in found.shots] == [KICK.name, OTHER.name]
    for one in read.readings:
        logged = [attempt_json(a.attempt) for a in found.of_shot(one.shot.name)]
        assert logged == [attempt_json(a) for a in one.attempts]
    (left,) = found.unassigned
    assert (left.clip_name, left.t_s, left.why) == ("drill1.mp4", 24.0, WHY)
    assert left.measured == attempt_json(read.unassigned[0].attempt)
    # They count nowhere as attempts.
    assert [s.attempts for s in list_sessions(engine)] == [3]
    assert len(list_attempts(engine)) == 3


def test_the_same_clip_adds_nothing_twice(engine: Engine) -> None:
    first = store_mixed(engine, mixed(), clip())
    again = store_mixed(engine, mixed(), clip())
    assert again.added == {}
    assert set(again.already) == {KICK.name, OTHER.name}
    assert again.session_id == first.session_id
    assert len(list_attempts(engine)) == 3
    found = load_session(engine, 1)
    assert found is not None
    assert len(found.unassigned) == 1


def test_a_shot_file_that_was_missing_takes_its_strokes_later(engine: Engine) -> None:
    before = mixed([(KICK, 3.0)], strays_s=(10.0, 24.0), shots=(KICK,))
    assert store_mixed(engine, before, clip()).unassigned == 2
    after = store_mixed(engine, mixed([(KICK, 3.0), (OTHER, 10.0)], strays_s=(24.0,)), clip())
    assert (after.added, after.already, after.unassigned) == ({OTHER.name: 1}, (KICK.name,), 1)
    found = load_session(engine, 1)
    assert found is not None
    assert [u.t_s for u in found.unassigned] == [24.0]


def test_what_is_logged_at_a_shot_is_not_kept_as_unassigned_too(engine: Engine) -> None:
    store_mixed(engine, mixed([(KICK, 3.0)], strays_s=()), clip())
    later = store_mixed(engine, mixed([], strays_s=(3.001, 24.0)), clip())
    assert (later.added, later.unassigned, later.session_id) == ({}, 1, 1)


def test_attempts_that_are_in_the_log_for_another_shot_are_counted(engine: Engine) -> None:
    """The whole film was once read for one shot; now its other drill gets what is its own."""
    store_reading(engine, reading([attempt((0.98, 0.25), 0.3, t_s=t) for t in (3.0, 10.0, 17.0)]), clip())
    stored = store_mixed(engine, mixed(), clip())
    assert (stored.added, stored.already, stored.twice) == ({OTHER.name: 1}, (KICK.name,), 1)


def test_a_shot_without_an_attempt_leaves_no_trace(engine: Engine) -> None:
    store_mixed(engine, mixed([(KICK, 3.0)]), clip())
    assert [s.shot.name for s in list_shots(engine)] == [KICK.name]


def test_only_strokes_at_none(engine: Engine, client: Client) -> None:
    stored = store_mixed(engine, mixed([]), clip())
    assert (stored.added, stored.unassigned) == ({}, 1)
    assert [(s.shots, s.attempts) for s in list_sessions(engine)] == [((), 0)]
    # Read again with the shot that was drilled, it is the same practice.
    assert store_mixed(engine, mixed([(KICK, 3.0)]), clip()).session_id == stored.session_id
    assert len(list_sessions(engine)) == 1
    assert client.get("/").status_code == 200


def test_nothing_at_all_makes_no_session(engine: Engine) -> None:
    stored = store_mixed(engine, mixed([], strays_s=()), clip())
    assert (stored.session_id, stored.added, stored.unassigned) == (None, {}, 0)
    assert list_sessions(engine) == []


def test_all_or_nothing(engine: Engine) -> None:
    store_reading(engine, reading([], shot=replace(OTHER, rails=("left",))), clip(2))
    with pytest.raises(InputError, match="another 'rails'"):
        store_mixed(engine, mixed(), clip(1))
    assert [s.started_at for s in list_sessions(engine)] == [clip(2).filmed_at]
    assert list_attempts(engine) == ()


def test_page_tells_that_a_film_lacks_a_part(engine: Engine, client: Client) -> None:
    """It may be the middle: it is not cut short for that."""
    whole = reading([])
    store_reading(engine, whole, clip())
    store_reading(engine, replace(whole, clip=replace(whole.clip, complete=False)), clip(2))
    assert "not complete" not in client.get("/sessions/1").text
    page = client.get("/sessions/2").text
    assert "1110 frames, not complete" in page
    assert "cut short" not in page


def test_page_and_interface_tell_of_them(engine: Engine, client: Client) -> None:
    store_mixed(engine, mixed(strays_s=(24.0, 31.0)), clip())
    page = client.get("/sessions/1").text
    assert "2 strokes, kept apart from the attempts" in page
    assert f"0:24.0 into drill1.mp4: {WHY}" in page
    said = client.get("/api/sessions/1").json()["unassigned"]
    assert [(u["clip"], u["why"], u["measured"]["t_s"]) for u in said] == [
        ("drill1.mp4", WHY, 24.0),
        ("drill1.mp4", WHY, 31.0),
    ]
    store_reading(engine, reading(), clip(2))
    assert "kept apart" not in client.get("/sessions/2").text


def test_placement_comes_back(engine: Engine) -> None:
    put = Placement("red", np.array([0.004, np.nan]), 0.0005, "drill")
    store_reading(engine, reading([replace(attempt((0.98, 0.25), 0.3), placement=(put,))]), clip())
    (back,) = list_attempts(engine)[0].attempt.placement
    assert back.off_m == pytest.approx(put.off_m, nan_ok=True)
    assert (back.ball, back.sd_m, back.put_by) == ("red", 0.0005, "drill")


def test_a_log_of_before_keeps_its_attempts(engine: Engine) -> None:
    with engine.begin() as connection:
        command.downgrade(alembic_config(connection), "base")
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
    store_reading(engine, reading(), clip())
    with engine.begin() as connection:
        command.downgrade(alembic_config(connection), "0001")
    assert "placement" not in {c["name"] for c in inspect(engine).get_columns("attempts")}
    with engine.begin() as connection:
        command.upgrade(alembic_config(connection), "head")
    attempts = list_attempts(engine)
    assert len(attempts) == 5
    assert all(a.attempt.placement == () for a in attempts)
