"""The file of markers' places: template and checks."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import InputError
from calibration.marker_file import default_places, load_markers, marker_template, parse_markers
from calibration.table import STANDARD_TABLES, Table

NINE = STANDARD_TABLES["9ft"]
GOOD = """
table = "9ft"
[[marker]]
id = 1
rail = "right"
along_m = 0.3
[[marker]]
id = 2
rail = "left"
from = "foot"
along_m = 0.3
[[marker]]
id = 3
centre_m = [1.2, 0.6]
"""


@pytest.mark.parametrize("table", STANDARD_TABLES.values(), ids=lambda table: table.name)
@pytest.mark.parametrize("count", [4, 6, 10])
def test_the_template_reads_as_the_places_it_was_made_of(table: Table, count: int) -> None:
    places = default_places(table, count)
    layout = parse_markers(tomllib.loads(marker_template(table, places, 0.1)), "template")
    assert layout.table == table
    assert layout.markers == tuple(p.marker(table, 0.1, layout.cut_edge_m) for p in places)
    centres = np.array([m.centre_m for m in layout.markers])
    # Sheets of 216 mm neither overlap nor lie before a side pocket, and all lie on the cloth.
    apart = np.linalg.norm(centres[:, None] - centres, axis=2) + 10 * np.eye(count)
    assert apart.min() > 0.24
    at_side = np.array([p.rail in ("left", "right") for p in places])
    assert np.abs(centres[at_side, 0] - table.length_m / 2).min() > 0.108 + table.side_mouth_m / 2
    assert (centres > 0.1).all()
    assert (centres < [table.length_m - 0.1, table.width_m - 0.1]).all()


@pytest.mark.parametrize(
    ("entry", "centre", "inward"),
    [
        ('rail = "right"\nfrom = "head"', (0.4, 0.12), (0, 1)),
        ('rail = "right"\nfrom = "foot"', (2.14, 0.12), (0, 1)),
        ('rail = "left"\nfrom = "head"', (0.4, 1.15), (0, -1)),
        ('rail = "left"\nfrom = "foot"', (2.14, 1.15), (0, -1)),
        ('rail = "head"\nfrom = "right"', (0.12, 0.4), (1, 0)),
        ('rail = "head"\nfrom = "left"', (0.12, 0.87), (1, 0)),
        ('rail = "foot"', (2.42, 0.4), (-1, 0)),
    ],
)
def test_a_sheet_at_a_rail_points_inward(entry: str, centre: tuple[float, float], inward: tuple[int, int]) -> None:
    file = f"{GOOD}\n[[marker]]\nid = 9\nalong_m = 0.4\n{entry}"
    marker = parse_markers(tomllib.loads(file), "file").marker(9)
    assert marker.centre_m == pytest.approx(centre)
    corners = marker.corners_m()
    up = (corners[0] - corners[3])[:2] / marker.size_m
    assert up == pytest.approx(inward, abs=1e-9)
    assert marker.height_m == 0


def test_places_anywhere_with_height_and_turn() -> None:
    layout = parse_markers(tomllib.loads(f"{GOOD}turn_deg = 30\nheight_m = 0.042\nsize_m = 0.08\n"), "file", "9ft")
    marker = layout.marker(3)
    assert (marker.height_m, marker.size_m, marker.centre_m) == (0.042, 0.08, (1.2, 0.6))
    assert np.degrees(marker.turn_rad) == pytest.approx(30)
    assert layout.marker(1).size_m == 0.12


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("table = ", "tables = "), "'tables' is not known"),
        (('table = "9ft"', ""), "say which table the markers lie on"),
        (("9ft", "10ft"), "'10ft' is not known"),
        (("id = 2", "id = 1"), "marker 1 is listed twice"),
        (("id = 2", "id = 50"), "section 2 must be the number on its sheet, 0 to 49"),
        (("id = 2", "id = true"), "section 2 must be the number"),
        (("id = 2", ""), "section 2 must be the number"),
        (('rail = "right"', 'rail = "top"'), "marker 1: rail is 'top'"),
        (('rail = "right"', 'rail = ["right"]'), "marker 1: rail is"),
        (('from = "foot"', 'from = "right"'), "marker 2: from is 'right'; use one of head, foot"),
        (("along_m = 0.3", ""), "marker 1: along_m is missing"),
        (("along_m = 0.3", "along_m = 300"), "marker 1: along_m is 300; it must lie between 0 and 2.54"),
        (("along_m = 0.3", "along_m = nan"), "marker 1: along_m is nan"),
        (("along_m = 0.3", 'along_m = "0.3"'), "it must be a number"),
        (("along_m = 0.3", "along_mm = 300"), "'along_mm' is not known"),
        (("along_m = 0.3", "along_m = 0.3\nheight_m = 0.1"), "height_m does not go with rail"),
        (("centre_m = [1.2, 0.6]", "centre_m = [1.2]"), "centre_m must be a place"),
        (("centre_m = [1.2, 0.6]", "centre_m = [1.2, 600]"), "centre_m is 600"),
        (("centre_m = [1.2, 0.6]", ""), "marker 3: give either the rail"),
        (("centre_m = [1.2, 0.6]", "centre_m = [1.2, 0.6]\nalong_m = 1"), "along_m does not go with centre_m"),
        (('table = "9ft"', 'table = "9ft"\nplace_sd_m = 0'), "place_sd_m is 0"),
        (('table = "9ft"', 'table = "9ft"\nsize_m = 120'), "size_m is 120"),
        (("[[marker]]\nid = 3\ncentre_m = [1.2, 0.6]", ""), "2 markers are listed; lay at least 3"),
    ],
)
def test_mistakes_in_the_file_are_one_sentence(change: tuple[str, str], sentence: str) -> None:
    assert change[0] in GOOD
    with pytest.raises(InputError, match=sentence) as caught:
        parse_markers(tomllib.loads(GOOD.replace(*change, 1)), "markers.toml")
    assert str(caught.value).startswith("markers.toml: ")


def test_files_that_are_none(tmp_path: Path) -> None:
    path = tmp_path / "markers.toml"
    with pytest.raises(InputError, match="cannot be read"):
        load_markers(path)
    path.write_text("marker = [")
    with pytest.raises(InputError, match="not valid TOML"):
        load_markers(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        load_markers(path)
    path.write_text('table = "9ft"\nmarker = 3')
    with pytest.raises(InputError, match="no marker is listed"):
        load_markers(path)
    path.write_text(GOOD)
    with pytest.raises(InputError, match="laid on a 9ft table, but --table is 8ft"):
        load_markers(path, "8ft")
    assert load_markers(path, "9ft") == load_markers(path)


@pytest.mark.parametrize("count", [3, 11])
def test_too_few_or_too_many_to_lay_out(count: int) -> None:
    with pytest.raises(InputError, match="4 to 10"):
        default_places(NINE, count)
