"""What is drilled: the shot file, its checks, and the point that a path should pass through."""

import tomllib
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from calibration.errors import InputError
from calibration.table import POCKETS, RAILS, Pocket, Rail, Table, Vector

Kind = Literal["kick", "bank"]
Made = Literal["pocketed", "hit"]
English = Literal["none", "running", "reverse", "left", "right"]
Height = Literal["draw", "stun", "centre", "follow"]
# Launch speeds that the three words stand for, metres per second: common practice, no source.
SPEED_WORDS_MPS: dict[str, float] = {"soft": 1.2, "medium": 2.2, "firm": 3.6}
MOST_RAILS = 4
# No table reaches farther than this; a larger number is of centimetres or inches.
FARTHEST_M = 5.0


@dataclass(frozen=True)
class Stroke:
    """The intended stroke. ``speed`` is a word of ``SPEED_WORDS_MPS`` or metres per second."""

    speed: str | float | None = None
    english: English = "none"
    tips: float = 0.0
    height: Height = "centre"


@dataclass(frozen=True)
class Shot:
    """A pattern that is practised. Positions are ball centres in metres in the table frame."""

    name: str
    kind: Kind
    rails: tuple[Rail, ...]
    made: Made
    target_ball: tuple[float, float] | Literal["any"] | None = None
    target_pocket: Pocket | None = None
    target_aim: tuple[float, float] | None = None
    stroke: Stroke = field(default_factory=Stroke)

    def target_point_m(self, table: Table, ball_m: Vector | None = None) -> Vector:
        """The point through which the path should pass on the leg after the last rail, shape (2,), metres.

        ``ball_m`` is where the target ball was seen to rest; without it the place that the shot names is taken.
        The stated aim if there is one; the ghost-ball centre for a target ball that is to be pocketed by a kick; the
        target ball's centre when it is only to be hit; else the middle of the pocket's mouth. Raises InputError where
        there is no such place.
        """
        if self.target_aim is not None:
            return np.array(self.target_aim)
        if ball_m is None and isinstance(self.target_ball, tuple):
            ball_m = np.array(self.target_ball)
        if ball_m is not None and self.kind == "kick":
            if self.made == "hit" or self.target_pocket is None:
                return ball_m
            away = ball_m - self._mouth_m(table, self.target_pocket)
            return ball_m + 2 * table.ball_radius_m * away / float(np.hypot(*away))
        if ball_m is not None and self.made == "hit":
            return ball_m
        if self.target_pocket is None:
            raise InputError(
                f"shot {self.name!r}: the target ball's place is not known; give target.aim or target.pocket."
            )
        return self._mouth_m(table, self.target_pocket)

    def _mouth_m(self, table: Table, pocket: Pocket) -> Vector:
        if not table.has_pockets:
            raise InputError(
                f"shot {self.name!r} aims at the {pocket} pocket, and a {table.name} table has none; name the table "
                "that was played on, or give the shot a target.ball."
            )
        return table.mouth_m(pocket)

    def to_json(self) -> dict[str, Any]:
        """The shot in the words of its file."""
        target: dict[str, Any] = {}
        if self.target_ball is not None:
            target["ball"] = list(self.target_ball) if isinstance(self.target_ball, tuple) else self.target_ball
        if self.target_pocket is not None:
            target["pocket"] = self.target_pocket
        if self.target_aim is not None:
            target["aim"] = list(self.target_aim)
        stroke: dict[str, Any] = {} if self.stroke.speed is None else {"speed": self.stroke.speed}
        stroke |= {"english": self.stroke.english, "tips": self.stroke.tips, "height": self.stroke.height}
        return {
            "name": self.name,
            "kind": self.kind,
            "rails": list(self.rails),
            "made": self.made,
            "target": target,
            "stroke": stroke,
        }


def load_shot(path: Path) -> Shot:
    """Read a shot file (TOML). Raises InputError, naming the file and the entry."""
    try:
        with path.open("rb") as stream:
            data = tomllib.load(stream)
    except OSError as error:
        raise InputError(f"{path}: the shot file cannot be read ({error.strerror}).") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: the shot file is not valid TOML: {error}.") from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: the shot file is not UTF-8 text; give the clip first and the shot file (.toml) with --shot."
        ) from error
    return parse_shot(data, str(path))


def load_shots(folder: Path | None) -> dict[str, Shot]:
    """The shot files of a folder, by name. Raises InputError when it is no folder or two files share a name."""
    if folder is None:
        return {}
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder of shot files.")
    known: dict[str, Shot] = {}
    for path in sorted(folder.glob("*.toml")):
        loaded = load_shot(path)
        if loaded.name in known:
            raise InputError(f"{path}: another file of this folder has the name {loaded.name!r}; names must differ.")
        known[loaded.name] = loaded
    return known


def parse_shot(data: dict[str, Any], where: str) -> Shot:
    """Check a shot given as the shot file's mapping. Raises InputError, naming ``where`` and the entry."""
    known = {"name", "kind", "rails", "made", "target", "stroke"}
    _refuse_unknown(data, known, where, "the shot")
    name = data.get("name")
    if not isinstance(name, str) or not name.strip():
        raise InputError(
            f"{where}: 'name' is missing; give the shot a name, such as name = \"one rail to the corner\"."
        )
    kind = _choice(data, "kind", get_args(Kind), where)
    made = _choice(data, "made", get_args(Made), where)
    target = _table(data, "target", where)
    _refuse_unknown(target, {"ball", "pocket", "aim"}, where, "[target]")
    pocket = _choice(target, "pocket", POCKETS, where, "target.") if "pocket" in target else None
    ball = _ball(target, where)
    aim = _point(target["aim"], "target.aim", where) if "aim" in target else None
    if ball is None and pocket is None:
        raise InputError(f"{where}: [target] names neither a ball nor a pocket; give at least one.")
    if made == "pocketed" and pocket is None:
        raise InputError(f'{where}: made = "pocketed" needs target.pocket, one of {", ".join(POCKETS)}.')
    if made == "hit" and ball is None:
        raise InputError(f'{where}: made = "hit" needs target.ball, a place such as [2.44, 0.07] or "any".')
    return Shot(
        name=name.strip(),
        kind=kind,  # type: ignore[arg-type]
        rails=_rails(data, where),
        made=made,  # type: ignore[arg-type]
        target_ball=ball,
        target_pocket=pocket,  # type: ignore[arg-type]
        target_aim=aim,
        stroke=_stroke(_table(data, "stroke", where), where),
    )


def _stroke(data: dict[str, Any], where: str) -> Stroke:
    _refuse_unknown(data, {"speed", "english", "tips", "height"}, where, "[stroke]")
    speed = data.get("speed")
    if isinstance(speed, str):
        if speed not in SPEED_WORDS_MPS:
            raise InputError(
                f"{where}: stroke.speed is {speed!r}; use one of {', '.join(SPEED_WORDS_MPS)}, or metres per second as "
                "a number without quotes, such as 2.3."
            )
    elif speed is not None:
        speed = _number(speed, "stroke.speed", where)
        if not 0 < speed < 15:
            raise InputError(f"{where}: stroke.speed is {speed} m/s; give a word or a speed between 0 and 15.")
    return Stroke(
        speed=speed,
        english=_choice(data, "english", get_args(English), where, "stroke.") if "english" in data else "none",  # type: ignore[arg-type]
        tips=_number(data.get("tips", 0.0), "stroke.tips", where),
        height=_choice(data, "height", get_args(Height), where, "stroke.") if "height" in data else "centre",  # type: ignore[arg-type]
    )


def _rails(data: dict[str, Any], where: str) -> tuple[Rail, ...]:
    rails = data.get("rails")
    if not isinstance(rails, list) or not 1 <= len(rails) <= MOST_RAILS:
        raise InputError(f"{where}: 'rails' must list one to {MOST_RAILS} rails in order, such as [\"left\"].")
    for rail in rails:
        if rail not in RAILS:
            raise InputError(f"{where}: rail {rail!r} is not known; use {', '.join(RAILS)}.")
    for first, second in pairwise(rails):
        if first == second:
            raise InputError(f"{where}: the {first} rail stands twice in a row; a ball meets another rail in between.")
    return tuple(rails)


def _ball(target: dict[str, Any], where: str) -> tuple[float, float] | Literal["any"] | None:
    ball = target.get("ball")
    if ball is None or ball == "any":
        return ball
    return _point(ball, "target.ball", where)


def _point(value: Any, entry: str, where: str) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise InputError(f"{where}: {entry} must be a place [x, y] in metres.")
    x, y = _number(value[0], entry, where), _number(value[1], entry, where)
    if max(abs(x), abs(y)) > FARTHEST_M:
        raise InputError(
            f"{where}: {entry} is [{x:g}, {y:g}], which is on no table; give metres, such as [2.44, 0.07]."
        )
    return x, y


def _number(value: Any, entry: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InputError(f"{where}: {entry} is {value!r}; it must be a number.")
    return float(value)


def _table(data: dict[str, Any], entry: str, where: str) -> dict[str, Any]:
    value = data.get(entry, {})
    if not isinstance(value, dict):
        raise InputError(f"{where}: [{entry}] must be a section of its own.")
    return value


def _choice(data: dict[str, Any], entry: str, allowed: tuple[str, ...], where: str, section: str = "") -> str:
    value = data.get(entry)
    if value not in allowed:
        said = "is missing" if value is None else f"is {value!r}"
        named = f"{section}{entry}" if section else f"'{entry}'"
        raise InputError(f"{where}: {named} {said}; use one of {', '.join(allowed)}.")
    return str(value)


def _refuse_unknown(data: dict[str, Any], known: set[str], where: str, section: str) -> None:
    unknown = sorted(set(data) - known)
    if unknown:
        raise InputError(
            f"{where}: {section} has an unknown entry {unknown[0]!r}; known are {', '.join(sorted(known))}."
        )
