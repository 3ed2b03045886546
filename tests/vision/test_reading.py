"""The JSON form of a reading: its published schema, null for what is not known, degrees in [0, 360)."""

import json
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from math import nan, radians
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from calibration.table import POCKETS, RAILS
from vision.mixed_reading import MixedReading, Unassigned
from vision.reading import (
    SCHEMA,
    Attempt,
    BallHit,
    CameraFacts,
    ClipFacts,
    NotAttempt,
    Placement,
    Pocketing,
    RailHit,
    Reading,
    attempt_json,
    bearing,
    number,
)
from vision.shot import parse_shot

SHOT = parse_shot(
    {
        "name": "one rail to the corner",
        "kind": "kick",
        "rails": ["left"],
        "made": "pocketed",
        "target": {"ball": [2.44, 0.07], "pocket": "foot-right"},
        "stroke": {"speed": "medium"},
    },
    "here",
)
HIT = RailHit("left", np.array([1.664, 1.2425]), 0.002, 3.99, 1.95, 1.60, radians(55.7), radians(-55.7))
MADE = Attempt(
    t_s=3.412,
    t_sd_s=0.003,
    ball="cue",
    start_m=np.array([0.98, 0.24]),
    start_sd_m=0.001,
    bearing_rad=radians(55.7),
    bearing_sd_rad=radians(0.04),
    speed_mps=2.31,
    speed_sd_mps=0.03,
    cue_start_m=np.array([0.98, 0.24]),
    cue_bearing_rad=radians(55.7),
    cut_rad=nan,
    contacts=(HIT,),
    ball_contacts=(BallHit(5.05, ("cue", "red"), np.array([2.42, 0.11])),),
    pocketed=(Pocketing("red", "foot-right", 5.2),),
    outcome="made",
    miss_m=-0.0126,
    miss_sd_m=0.003,
    miss_per_rad_m=-2.676,
    flags=(),
    path_m=np.zeros((0, 3)),
)
PLACED = (
    Placement("red", np.array([0.004, -0.003]), 0.0005, "drill"),
    Placement("cue", np.array([nan, nan]), nan, "first attempt"),
)
# A try of which hardly anything could be measured.
LOST = replace(
    MADE,
    bearing_rad=nan,
    bearing_sd_rad=nan,
    speed_mps=nan,
    speed_sd_mps=nan,
    cue_start_m=np.array([nan, nan]),
    cue_bearing_rad=nan,
    contacts=(replace(HIT, at_sd_m=nan, t_s=nan, speed_in_mps=nan, bearing_out_rad=nan),),
    outcome="unclear",
    miss_m=nan,
    miss_sd_m=nan,
    flags=("covered at the strike",),
)
READING = Reading(
    reader="0.1.0",
    shot=SHOT,
    table_name="9ft",
    table_length_m=2.54,
    table_width_m=1.27,
    head="left",
    clip=ClipFacts(612, 0, 20.4, 1920, 1080, True),
    camera=CameraFacts(0.4, 1.6, True, radians(0.03)),
    attempts=(MADE, LOST, replace(MADE, ball="red", cut_rad=radians(-12.0))),
    not_attempts=(NotAttempt(12.0, "ball moved by hand"),),
    warnings=("camera moved at 17.2 s; registered again",),
)


@pytest.fixture(scope="module")
def schema() -> dict[str, Any]:
    return json.loads((files("vision") / "schema" / "reading.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def test_a_reading_keeps_to_its_schema(schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    # As it is written: NaN would not survive, and must not be in it.
    written = json.loads(json.dumps(READING.to_json(), allow_nan=False))
    assert [e.message for e in Draft202012Validator(schema).iter_errors(written)] == []
    assert written["schema"] == SCHEMA == schema["properties"]["schema"]["const"]


OTHER = replace(SHOT, name="the other corner", rails=("right",), target_pocket="foot-left", target_ball=None)
MIXED = MixedReading(
    (
        replace(READING, attempts=(replace(MADE, t_s=9.0), replace(MADE, placement=PLACED))),
        replace(READING, shot=OTHER, attempts=(replace(LOST, t_s=6.0),)),
    ),
    (Unassigned(replace(LOST, t_s=7.0), "it fits none of the shots"),),
)


def test_a_reading_of_several_shots_keeps_to_the_same_schema(schema: dict[str, Any]) -> None:
    written = json.loads(json.dumps(MIXED.to_json(), allow_nan=False))
    assert [e.message for e in Draft202012Validator(schema).iter_errors(written)] == []
    assert "shot" not in written
    assert [s["name"] for s in written["shots"]] == [SHOT.name, OTHER.name]
    # By time, each with its shot.
    assert [(a["t_s"], a["shot"]) for a in written["attempts"]] == [
        (3.412, SHOT.name),
        (6.0, OTHER.name),
        (7.0, None),
        (9.0, SHOT.name),
    ]
    assert written["attempts"][2]["unassigned"] == "it fits none of the shots"
    assert written["attempts"][0]["placement"] == [
        {"ball": "red", "off_m": [0.004, -0.003], "sd_m": 0.0005, "from": "drill"},
        {"ball": "cue", "off_m": [None, None], "sd_m": None, "from": "first attempt"},
    ]
    # But for what says of which shot, it is what the readings say.
    for key in ("schema", "reader", "table", "clip", "camera", "not_attempts", "warnings"):
        assert written[key] == READING.to_json()[key]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("shots"),
        lambda d: d.update(shot=d["shots"][0]),
        lambda d: d.update(shots=[]),
        lambda d: d["attempts"][0].pop("shot"),
        lambda d: d["attempts"][2].pop("unassigned"),
        lambda d: d["attempts"][0].update(unassigned="why not"),
        lambda d: d["attempts"][0]["placement"][0].update({"from": "memory"}),
    ],
)
def test_the_schema_refuses_what_is_wrong_of_several_shots(schema: dict[str, Any], spoil: Any) -> None:
    data = MIXED.to_json()
    spoil(data)
    assert not Draft202012Validator(schema).is_valid(data)


def test_attempts_of_one_shot_do_not_say_of_which(schema: dict[str, Any]) -> None:
    data = READING.to_json()
    data["attempts"][0]["shot"] = SHOT.name
    assert not Draft202012Validator(schema).is_valid(data)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("reader"),
        lambda d: d.update(extra=1),
        lambda d: d.update(schema=2),
        lambda d: d["attempts"][0].pop("bearing_sd_deg"),
        lambda d: d["attempts"][0].update(bearing_deg=360.0),
        lambda d: d["attempts"][0].update(outcome="perhaps"),
        lambda d: d["attempts"][0].update(start_m=[1.0]),
        lambda d: d["attempts"][0]["contacts"][0].update(rail="top"),
        lambda d: d["attempts"][0]["pocketed"][0].update(pocket="corner"),
        lambda d: d["clip"].update(frames=1.5),
        lambda d: d["camera"].update(residual_px=-1),
    ],
)
def test_the_schema_refuses_what_is_wrong(schema: dict[str, Any], spoil: Any) -> None:
    data = READING.to_json()
    spoil(data)
    assert not Draft202012Validator(schema).is_valid(data)


def _fields(part: dict[str, Any], path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    for name, field in part.get("properties", {}).items():
        yield f"{path}{name}", field
        yield from _fields(field, f"{path}{name}.")
        yield from _fields(field.get("items", {}), f"{path}{name}[].")


def test_every_field_is_described_in_one_line(schema: dict[str, Any]) -> None:
    described = dict(_fields(schema))
    assert len(described) > 60
    for name, field in described.items():
        assert field.get("description", "").endswith("."), name
        assert "\n" not in field["description"], name


def test_schema_and_program_know_the_same_words(schema: dict[str, Any]) -> None:
    described = dict(_fields(schema))
    assert described["attempts[].contacts[].rail"]["enum"] == list(RAILS)
    assert described["attempts[].pocketed[].pocket"]["enum"] == list(POCKETS)
    assert described["shot.target.pocket"]["enum"] == list(POCKETS)
    assert described["shot.rails"]["items"]["enum"] == list(RAILS)


def test_every_measured_value_has_its_sd_beside_it(schema: dict[str, Any]) -> None:
    attempt = dict(_fields(schema))["attempts"]["items"]["required"]
    for value, sd in (
        ("t_s", "t_sd_s"),
        ("start_m", "start_sd_m"),
        ("bearing_deg", "bearing_sd_deg"),
        ("speed_mps", "speed_sd_mps"),
        ("miss_m", "miss_sd_m"),
    ):
        assert {value, sd} <= set(attempt)


def test_units_change_at_the_edge() -> None:
    out = attempt_json(MADE)
    assert out["bearing_deg"] == pytest.approx(55.7)
    assert out["bearing_sd_deg"] == pytest.approx(0.04)
    assert out["miss_per_deg_m"] == pytest.approx(-2.676 * np.pi / 180, abs=1e-6)
    assert out["contacts"][0]["bearing_out_deg"] == pytest.approx(304.3)
    assert "cut_deg" not in out
    assert attempt_json(replace(MADE, ball="red", cut_rad=radians(-12)))["cut_deg"] == pytest.approx(-12)


def test_unknown_is_null_never_zero() -> None:
    out = attempt_json(LOST)
    for name in ("bearing_deg", "bearing_sd_deg", "speed_mps", "speed_sd_mps", "miss_m", "miss_sd_m"):
        assert out[name] is None, name
    assert out["cue_start_m"] == [None, None]
    assert out["contacts"][0]["at_sd_m"] is None
    assert out["contacts"][0]["bearing_in_deg"] == pytest.approx(55.7)


@pytest.mark.parametrize(
    ("value_deg", "shown"),
    [(0.0, 0.0), (-0.5, 359.5), (360.0, 0.0), (-1e-9, 0.0), (359.999999, 0.0), (725.0, 5.0), (nan, None)],
)
def test_bearings_stay_in_the_circle(value_deg: float, shown: float | None) -> None:
    out = bearing(radians(value_deg))
    assert out == (shown if shown is None else pytest.approx(shown, abs=1e-4))
    assert out is None or 0 <= out < 360


def test_numbers_that_json_cannot_say() -> None:
    assert number(nan, 3) is None
    assert number(float("inf"), 3) is None
    assert number(-0.0001, 3) == 0
    assert str(number(-0.0001, 3)) == "0.0"
    assert number(np.float64(1.23456), 3) == 1.235
