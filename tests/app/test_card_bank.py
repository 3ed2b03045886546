"""Chances on a bank's card, line by line: each cut magnifies the cue ball's spread by its own factor."""

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from app.card.aim_card import AimCard, CardStroke, CueBall, aim_card
from app.card.chance import magnified, with_chances
from app.card.player_stroke import stroke_of_player
from app.fitting.fit import fit_shot
from app.margins.shot_margins import margins
from app.telling.aim_card_words import tell_chances
from app.telling.practice import attempt_rows
from calibration.table import Vector
from tests.app.scenario import TABLE
from tests.app.strokes import BANK, CUE_M, library, object_line, practice

BALLS_M = ((1.05, 0.60), (1.25, 0.60), (1.45, 0.60), (1.65, 0.60))
SPREAD_RAD = radians(0.15)


def fan(cue_m: Vector, ball_m: Vector) -> tuple[Vector, Vector]:
    """Lines of a cue ball all over a ball's width, and the lines on which they send it."""
    away = ball_m - cue_m
    widest = 0.999 * np.arcsin(2 * TABLE.ball_radius_m / np.hypot(*away))
    tried = np.arctan2(away[1], away[0]) + np.linspace(-widest, widest, 4001)
    return tried, np.array([object_line(cue_m, ball_m, b) for b in tried])


def bank_card() -> tuple[AimCard, CardStroke]:
    rows = practice(BANK, np.random.default_rng(7), SPREAD_RAD, each=8, places_m=BALLS_M)
    fit = fit_shot(attempt_rows(rows, BANK), shot_name=BANK.name, table=TABLE, shot=BANK)
    card = aim_card(fit, attempt_rows(rows, BANK), BANK, TABLE)
    stroke = stroke_of_player(library(BANK)[0], rows, lambda: ([], []))
    assert isinstance(card, AimCard)
    assert stroke is not None
    return with_chances(card, stroke), stroke


def test_each_line_is_made_as_often_as_its_own_cut_makes_it() -> None:
    """Cue balls sent with the spread, the object ball's line by discs that meet, the margins of the bank."""
    card, stroke = bank_card()
    rng = np.random.default_rng(8)
    found = card.fit.convergence
    flat = with_chances(card, replace(stroke, cue=None))
    told, apart = [], []
    for row, other in zip(card.rows, flat.rows, strict=True):
        room = margins(BANK, TABLE, row.ball_m)
        assert room is not None
        if not np.isfinite(row.make_chance):
            continue
        made = []
        tried, sent = fan(np.array(CUE_M), row.ball_m)
        for node in stroke.cue.nodes_rad:  # type: ignore[union-attr]
            # The cue ball's line that sends the ball on the card's, by search.
            off = (sent - row.bearing_rad + np.pi) % (2 * np.pi) - np.pi
            aim = tried[np.argmin(np.abs(off))]
            delivered = aim + rng.normal(0, node, 200)
            line = np.interp(delivered, tried, off)
            line = line + rng.normal(0, found.spread_rad, 200)
            made.append(np.mean((line <= float(room.left_rad)) & (line >= -float(room.right_rad))))
        told.append(row.make_chance - np.mean(made))
        apart.append(other.make_chance - np.mean(made))
    assert len(told) >= 6
    assert np.abs(told).max() < 0.06
    # One factor for all lines is far off on some.
    assert np.abs(apart).max() > 0.1


def test_a_cue_ball_stays_on_its_spot_or_goes_with_the_object_ball() -> None:
    """By finite differences of discs that meet."""
    balls = np.array(BALLS_M)
    spot, line = np.array([1.62, 0.20]), radians(100)
    at = np.array([[1.35, 0.60]])

    def turn(cue: Vector) -> float:
        tried, sent = fan(cue, at[0])
        k = int(np.argmin(np.abs(sent - line)))
        return float((sent[k + 1] - sent[k - 1]) / (tried[k + 1] - tried[k - 1]))

    on_spot = CueBall(balls, np.tile(spot, (4, 1)), np.array([0.01]))
    assert magnified(on_spot, at, np.array([line]), TABLE)[0] == pytest.approx(turn(spot), rel=0.01)
    away = np.array([0.1, -0.4])
    along = CueBall(balls, balls + away, np.array([0.01]))
    assert magnified(along, at, np.array([line]), TABLE)[0] == pytest.approx(turn(at[0] + away), rel=0.01)
    # From beyond the object ball no cue ball sends it back.
    assert np.isnan(magnified(CueBall(balls, balls + [0.0, 0.4], np.array([0.01])), at, np.array([line]), TABLE)).all()


def test_the_card_says_so() -> None:
    card, _ = bank_card()
    assert tell_chances(card)[0].endswith("at the middle one of the cuts; each line is reckoned with its own.")
