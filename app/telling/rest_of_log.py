"""The log's shots made ready for the fit, and those from which a shot that cannot tell its scatter borrows it."""

from collections.abc import Callable, Collection, Mapping, Sequence

from sqlalchemy import Engine

from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import ShotFit, fit_shot
from app.fitting.log_fit import Job, Others, fit_all
from app.store.log_views import list_attempts, list_shots
from app.telling.practice import practised_rows
from calibration.table import Table
from vision.shot import Shot


def rest_of_log(engine: Engine, name: str, table: Table) -> Others:
    """All shots but the one named, with their attempts on tables of this size; read only when they are asked for."""
    return _besides(engine, (name,), table)


def fit_together(
    engine: Engine,
    drilled: Sequence[tuple[Shot, Table, Sequence[AttemptRow]]],
    marks_on: Callable[[Table], Mapping[str, tuple[float, float]]] | None = None,
) -> list[ShotFit]:
    """The fits of shots of the log in their order, each on its table, as each would be fitted for itself; what they
    borrow from one another is computed once. ``marks_on`` gives the marks by a table."""
    fits: dict[str, ShotFit] = {}
    for on in dict.fromkeys(table for _, table, _ in drilled):
        known = {shot.name: shot for shot, table, _ in drilled if table == on}
        rows = [row for _, table, mine in drilled if table == on for row in mine]
        found = fit_all(
            rows, on, known, marks_on(on) if marks_on is not None else None, others=_besides(engine, known, on)
        )
        fits |= {fit.shot: fit for fit in found}
        for name, shot in known.items():
            fits.setdefault(name, fit_shot((), shot_name=name, table=on, shot=shot))
    return [fits[shot.name] for shot, _, _ in drilled]


def _besides(engine: Engine, names: Collection[str], table: Table) -> Others:
    def others() -> list[Job]:
        return [
            Job(one.shot.name, tuple(practised_rows(one.shot, table, attempts)), one.shot)
            for one in list_shots(engine)
            if one.shot.name not in names
            for attempts in [list_attempts(engine, shot_name=one.shot.name)]
        ]

    return others
