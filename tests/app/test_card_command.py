"""The aim card at the command line, in words, as CSV and as a picture."""

import csv
import json
import os
import xml.etree.ElementTree as ET
from dataclasses import replace
from math import radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine

from app.card.aim_card import AimCard, aim_card
from app.card.from_log import card_of_log, parse_part
from app.card.tape import Tape
from app.fitting.fit import fit_shot
from app.store.log import store_reading
from app.store.log_views import find_shot
from app.telling.aim_card_drawing import draw_card
from app.telling.aim_card_words import tell_aim, tell_no_card, tell_place, tell_starts, tell_tape
from app.telling.lengths import by_tape
from app.telling.point_view import point_view
from calibration.errors import InputError
from tests.app.conftest import clip
from tests.app.scenario import KICK, TABLE, attempt, reading
from tests.app.test_aim_card import aimed, made
from tests.app.test_command_line import refused, run
from tests.app.test_drawing import fitted
from tests.app.test_fit import kicks

GOLDEN = Path(__file__).parent / "golden" / "aim_card.svg"
NAMESPACE = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def drilled(engine: Engine) -> None:
    """Fourteen tries at medium speed, eight soft ones, and a shot of which two tries are known."""
    rng = np.random.default_rng(5)
    for k, (count, speed) in enumerate(((14, 2.2), (8, 1.2)), 1):
        tries = []
        for n in range(count):
            start = rng.uniform((0.4, 0.15), (1.5, 0.5))
            one = attempt(start, rng.normal(0, 0.6), t_s=3.0 + 7 * n, speed_mps=speed)
            tries.append(replace(one, miss_m=one.miss_m + radians(0.15) * rng.normal() * one.miss_per_rad_m))
        store_reading(engine, reading(tries), clip(k), player="A. Player")
    young = replace(KICK, name="young", target_ball=(2.40, 0.10))
    tries = [attempt((0.5 + 0.3 * n, 0.3), 0.5, shot=young, t_s=3.0 + 7 * n) for n in range(2)]
    store_reading(engine, reading(tries, shot=young), clip(3))


@pytest.mark.usefixtures("drilled")
def test_the_card_in_words(tmp_path: Path) -> None:
    result = run("card", "--shot", KICK.name, "--csv", tmp_path / "c.csv", "--json", tmp_path / "c.json")
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    for words in (
        "Medium speed, no english; shot at 1.2 to 2.2 m/s, soft to medium.",
        "The point. From the nose of the left rail opposite sight 0.3",
        "straight out from the rail.",
        "of the right rail",
        "across from the foot-right corner: 22 starts, 1 March 2026 to 2 March 2026.",
        "Thrown together here: speed medium (14), soft (8).",
        "--split speed=medium makes the card of those alone.",
        "Sights are counted from the foot-right corner on the right rail, from the foot-left corner on the left rail.",
        "left rail, through the sight",
        "Find the line on which the cue ball lies",
    ):
        assert words in said
    card = json.loads((tmp_path / "c.json").read_text())
    with (tmp_path / "c.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(card["rows"]) > 10
    for row, other in zip(rows, card["rows"], strict=True):
        assert (row["near_rail"], row["first_corner"], row["state"]) == ("right", "foot-left", other["state"])
        assert float(row["near_sight"]) == other["near_sight"]
        assert float(row["at_nose"]) == pytest.approx(other["at_nose"]["sight"], abs=1e-4)
        assert float(row["through_sight_low"]) == pytest.approx(other["through_sight"]["low"], abs=1e-4)


@pytest.mark.usefixtures("drilled")
def test_one_speed_alone_is_fitted_alone(engine: Engine, tmp_path: Path) -> None:
    out = tmp_path / "c.json"
    result = run("card", "--shot", KICK.name, "--split", "speed=soft", "--split", "player=A. Player", "--json", out)
    assert result.exit_code == 0, result.output
    assert "(speed soft, player A. Player)" in result.stdout
    assert "Thrown together" not in result.stdout
    card = json.loads(out.read_text())
    assert (card["used"], card["pooled"], card["seen"]["speed_mps"]) == (8, [], [1.2, 1.2])
    answer = card_of_log(engine, find_shot(engine, KICK.name), parts=[("speed", "soft")])
    assert {logged.attempt.speed_mps for logged in answer.practice.attempts} == {1.2}


@pytest.mark.usefixtures("drilled")
@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--shot", "moon"], "moon"),
        (["--shot", "young"], "no aim card: 2 usable attempts; a point needs at least 3; an attempt from"),
        (["--shot", KICK.name, "--near", "moon"], "--near is 'moon'; use one of head, foot, left, right."),
        (["--shot", KICK.name, "--near", "left"], "the near rail cannot be the left rail"),
        (["--shot", KICK.name, "--split", "speed"], "has no value; write one, such as speed=medium."),
        (["--shot", KICK.name, "--split", "moon=1"], "write one of english, speed, player, day"),
        (["--shot", KICK.name, "--split", "speed=firm"], "has speed 'firm'; there is medium, soft."),
        (["--shot", KICK.name, "--csv", "x", "--svg", "x"], "--svg would overwrite"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence(
    options: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    refused(run("card", *options), said)
    assert list(tmp_path.glob("x")) == []


def test_parts() -> None:
    assert parse_part("player=A = B ") == ("player", "A = B")
    with pytest.raises(InputError, match="no value"):
        parse_part("day=")


def test_the_golden_picture() -> None:
    """Of a fit written down here, so that the fitting's last digits do not draw it anew."""
    rows = kicks(12, noise_deg=0.3)
    fit = fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK)
    family = np.array([radians(56.4), 0.48])
    ring = family + 0.01 * np.array([[0.1, 0.0], [0.2, 1.0], [-0.1, 0.0], [-0.2, -1.0], [0.1, 0.0]])
    found = replace(fit.convergence, family=family, region=ring, point_m=np.array([2.423, 2.370]), status="point")
    weights = tuple(w for w in fit.weights if w.weight == 0)
    card = aim_card(replace(fit, convergence=found, weights=weights), rows, KICK, TABLE)
    assert isinstance(card, AimCard)
    states = [("holds", "unsure")[k % 5 == 0] if row.state != "beyond" else "beyond" for k, row in enumerate(card.rows)]
    card = replace(card, rows=tuple(replace(row, state=s) for row, s in zip(card.rows, states, strict=True)))  # type: ignore[arg-type]
    picture = draw_card(card, fitted((2.423, 2.370)))
    if os.environ.get("RAILPOINT_WRITE_GOLDEN"):
        GOLDEN.write_text(picture, encoding="utf-8")
    assert picture == GOLDEN.read_text(encoding="utf-8")


def test_each_row_is_drawn_as_it_is_and_runs_to_the_point() -> None:
    card = made(kicks(12, noise_deg=0.3))
    assert card.point_m is not None
    root = ET.fromstring(draw_card(card, point_view(card.fit.to_json()), standalone=True))
    drawn = [g for g in root.iter(f"{NAMESPACE}g") if g.get("class") in ("holds", "unsure", "beyond", "no-cushion")]
    assert [g.attrib["class"] for g in drawn] == [r.state if r.on_cushion else "no-cushion" for r in card.rows]
    left, top, width, height = (float(v) for v in root.attrib["viewBox"].split())
    for group, row in zip(drawn, card.rows, strict=True):
        on_table, carried = ([float(e.attrib[k]) for k in ("x1", "y1", "x2", "y2")] for e in group if "x1" in e.attrib)
        assert on_table[:2] == pytest.approx([1000 * row.near_m[0], -1000 * row.near_m[1]], abs=0.06)
        assert on_table[2:] == carried[:2]
        assert carried[2:] == pytest.approx([1000 * card.point_m[0], -1000 * card.point_m[1]], abs=0.2)
        assert all(left <= x <= left + width for x in on_table[::2])
        assert all(top <= y <= top + height for y in on_table[1::2])
    assert len([e for e in root.iter(f"{NAMESPACE}circle") if e.get("class") == "seen"]) == 12


# The first is worked by hand: 1.20 m are 47.24 in, a quarter of a sight of 31.75 cm is 7.94 cm, 3.125 in.
@pytest.mark.parametrize(
    ("tape", "words"),
    [
        (
            Tape("left", "foot-left", 3.25, 1.031875, 1.2, 3, 0.079375),
            "from the nose of the left rail opposite sight 3.25, which is 8 cm (3 1/8 in) from sight 3 away from the "
            "foot-left corner: 120 cm (47 1/4 in) straight out from the rail",
        ),
        (
            Tape("left", "foot-left", -0.32, -0.1016, 0.254, 1, -0.4191),
            "from the nose line of the left rail carried on past the foot-left corner, to 42 cm (16 1/2 in) from sight "
            "1: 25 cm (10 in) straight out from the rail",
        ),
        (
            Tape("left", "foot-left", 2.99999, 0.9525, -0.762, 3, -0.00001),
            "from the nose of the left rail opposite sight 3: 76 cm (30 in) straight in over the cloth",
        ),
        (
            Tape("left", "foot-left", 4.0, 1.27, 1.2, 3, 0.3175),
            "from the nose of the left rail opposite the middle of the side pocket: 120 cm (47 1/4 in) straight out "
            "from the rail",
        ),
        (
            Tape("left", "foot-left", 0.0, 0.0, 1.2, 1, -0.3175),
            "from the nose of the left rail opposite sight 0.00, which is 32 cm (12 1/2 in) from sight 1 towards the "
            "foot-left corner: 120 cm (47 1/4 in) straight out from the rail",
        ),
        (
            Tape("foot", "foot-right", 0.5, 0.15875, 1.0, 1, -0.15875),
            "from the nose of the foot rail opposite sight 0.50, which is 16 cm (6 1/4 in) from sight 1 towards the "
            "foot-right corner: 100 cm (39 3/8 in) straight out from the rail",
        ),
    ],
)
def test_the_tape_in_words(tape: Tape, words: str) -> None:
    assert tell_tape(tape) == words


def test_lengths_and_places() -> None:
    assert by_tape(1.996) == "200 cm (78 5/8 in)"
    assert by_tape(2.004) == "2.00 m (78 7/8 in)"
    assert by_tape(0.003) == "0 cm (1/8 in)"
    row = made(kicks(12)).rows[3]
    assert tell_place(replace(row.at_nose, count=3.6249, low=3.58, high=3.66)) == "3.62 ± 0.04"
    assert tell_place(replace(row.at_nose, count=3.6249, low=3.624, high=3.625)) == "3.62 ± 0.01"
    assert tell_place(replace(row.at_nose, count=3.6, low=float("nan"), high=float("nan"))) == "3.6"
    assert tell_place(replace(row.at_nose, count=3.6, low=float("-inf"), high=float("inf"))) == "3.6, may be anywhere"


def test_for_which_starts() -> None:
    card = made(kicks(16, noise_deg=0.05))
    rows = [replace(card.rows[0], near_sight=k / 4, on_cushion=k != 6, state=s) for k, s in enumerate(
        ["beyond", "holds", "holds", "unsure", "holds", "holds", "holds", "holds", "beyond"]
    )]  # fmt: skip
    sentence = tell_starts(replace(card, rows=tuple(rows)))[0]
    assert sentence == (
        "Holds for lines over sights 0.25 to 0.5 of the right rail; unsure for lines over sight 0.75 of the right "
        "rail; holds for lines over sights 1 to 1.25 of the right rail; holds for lines over sight 1.75 of the right "
        "rail."
    )


def test_one_direction_in_words_and_picture() -> None:
    card = made(
        aimed([60.2, 59.8, 60.1, 59.9, 60.15, 60.0, 59.85], [(0.4 + 0.15 * k, 0.2 + 0.04 * k) for k in range(7)])
    )
    point = point_view(card.fit.to_json())
    assert card.kind == "direction"
    # Over both set-backs and the width, 57 3/8 in, at 60 degrees: 33 1/8 in towards the foot, 2.65 sights less.
    assert "the left rail's sight that counts 2.6" in tell_aim(card, point)[0]
    assert "less." in tell_aim(card, point)[0]
    assert "almost parallel" in draw_card(card, point)


def test_lines_that_meet_in_no_one_point_are_told_to_be_parted() -> None:
    curved = [
        replace(r, bearing_rad=r.bearing_rad + radians(6) * (k / 30 - 0.5) ** 2, miss_sd_m=0.0005)
        for k, r in enumerate(sorted(kicks(30, noise_deg=0.02, aim_deg=0.05), key=lambda r: r.start_x_m))
    ]
    fit = fit_shot(curved, shot_name="kick", table=TABLE, shot=KICK)
    none = aim_card(fit, curved, KICK, TABLE)
    assert not isinstance(none, AimCard)
    said = tell_no_card(replace(none, good_sights=None), point_view(fit.to_json()))
    assert said == (
        "no aim card: the lines do not meet in one point for all the starts seen; log starts from a smaller part of "
        "the table as a shot of their own, and make its card."
    )
