"""What to shoot next, of a fit and the rows that it is of."""

from collections.abc import Sequence
from math import nan

from app.fitting.attempts_csv import AttemptRow
from app.fitting.evidence import gather
from app.fitting.fit import ShotFit
from app.next_shot.plan import Plan, plan
from calibration.table import Table
from vision.shot import Shot


def plan_next(
    fit: ShotFit, rows: Sequence[AttemptRow], table: Table, shot: Shot | None, *, count: int = 3, wanted_m: float = nan
) -> Plan:
    """As ``plan``, for the rows of ``fit``."""
    mine = [row for row in rows if row.shot == fit.shot]
    return plan(gather(mine, table, shot).observations, fit.convergence, table, shot, count=count, wanted_m=wanted_m)
