"""What a card rests on: the attempts that vouch for it, where they started, and over which sights their lines came."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import nan

import numpy as np

from app.card.lines_over_rails import near_counts, sights_of
from app.fitting.attempts_csv import AttemptRow
from app.fitting.fit import ShotFit
from calibration.table import Corner, Rail, Table, Vector

Range = tuple[float, float]
# A row of the log that counts less than this is a wrong entry more likely than not, and vouches for no start.
LEAST_WEIGHT = 0.5


@dataclass(frozen=True)
class StartsSeen:
    """``start_m`` (n, 2) and the bearings needed from there, ``bearing_rad`` (n,).

    ``near_sights`` is from where to where their lines passed the near rail's line of sights; ``along`` and ``across``
    where the starts lay, in sights from the counting corner; ``speed_mps`` from the slowest to the fastest, NaN where
    none was measured; ``elsewhere`` counts starts whose line leaves the table over another rail than the near one;
    ``days`` are those of the attempts, in order.
    """

    start_m: Vector
    bearing_rad: Vector
    near_sights: Range
    along: Range
    across: Range
    speed_mps: Range
    elsewhere: int
    days: tuple[date, ...]


def vouching(fit: ShotFit, rows: Sequence[AttemptRow]) -> list[AttemptRow]:
    """The rows without those that add nothing to the fit, or look like wrong entries."""
    doubted = {weight.row for weight in fit.weights if weight.weight < LEAST_WEIGHT}
    return [row for row in rows if row.row not in doubted]


def starts_of(rows: Sequence[AttemptRow]) -> Vector:
    """Starts of rows, (n, 2), metres in the table frame."""
    return np.array([[row.start_x_m, row.start_y_m] for row in rows], dtype=float).reshape(-1, 2)


def starts_seen(
    rows: Sequence[AttemptRow], bearing_rad: Vector, near: Rail, corner: Corner, table: Table
) -> StartsSeen:
    """For rows and the bearings (n,) needed from their starts; ``corner`` is the one from which sights are counted."""
    starts = starts_of(rows)
    end, side = corner.split("-")
    counts = near_counts(starts, bearing_rad, near, corner, table)
    on_near = (counts >= 0) & (counts <= sights_of(near))
    return StartsSeen(
        start_m=starts,
        bearing_rad=bearing_rad,
        near_sights=_range(counts),
        along=_range(np.array([table.diamonds_along(start, side, corner) for start in starts])),  # type: ignore[arg-type]
        across=_range(np.array([table.diamonds_along(start, end, corner) for start in starts])),  # type: ignore[arg-type]
        speed_mps=_range(np.array([row.speed_mps for row in rows])),
        elsewhere=int(np.sum(~on_near)),
        days=tuple(sorted({day for row in rows if (day := _day(row.at)) is not None})),
    )


def _day(at: str | None) -> date | None:
    try:
        return None if at is None else date.fromisoformat(at[:10])
    except ValueError:
        return None


def _range(values: Vector) -> Range:
    known = values[np.isfinite(values)]
    return (float(known.min()), float(known.max())) if len(known) else (nan, nan)
