"""The rows of an aim card: lines through quarter sights of the near rail, each told by where it passes the first rail.

A row *holds* where the fit says that one point is enough for the starts seen. Where it cannot tell for all of them, a
row still holds if the extra miss on its own line stays under a quarter of its own margin, with the interval; else it is
*unsure*. Past the starts seen it is *beyond*, whatever the fit says: nothing was shot from there.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import nan
from typing import Literal

import numpy as np

from app.card.lines_over_rails import Place, bearings_through, far_places, quarter_sights, sights_of
from app.card.starts_seen import StartsSeen
from app.fitting import lines
from app.fitting.fit import ShotFit
from app.fitting.one_point import SHARE_OF_MARGIN
from app.margins.shot_margins import image_m, margins
from app.telling.point_view import outside_m
from app.telling.words import corner_on
from calibration.table import Corner, Rail, Table, Vector
from calibration.unfold import reflect
from vision.shot import Shot

State = Literal["holds", "unsure", "beyond"]
# So far past the starts seen the card goes on.
BEYOND_SIGHTS = 0.5


@dataclass(frozen=True)
class CardRow:
    """The line through ``near_sight`` of the near rail, at ``near_m`` (2,) on the line of its sights.

    ``through_sight`` and ``at_nose`` are where it passes the first rail's line of sights and its nose. ``ball_m`` (2,)
    is the ball on it that lies as far from the near rail as the starts seen (their median), but no farther than
    half-way to the first rail. ``on_cushion`` is false where the ball runs into a pocket's mouth instead: at the first
    rail, or at a later one if both the line carried on over ideal rails and the ideal path to the target say so.
    ``make_chance`` is NaN until a stroke spread is known.
    """

    near_sight: float
    near_m: Vector
    bearing_rad: float
    through_sight: Place
    at_nose: Place
    ball_m: Vector
    on_cushion: bool
    state: State
    make_chance: float = nan


def card_rows(
    fit: ShotFit,
    seen: StartsSeen,
    shot: Shot,
    table: Table,
    near: Rail,
    corner: Corner,
    direction_rad: float | None = None,
) -> tuple[CardRow, ...]:
    """The rows by rising sight of the near rail: those whose line meets the first rail between its corners.

    ``direction_rad`` makes all lines run that way, in place of through the point.
    """
    first, found = shot.rails[0], fit.convergence
    low, high = seen.near_sights
    if not (np.isfinite(low) and np.isfinite(high)):
        return ()
    counts = quarter_sights(low - BEYOND_SIGHTS, high + BEYOND_SIGHTS, near)
    near_m = np.array([table.rail_point_m(near, c, corner_on(near, corner), at="sight") for c in counts]).reshape(-1, 2)
    bearing = bearings_through(near_m, found.family[None, :], table)[0]
    if direction_rad is not None:
        bearing = np.full(len(near_m), direction_rad)
    through, nose = (far_places(near_m, bearing, found.region, first, corner, table, at) for at in ("sight", "nose"))
    meets = np.array([0 <= place.count <= sights_of(first) for place in nose], dtype=bool)
    ball_m = _balls(near_m, bearing, seen.start_m, near, first, table)
    states = _states(fit, counts, ball_m, seen, shot, table)
    return tuple(
        CardRow(
            near_sight=float(counts[k]),
            near_m=near_m[k],
            bearing_rad=float(bearing[k]) % (2 * np.pi),
            through_sight=through[k],
            at_nose=nose[k],
            ball_m=ball_m[k],
            on_cushion=_stays_out_of_mouths(near_m[k], float(bearing[k]), ball_m[k], shot, table),
            state=states[k],
        )
        for k in np.flatnonzero(meets & np.isfinite(ball_m).all(axis=1))
    )


def longest_hold(rows: Sequence[CardRow]) -> tuple[float, float] | None:
    """From which to which sight of the near rail the most rows in a row hold; None where none does."""
    runs = [list(run) for good, run in groupby(rows, key=lambda row: row.state == "holds" and row.on_cushion) if good]
    best = max(runs, key=len, default=[])
    return (best[0].near_sight, best[-1].near_sight) if best else None


def _stays_out_of_mouths(near_m: Vector, bearing_rad: float, ball_m: Vector, shot: Shot, table: Table) -> bool:
    carried_on, _ = reflect(near_m, bearing_rad, shot.rails, table)
    if carried_on[0].beyond:
        return False
    image = image_m(shot, table)
    if image is None:
        return True
    away = image - ball_m
    ideal, _ = reflect(ball_m, float(np.arctan2(away[1], away[0])), shot.rails, table)
    return not any(one.beyond and other.beyond for one, other in zip(carried_on[1:], ideal[1:], strict=False))


def _balls(near_m: Vector, bearing_rad: Vector, start_m: Vector, near: Rail, first: Rail, table: Table) -> Vector:
    """Balls on lines from places (m, 2) of the near rail, (m, 2); NaN where a line does not lead over the table."""
    heading = lines.unit(bearing_rad)
    depth = float(np.median([-outside_m(start, near, table) for start in start_m]))
    axis, _ = table.track_coordinate(near)
    inward = 1.0 if near in ("head", "right") else -1.0
    first_axis, level = table.track_coordinate(first)
    with np.errstate(divide="ignore", invalid="ignore"):
        to_depth, to_nose = ((table.sight_setback_m + d) / (inward * heading[:, axis]) for d in (max(depth, 0.0), 0.0))
        to_first = (level - near_m[:, first_axis]) / heading[:, first_axis]
    run = np.where((to_nose > 0) & (to_first > to_nose), np.minimum(to_depth, (to_nose + to_first) / 2), np.nan)
    balls: Vector = near_m + run[:, None] * heading
    return balls


def _states(fit: ShotFit, counts: Vector, ball_m: Vector, seen: StartsSeen, shot: Shot, table: Table) -> list[State]:
    low, high = seen.near_sights
    inside = (counts >= low - 1e-9) & (counts <= high + 1e-9)
    if fit.one_point.verdict == "enough":
        good = inside
    elif fit.one_point.bend is not None and (room := margins(shot, table, ball_m)) is not None:
        extra = fit.one_point.bend.extra_at_most_rad(ball_m - table.centre_m)
        # A comparison with NaN, where no margin is known, is false.
        good = inside & room.possible & (extra <= SHARE_OF_MARGIN * room.half_rad)
    else:
        good = np.zeros(len(counts), dtype=bool)
    return ["beyond" if not here else "holds" if yes else "unsure" for here, yes in zip(inside, good, strict=True)]
