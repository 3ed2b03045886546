"""A file of attempts taken into the log: all of it or nothing, and nothing twice.

A row is told from another by all that it says, as it would be exported. Rows that the log holds already (as often as
the file holds them) are passed over, whether they came from the same file, from a longer or shorter one, or from the
log itself; also those that were taken out since. The look at the log and the writing are one transaction: two who
take in the same file at once add its rows once.
"""

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from io import StringIO
from math import isfinite, nan
from pathlib import Path

import numpy as np
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from app.entry.entered import path_to_rail
from app.entry.lines import DEFAULT_TABLE, moment
from app.fitting.attempts_csv import AttemptFile, AttemptRow, listed, write_attempts
from app.fitting.remarks import check_units, off_table
from app.store.entries import NewEntry, add_chosen, plain_text
from app.store.log import check_shot
from app.store.log_views import attempts_seen, list_shots
from app.telling.practice import attempt_rows
from calibration.errors import InputError
from calibration.table import Table
from vision.reading import Attempt
from vision.shot import Shot

Key = tuple[str, ...]


@dataclass(frozen=True)
class Imported:
    """What an import did: attempts added by shot, rows passed over, and what a reader should know of the file."""

    added: dict[str, int]
    already: int
    remarks: tuple[str, ...]


def import_attempts(
    engine: Engine,
    file: AttemptFile,
    where: str,
    *,
    shots: Mapping[str, Shot],
    player: str | None = None,
    table: Table | None = None,
) -> Imported:
    """Take a file's attempts into the log.

    Parameters
    ----------
    where : names the file in messages and in the log.
    shots : shot files by name, for shots that the log does not hold.
    player : whose attempts those rows are that name nobody.
    table : the table of all of them; without it each shot's own in the log, else a 9-ft one.

    Raises
    ------
    InputError : with a sentence for each row that cannot be used; for a shot that is in neither log nor files, or is
        another there than here; for starts or bearings in other units. Nothing is changed then.
    """
    rows = [_plain(row if row.player else replace(row, player=player)) for row in file.rows]
    for shot in shots.values():
        check_shot(engine, shot)
    library = list_shots(engine)
    known = {one.shot.name: one.shot for one in library} | dict(shots)
    tables = {one.shot.name: one.table for one in library if one.table is not None}
    _check_shots(rows, known, where)
    on = {name: table or tables.get(name) or DEFAULT_TABLE for name in known}
    for name in dict.fromkeys(row.shot for row in rows):
        mine = [row for row in rows if row.shot == name]
        check_units(mine, on[name], {name: known[name]}, where)
    _check_places(rows, on, where)
    new: list[AttemptRow] = []

    def choose(session: Session) -> list[NewEntry]:
        # May be asked again when another program wrote at the same time.
        new[:] = _not_in_log(session, rows, known)
        return [_entry(row, known[row.shot], on[row.shot], Path(where).name) for row in new]

    add_chosen(engine, [known[name] for name in dict.fromkeys(row.shot for row in rows)], choose)
    return Imported(dict(Counter(row.shot for row in new)), len(rows) - len(new), file.remarks)


def _plain(row: AttemptRow) -> AttemptRow:
    """As the log keeps it, so that it is known again."""
    texts = {name: plain_text(getattr(row, name)) for name in ("clip", "english", "player", "note")}
    return replace(row, **texts)  # type: ignore[arg-type]


def _check_shots(rows: Sequence[AttemptRow], known: Mapping[str, Shot], where: str) -> None:
    first = {row.shot: row for row in reversed(rows)}
    wrong = [
        f"{where}, row {row.row}: the log has no shot {name!r}; 'railpoint import --shots FOLDER' brings its file."
        for name, row in sorted(first.items(), key=lambda item: item[1].row)
        if name not in known
    ]
    if wrong:
        raise InputError("\n".join(listed(wrong)))


def _check_places(rows: Sequence[AttemptRow], on: Mapping[str, Table], where: str) -> None:
    wrong = [
        f"{where}, row {row.row}: the start ({row.start_x_m:g}, {row.start_y_m:g}) lies off the table."
        for row in rows
        if off_table(row, on[row.shot])
    ]
    if wrong:
        raise InputError("\n".join(listed(wrong)))


def _not_in_log(session: Session, rows: Sequence[AttemptRow], known: Mapping[str, Shot]) -> list[AttemptRow]:
    there: Counter[Key] = Counter()
    for name in dict.fromkeys(row.shot for row in rows):
        there.update(_keys(attempt_rows(attempts_seen(session, name), known[name])))
    new = []
    for row, key in zip(rows, _keys(rows), strict=True):
        if there[key] > 0:
            there[key] -= 1
        else:
            new.append(row)
    return new


def _keys(rows: Sequence[AttemptRow]) -> list[Key]:
    text = StringIO()
    write_attempts(rows, text)
    text.seek(0)
    return [tuple(cells) for cells in csv.reader(text)][1:]


def _entry(row: AttemptRow, shot: Shot, table: Table, file: str) -> NewEntry:
    start = np.array([row.start_x_m, row.start_y_m])
    kick = shot.kind == "kick"
    flags: tuple[str, ...] = ()
    if row.miss_side is not None and not isfinite(row.miss_m) and row.outcome != "made":
        turned = len(shot.rails) % 2 == 1
        flags = ("passed_left",) if (row.miss_side == "left") != turned else ("passed_right",)
    attempt = Attempt(
        t_s=nan,
        t_sd_s=nan,
        ball="cue" if kick else "object",
        start_m=start,
        start_sd_m=nan,
        bearing_rad=row.bearing_rad,
        bearing_sd_rad=row.bearing_sd_rad,
        speed_mps=row.speed_mps,
        speed_sd_mps=nan,
        cue_start_m=start if kick else np.full(2, nan),
        cue_bearing_rad=row.bearing_rad if kick else nan,
        cut_rad=nan,
        contacts=(),
        ball_contacts=(),
        pocketed=(),
        outcome=row.outcome or "unclear",
        miss_m=row.miss_m,
        miss_sd_m=row.miss_sd_m,
        miss_per_rad_m=row.miss_per_rad_m,
        flags=flags,
        path_m=path_to_rail(start, row.bearing_rad, shot, table),
    )
    return NewEntry(
        shot=shot,
        table=table,
        attempt=attempt,
        source="import",
        at=None if row.at is None else moment(row.at),
        player=row.player,
        file=file,
        at_text=row.at,
        outcome=row.outcome,
        miss_side=row.miss_side,
        margin_left_rad=row.margin_left_rad,
        margin_right_rad=row.margin_right_rad,
        english=row.english,
        clip=row.clip,
        common_bearing_sd_rad=row.common_bearing_sd_rad,
        note=row.note,
    )
