"""The log's other shots, from which a shot that cannot tell its scatter borrows it."""

from sqlalchemy import Engine

from app.fitting.log_fit import Job, Others
from app.store.log_views import list_attempts, list_shots
from app.telling.practice import practised_rows
from calibration.table import Table


def rest_of_log(engine: Engine, name: str, table: Table) -> Others:
    """All shots but the one named, with their attempts on tables of this size; read only when they are asked for."""

    def others() -> list[Job]:
        return [
            Job(one.shot.name, tuple(practised_rows(one.shot, table, attempts)), one.shot)
            for one in list_shots(engine)
            if one.shot.name != name
            for attempts in [list_attempts(engine, shot_name=one.shot.name)]
        ]

    return others
