"""Marks: named things in the room that one could aim at, as the user states them."""

import tomllib
from math import isfinite
from pathlib import Path

from calibration.errors import InputError

Marks = dict[str, tuple[float, float]]
# A mark farther off than this is in another room, or not in metres.
FARTHEST_M = 100.0
LONGEST_NAME = 60


def parse_mark(text: str) -> tuple[str, tuple[float, float]]:
    """A mark as the command line takes it: ``window post=2.9,3.1``, metres in the table frame.

    Raises InputError.
    """
    name, found, place = text.rpartition("=")
    parts = place.split(",")
    if not found or not name.strip() or len(parts) != 2:
        raise InputError(f'--mark {text!r}: write a name and a place in metres, such as --mark "window post=2.9,3.1".')
    try:
        x_m, y_m = (float(part) for part in parts)
    except ValueError:
        raise InputError(f"--mark {text!r}: {place!r} is no place; write two numbers, such as 2.9,3.1.") from None
    return _checked(name, (x_m, y_m), f"--mark {text!r}")


def load_marks(path: Path) -> Marks:
    """The marks of a file (TOML, a line a mark: ``"window post" = [2.9, 3.1]``); none when there is no file.

    Raises InputError, naming the file and the mark.
    """
    try:
        with path.open("rb") as stream:
            data = tomllib.load(stream)
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise InputError(f"{path}: the file of marks cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f'{path}: not a file of marks ({error}); write lines such as "lamp" = [2.9, 3.1].') from error
    marks: Marks = {}
    for name, place in data.items():
        where = f"{path}: mark {name!r}"
        numbers = isinstance(place, list) and len(place) == 2
        if not numbers or any(isinstance(v, bool) or not isinstance(v, int | float) for v in place):
            raise InputError(f"{where} must be a place [x, y] in metres, such as [2.9, 3.1].")
        stripped, at = _checked(name, (float(place[0]), float(place[1])), where)
        marks[stripped] = at
    return marks


def _checked(name: str, place_m: tuple[float, float], where: str) -> tuple[str, tuple[float, float]]:
    if not name.strip() or len(name.strip()) > LONGEST_NAME:
        raise InputError(f"{where}: a mark's name has 1 to {LONGEST_NAME} letters.")
    if not all(isfinite(v) and abs(v) <= FARTHEST_M for v in place_m):
        raise InputError(f"{where}: that is over {FARTHEST_M:g} m away; give metres in the table frame.")
    return name.strip(), place_m
