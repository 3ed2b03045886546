"""The shot file: what is read, the target point, and one clear sentence for everything that is wrong."""

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.errors import InputError
from calibration.table import RAILS, STANDARD_TABLES
from vision.shot import SPEED_WORDS_MPS, load_shot, parse_shot

NINE = STANDARD_TABLES["9ft"]
GOOD: dict[str, Any] = {
    "name": "one rail to the foot-right corner",
    "kind": "kick",
    "rails": ["left"],
    "made": "pocketed",
    "target": {"ball": [2.44, 0.07], "pocket": "foot-right"},
    "stroke": {"speed": "medium", "english": "running", "tips": 0.5, "height": "follow"},
}
TEXT = """
name = "one rail to the foot-right corner"
kind = "kick"
rails = ["left"]
made = "pocketed"
[target]
ball = [2.44, 0.07]
pocket = "foot-right"
[stroke]
speed = "medium"
english = "running"
tips = 0.5
height = "follow"
"""


def changed(**changes: Any) -> dict[str, Any]:
    """The good shot with entries changed; ``target__pocket`` names one in a section, None takes it away."""
    data = copy.deepcopy(GOOD)
    for key, value in changes.items():
        *section, entry = key.split("__")
        place = data[section[0]] if section else data
        if value is None:
            place.pop(entry)
        else:
            place[entry] = value
    return data


def test_a_shot_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "shot.toml"
    path.write_text(TEXT, encoding="utf-8")
    shot = load_shot(path)
    assert shot == parse_shot(GOOD, "here")
    assert (shot.kind, shot.rails, shot.made) == ("kick", ("left",), "pocketed")
    assert (shot.target_ball, shot.target_pocket, shot.target_aim) == ((2.44, 0.07), "foot-right", None)
    assert (shot.stroke.speed, shot.stroke.english, shot.stroke.tips, shot.stroke.height) == (
        "medium",
        "running",
        0.5,
        "follow",
    )
    assert shot.to_json() == GOOD


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": "bank", "target__ball": None},
        {"made": "hit", "target__ball": "any"},
        {"made": "hit", "target__pocket": None},
        {"rails": ["left", "foot", "right", "head"]},
        {"target__aim": [2.41, 0.1]},
        {"stroke": {}},
        {"stroke__speed": 2.5},
        {"stroke__speed": 3},
    ],
)
def test_good_shots_come_back_as_they_were_written(changes: dict[str, Any]) -> None:
    data = changed(**changes)
    out = parse_shot(data, "here").to_json()
    assert {k: v for k, v in out.items() if k != "stroke"} == {k: v for k, v in data.items() if k != "stroke"}
    assert out["stroke"] == {"english": "none", "tips": 0.0, "height": "centre"} | data["stroke"]
    assert parse_shot(out, "there").to_json() == out


def test_sections_may_be_left_out() -> None:
    data = changed(stroke=None)
    assert parse_shot(data, "here").stroke.speed is None


# What is spoilt, and what the sentence must say besides the file's name.
BAD: list[tuple[dict[str, Any], str]] = [
    ({"name": None}, "'name' is missing"),
    ({"name": "  "}, "'name' is missing"),
    ({"name": 3}, "'name' is missing"),
    ({"kind": None}, "'kind' is missing; use one of kick, bank"),
    ({"kind": "masse"}, "'kind' is 'masse'; use one of kick, bank"),
    ({"kind": ["kick"]}, "use one of kick, bank"),
    ({"made": None}, "'made' is missing; use one of pocketed, hit"),
    ({"made": "scored"}, "'made' is 'scored'"),
    ({"rails": None}, "'rails' must list one to 4 rails"),
    ({"rails": []}, "'rails' must list one to 4 rails"),
    ({"rails": "left"}, "'rails' must list one to 4 rails"),
    ({"rails": ["left", "right"] * 3}, "'rails' must list one to 4 rails"),
    ({"rails": ["top"]}, f"rail 'top' is not known; use {', '.join(RAILS)}"),
    ({"rails": [1]}, "rail 1 is not known"),
    ({"rails": [["left"]]}, "is not known"),
    ({"rails": ["left", "left"]}, "the left rail stands twice in a row"),
    ({"speed": 3}, "unknown entry 'speed'"),
    ({"target": None}, "names neither a ball nor a pocket"),
    ({"target": {}}, "names neither a ball nor a pocket"),
    ({"target": "foot-right"}, "[target] must be a section"),
    ({"target__colour": "red"}, "[target] has an unknown entry 'colour'; known are aim, ball, pocket"),
    ({"target__pocket": "corner"}, "target.pocket is 'corner'; use one of head-left"),
    ({"target__pocket": None}, 'made = "pocketed" needs target.pocket'),
    ({"made": "hit", "target__ball": None}, 'made = "hit" needs target.ball'),
    ({"target__ball": [2.44]}, "target.ball must be a place [x, y]"),
    ({"target__ball": "red"}, "target.ball must be a place [x, y]"),
    ({"target__ball": [2.44, "low"]}, "target.ball is 'low'; it must be a number"),
    ({"target__ball": [2.44, True]}, "target.ball is True; it must be a number"),
    ({"target__ball": [2.44, float("nan")]}, "target.ball is nan; it must be a number"),
    ({"target__ball": [244, 7.5]}, "target.ball is [244, 7.5], which is on no table; give metres"),
    ({"target__aim": [96.1, 3.9]}, "target.aim is [96.1, 3.9], which is on no table; give metres"),
    ({"target__aim": [1, 2, 3]}, "target.aim must be a place [x, y]"),
    ({"stroke": []}, "[stroke] must be a section"),
    ({"stroke__spin": 1}, "[stroke] has an unknown entry 'spin'"),
    ({"stroke__speed": "hard"}, f"stroke.speed is 'hard'; use one of {', '.join(SPEED_WORDS_MPS)}, or metres"),
    ({"stroke__speed": "2.3"}, "as a number without quotes, such as 2.3"),
    ({"stroke__speed": -1}, "stroke.speed is -1.0 m/s"),
    ({"stroke__speed": 40}, "stroke.speed is 40.0 m/s"),
    ({"stroke__speed": [2]}, "stroke.speed is [2]; it must be a number"),
    ({"stroke__english": "inside"}, "stroke.english is 'inside'; use one of none, running"),
    ({"stroke__tips": "half"}, "stroke.tips is 'half'; it must be a number"),
    ({"stroke__height": "top"}, "stroke.height is 'top'; use one of draw, stun, centre, follow"),
]


@pytest.mark.parametrize(("changes", "sentence"), BAD, ids=lambda value: str(value)[:40])
def test_what_is_wrong_is_said_in_one_sentence(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_shot(changed(**changes), "my.toml")
    message = str(caught.value)
    assert message.startswith("my.toml: ")
    assert sentence in message
    assert message.endswith(".")
    assert "\n" not in message


@pytest.mark.parametrize(
    ("content", "sentence"),
    [(b"name = ", "not valid TOML"), (b"\xff\xfe", "not UTF-8"), (b"rails = 3", "'name' is missing")],
)
def test_files_that_are_no_shot(tmp_path: Path, content: bytes, sentence: str) -> None:
    path = tmp_path / "shot.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=sentence) as caught:
        load_shot(path)
    assert str(path) in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        load_shot(tmp_path / "none.toml")


def test_target_of_a_kick_is_the_ghost_ball() -> None:
    """The kicked ball's centre as it touches the waiting ball on the far side from the pocket's mouth."""
    shot = parse_shot(GOOD, "here")
    for ball in (np.array([2.44, 0.07]), np.array([2.40, 0.10])):
        ghost = shot.target_point_m(NINE, ball)
        assert np.hypot(*(ghost - ball)) == pytest.approx(2 * NINE.ball_radius_m)
        line = NINE.mouth_m("foot-right") - ball
        assert (ball - ghost) @ line == pytest.approx(np.hypot(*(ball - ghost)) * np.hypot(*line))
    # Without a ball seen, the place that the file names.
    assert shot.target_point_m(NINE) == pytest.approx(shot.target_point_m(NINE, np.array([2.44, 0.07])))


def test_target_of_the_other_kinds() -> None:
    seen = np.array([2.30, 0.20])
    mouth = NINE.mouth_m("foot-right")
    assert parse_shot(changed(kind="bank"), "here").target_point_m(NINE, seen) == pytest.approx(mouth)
    assert parse_shot(changed(target__ball=None), "here").target_point_m(NINE) == pytest.approx(mouth)
    assert parse_shot(changed(made="hit"), "here").target_point_m(NINE, seen) == pytest.approx(seen)
    assert parse_shot(changed(made="hit", kind="bank"), "here").target_point_m(NINE, seen) == pytest.approx(seen)
    aim = parse_shot(changed(target__aim=[2.41, 0.1]), "here")
    assert aim.target_point_m(NINE, seen) == pytest.approx([2.41, 0.1])
    anything = parse_shot(changed(made="hit", target__ball="any", target__pocket=None), "here")
    assert anything.target_point_m(NINE, seen) == pytest.approx(seen)
    with pytest.raises(InputError, match="the target ball's place is not known"):
        anything.target_point_m(NINE)
