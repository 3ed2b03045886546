"""The README's reference of the two interfaces, made from the code: ``python -m tests.reference`` writes it anew."""

import csv
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from app.fitting.attempts_csv import AttemptRow, write_attempts
from app.fitting.fit import fit_shot
from app.telling.fit_csv import FIT_CSV
from tests.app.mixed import mixed
from tests.app.scenario import KICK, TABLE, reading
from vision.flags import FLAGS

README = Path(__file__).parents[1] / "README.md"
BEGIN, END = "<!-- reference: begin -->", "<!-- reference: end -->"
READING_SCHEMA = README.parent / "vision" / "schema" / "reading.json"
FIT_SCHEMA = README.parent / "app" / "fitting" / "schema" / "fit.json"
COLUMNS = {
    "shot": "name of the shot; required",
    "start_x_m, start_y_m": "where the kicked or banked ball started; required",
    "bearing_deg": "the line it left on; required",
    "bearing_sd_deg": "standard deviation of the bearing",
    "clip, common_bearing_sd_deg": "attempts of one clip share an unknown turn of this standard deviation",
    "miss_m, miss_sd_m": "the miss (positive when the path passed to the left of the target), its standard deviation",
    "miss_per_deg_m": "how far the miss moves per degree of bearing",
    "outcome": "`made` or `missed`",
    "miss_side": "`left` or `right`: the bearing delivered was more, or less, than needed",
    "margin_left_deg, margin_right_deg": "how far the bearing may exceed, or fall short of, the needed one",
    "speed_mps, english": "what the fit says it pooled, and offers apart",
    "at, player, note": "ISO time, name, anything",
}
# Parts of a fit that have the fields of another part.
SAME_FORM = {
    "days": ("sessions", "Of the form of `sessions`, from day to day; told for a file of attempts."),
    "mirrored": ("sessions", "Of the form of `sessions`, from corner to corner; told where it was asked."),
}


def reference() -> str:
    """The section between the two marks, Markdown."""
    return "\n".join([BEGIN, *_reading(), *_csv(), *_fit(), END])


def spliced(readme: str) -> str:
    """A README with the section as the code has it now. Raises ValueError when the marks are missing."""
    return readme[: readme.index(BEGIN)] + reference() + readme[readme.index(END) + len(END) :]


def _reading() -> Iterator[str]:
    example = reading().to_json()
    example["attempts"] = example["attempts"][:1]
    yield "### A reading: `railpoint read CLIP --shot SHOT.toml --json OUT.json`\n"
    yield (
        'One object, schema 1 (`vision/schema/reading.json`). Null is "not measured"; a flag says why. '
        "Every measured value has its standard deviation beside it.\n"
    )
    yield f"```json\n{_compact(example)}\n```\n"
    yield (
        "Of a film of several drills (`--shots FOLDER`) the object has `shots`, a list, in place of `shot`, and each "
        "attempt says of which it is:\n"
    )
    several = mixed().to_json()
    shown = {
        "schema": several["schema"],
        "shots": [{"name": s["name"], "…": "…"} for s in several["shots"]],
        "attempts": [
            {"t_s": a["t_s"], "…": "…"} | {k: a[k] for k in ("shot", "unassigned") if k in a}
            for a in (several["attempts"][1], several["attempts"][-1])
        ],
    }
    yield f"```json\n{_compact(shown)}\n```\n"
    yield from _fields(json.loads(READING_SCHEMA.read_text(encoding="utf-8")))
    yield "\n| flag | meaning |\n|---|---|"
    yield from (f"| `{name}` | {meaning} |" for name, meaning in FLAGS.items())
    yield ""


def _csv() -> Iterator[str]:
    yield "### Attempts: `railpoint fit --from ATTEMPTS.csv`, `railpoint export`\n"
    yield "UTF-8 with a header line, one attempt a row, any number of shots, rows in any order."
    yield 'Blank (or null, NaN) is "not known"; columns that are not listed are left aside, and named.'
    yield "A spreadsheet's semicolons and decimal commas will do as well.\n"
    yield "| column | meaning |\n|---|---|"
    yield from (
        f"| {', '.join(f'`{c.strip()}`' for c in names.split(','))} | {meaning} |" for names, meaning in COLUMNS.items()
    )
    yield "\nA row that can add nothing (made, without a margin, say) is kept and listed with weight 0 and why."
    yield "Where a shot has neither misses nor margins and its shot file is given, margins come from its geometry"
    yield "(none where its path is impossible on ideal rails);"
    yield "where it has neither misses nor outcomes, its lines are taken for those that succeed.\n"


def _fit() -> Iterator[str]:
    rows = [
        AttemptRow(
            row=2 + k,
            shot=KICK.name,
            start_x_m=float(a.start_m[0]),
            start_y_m=float(a.start_m[1]),
            bearing_rad=a.bearing_rad,
            bearing_sd_rad=a.bearing_sd_rad,
            miss_m=a.miss_m,
            miss_sd_m=a.miss_sd_m,
            miss_per_rad_m=a.miss_per_rad_m,
            outcome=a.outcome,
            speed_mps=a.speed_mps,
        )
        for k, a in enumerate(reading().attempts)
    ]
    said = _rounded(fit_shot(rows, shot_name=KICK.name, table=TABLE, shot=KICK).to_json())
    region = said["region"]
    said["region"] = [*region[:2], "…"] if region else region
    said["one_point_detail"]["envelope"][1:] = ["…"]
    yield "### A fit: `railpoint fit --json OUT.json`\n"
    yield "A list, one object a shot in order of first appearance (`app/fitting/schema/fit.json`).\n"
    yield f"```json\n{_compact([said])}\n```\n"
    yield from _fields(json.loads(FIT_SCHEMA.read_text(encoding="utf-8"))["items"])
    yield "\n`--csv` writes the same as a table, a value a row, under the same names; its columns are"
    yield f"{', '.join(f'`{name}`' for name in FIT_CSV)}."
    yield "`table` tells the fit itself (`fit`), `rules` (the value is the miss to expect), `envelope` (the offset"
    yield "across), `weights` (by row), `sessions`, `days` and `mirrored` (the direction), `next` (half the long axis"
    yield "to expect), `until` and `remarks` apart.\n"


def _rounded(value: Any) -> Any:
    """Numbers to three digits, so that the page does not depend on the last bits of a machine's arithmetic."""
    if isinstance(value, float):
        return float(f"{value:.3g}")
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    return [_rounded(v) for v in value] if isinstance(value, list) else value


def _fields(schema: Mapping[str, Any]) -> Iterator[str]:
    """A row a field, a value's standard deviation beside it; what has the form of another is told once."""
    yield "| field | meaning |\n|---|---|"
    fields = list(_walk(schema, ""))
    rows: list[tuple[list[str], str]] = []
    for name, meaning in fields:
        head, _, rest = name.partition(".")
        if head in SAME_FORM:
            like = f"{SAME_FORM[head][0]}.{rest}"
            if like not in dict(fields):
                raise ValueError(f"{name} has no counterpart {like}")
            if rows[-1][0] != [head]:
                rows.append(([head], SAME_FORM[head][1]))
        elif rows and meaning in ("Its standard deviation.", f"Standard deviation of {_last(rows[-1][0][-1])}."):
            names, what = rows.pop()
            rows.append(([*names, _last(name)], f"{what.rstrip('.')}; its standard deviation."))
        else:
            rows.append(([name], meaning))
    yield from (f"| {', '.join(f'`{name}`' for name in names)} | {meaning} |" for names, meaning in rows)


def _last(name: str) -> str:
    return name.rpartition(".")[2]


def _walk(schema: Mapping[str, Any], prefix: str) -> Iterator[tuple[str, str]]:
    """Every field's full name and its description."""
    for name, entry in schema.get("properties", {}).items():
        inner = entry.get("items", {}) if "items" in entry else entry
        if inner.get("properties"):
            yield from _walk(inner, f"{prefix}{name}{'[]' if 'items' in entry else ''}.")
        else:
            yield f"{prefix}{name}", entry.get("description", "").replace("|", "/")


def _compact(value: Any, indent: int = 0, width: int = 118) -> str:
    """JSON that breaks a line only where it would grow too long."""
    flat = json.dumps(value, ensure_ascii=False)
    if len(flat) + indent <= width or not isinstance(value, dict | list) or not value:
        return flat
    pad = " " * (indent + 1)
    if isinstance(value, dict):
        inner = [f"{pad}{json.dumps(k)}: {_compact(v, indent + 1, width - 3 - len(k))}" for k, v in value.items()]
        return "{\n" + ",\n".join(inner) + "}"
    return "[\n" + ",\n".join(pad + _compact(v, indent + 1, width) for v in value) + "]"


def csv_columns() -> list[str]:
    """The columns that the program writes."""
    stream = io.StringIO()
    write_attempts([], stream)
    return next(csv.reader(io.StringIO(stream.getvalue())))


if __name__ == "__main__":
    README.write_text(spliced(README.read_text(encoding="utf-8")), encoding="utf-8")
