"""The fit's JSON against its published schema."""

import json
from dataclasses import replace
from pathlib import Path

from jsonschema import Draft202012Validator

import app.fitting
from app.fitting.fit import fit_shot
from calibration.table import STANDARD_TABLES
from tests.app.test_fit import KICK, kicks
from tests.app.test_outcomes import rows_of_outcomes

SCHEMA = json.loads((Path(app.fitting.__file__).parent / "schema" / "fit.json").read_text(encoding="utf-8"))
TABLE = STANDARD_TABLES["9ft"]


def test_fits_of_every_status_keep_to_the_schema() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    logs = [kicks(14), kicks(3), kicks(2), [], rows_of_outcomes(40), [replace(kicks(1)[0], row=k) for k in range(2, 9)]]
    logs.append([replace(r, speed_mps=1.0 + 0.2 * r.row, english="left" if r.row % 2 else "none") for r in kicks(12)])
    logs.append([replace(r, at=f"2026-03-0{1 + r.row % 2}T10:00") for r in kicks(12)])
    logs.append([*kicks(9), replace(kicks(1)[0], row=30, miss_m=float("nan"))])
    said = [fit_shot(rows, shot_name="kick", table=TABLE, shot=KICK).to_json() for rows in logs]
    Draft202012Validator(SCHEMA).validate(said)
    assert {"point", "refused"} <= {one["status"] for one in said}


def test_the_schema_describes_every_field() -> None:
    fields = fit_shot(kicks(5), shot_name="kick", table=TABLE).to_json()
    assert list(SCHEMA["items"]["properties"]) == list(fields)
    assert all("description" in entry for entry in SCHEMA["items"]["properties"].values())
