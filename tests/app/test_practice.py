"""The log's attempts as rows for the fit."""

from dataclasses import replace
from datetime import UTC, datetime
from math import nan

import pytest

from app.store.logged import LoggedAttempt
from app.telling.practice import attempt_rows
from tests.app.scenario import KICK, STARTS_M, TABLE, attempt


@pytest.mark.parametrize(("flag", "side"), [("line_left", "left"), ("line_right", "right"), ("wrong_rails", None)])
def test_gross_miss_keeps_its_side(flag: str, side: str | None) -> None:
    gross = replace(attempt(STARTS_M[0], 12.0), miss_m=nan, miss_sd_m=nan, outcome="missed", flags=(flag,))
    logged = LoggedAttempt(1, 1, 1, KICK.name, "film", "clip", 0.0, datetime(2026, 3, 1, tzinfo=UTC), "", gross, TABLE)
    (row,) = attempt_rows([logged], KICK)
    assert row.miss_side == side
    assert row.outcome == "missed"
