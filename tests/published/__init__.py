"""Published values as data files, each with its source in the header, and the one function that reads them."""

import csv
from pathlib import Path


def published(name: str) -> list[dict[str, str]]:
    """Rows of ``name``.csv in this folder; lines that start with # are its source."""
    lines = (Path(__file__).parent / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
