"""The README's reference is what the code makes of it."""

from tests.reference import COLUMNS, README, csv_columns, spliced


def test_reference_in_the_readme_is_current() -> None:
    written = README.read_text(encoding="utf-8")
    assert written == spliced(written), "run: python -m tests.reference"


def test_every_column_is_explained() -> None:
    explained = {name.strip() for names in COLUMNS for name in names.split(",")}
    assert explained == set(csv_columns())
