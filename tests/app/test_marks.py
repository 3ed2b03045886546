"""Marks as the user states them."""

from pathlib import Path

import pytest

from app.fitting.marks import load_marks, parse_mark
from calibration.errors import InputError


def test_marks_of_the_command_line() -> None:
    assert parse_mark("window post=2.9,3.1") == ("window post", (2.9, 3.1))
    assert parse_mark(" a=b = -1 , 4") == ("a=b", (-1.0, 4.0))


@pytest.mark.parametrize("text", ["lamp", "=1,2", "lamp=1", "lamp=1,2,3", "lamp=x,2", "lamp=nan,2", "lamp=1,1e6"])
def test_what_is_no_mark_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="--mark"):
        parse_mark(text)


def test_marks_of_a_file(tmp_path: Path) -> None:
    path = tmp_path / "marks.toml"
    assert load_marks(path) == {}
    path.write_text('lamp = [2, 3.5]\n"door frame" = [-1.0, 4.0]\n')
    assert load_marks(path) == {"lamp": (2.0, 3.5), "door frame": (-1.0, 4.0)}


@pytest.mark.parametrize(
    "text", ["lamp", "lamp = 3", "lamp = [1]", 'lamp = ["a", 1]', "lamp = [true, 1]", "lamp = [1, inf]"]
)
def test_a_file_that_cannot_be_is_refused_by_name(tmp_path: Path, text: str) -> None:
    path = tmp_path / "marks.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=r"marks\.toml"):
        load_marks(path)
    with pytest.raises(InputError, match="cannot be read"):
        load_marks(tmp_path)
