"""One player's stroke at one shot: its spread, where the lines go beside the best ones, what else moves the ball, and
how many are made against how many the stroke explains."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import degrees, hypot, isfinite, nan
from typing import Any, Literal

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t

from app.store.logged import LoggedAttempt
from app.stroke.chances import LEAST_FOR_CHANCES, Chances, chances_of, steady_lines, tells_side, unless_hidden
from app.stroke.delivered import Delivered
from app.stroke.expected import NOTHING, Expected, expect
from app.stroke.spread import (
    Flags,
    Lines,
    Smooth,
    Spread,
    least_spread,
    likeliest_spread,
    odd_lines,
    smooth_at,
    smooth_of,
    spread_of,
)
from calibration.table import Vector

How = Literal["aimed", "repeats", "smooth"]
# Repeats alone tell the spread when they leave so many degrees of freedom, and not so few beside all lines'.
LEAST_REPEATS, LEAST_REPEATS_SHARE = 4, 1 / 3
# A speed's part is asked for with so many degrees of freedom left, and speeds that differ.
LEAST_FOR_SPEED, LEAST_SPEED_SD_MPS = 8, 0.05
SURE = 0.05
# With fewer degrees of freedom the spread of all the player's shots says more than the shot's own.
ENOUGH_OF_ITS_OWN = 6


@dataclass(frozen=True)
class Offset:
    """A mean over the lines, radians, with its sd, and the least and greatest of the smooth part at the starts seen."""

    mean_rad: float
    sd_rad: float
    least_rad: float
    most_rad: float

    def to_json(self) -> dict[str, Any]:
        return {
            "mean_deg": _deg(self.mean_rad),
            "sd_deg": _deg(self.sd_rad),
            "least_deg": _deg(self.least_rad),
            "most_deg": _deg(self.most_rad),
        }


UNKNOWN_OFFSET = Offset(nan, nan, nan, nan)


@dataclass(frozen=True)
class SpeedPart:
    """How the needed line turns with the launch speed: radians per m/s with its sd, and the probability of so much by
    chance."""

    slope_rad: float
    sd_rad: float
    chance: float


@dataclass(frozen=True)
class Stroke:
    """``how`` tells what the lines' spread is taken round: the line aimed on as stated (``aimed``), the mean of tries
    from one place (``repeats``), or a line that changes smoothly with the start (``smooth``).

    ``aim_error`` is by how much lines exceed the stated ones (None unless stated), ``mark_error`` by how much the
    stated lines exceed those needed, ``off_best`` by how much the delivered ones exceed the best; ``rest`` is the
    spread of the needed line from try to try: speed, english, rails. ``mixed_aim`` is the probability, by chance, of
    tries from one place agreeing so much better than the stated line says. ``odd`` lines, with their distance in sds,
    are left out of the spread, which is NaN where the lines' errors hide it. ``by`` is the spread on which the chances
    rest: these lines', or the player's.
    ``good`` (n,) is 1 for a line within the margins of the line usually needed from there, 0 for another, NaN where
    that is not known: a good line that missed was lost by something else. ``steady`` (n,) likewise for a line whose
    stroke's own error is no more than the margins allow: aimed at the best line it would have been within them.
    """

    lines: Delivered
    how: How
    spread: Spread
    aim_error: Offset | None
    mark_error: Offset | None
    off_best: Offset
    rest: Spread
    speed: SpeedPart | None
    mixed_aim: float
    odd: Mapping[int, float]
    basis: Lines
    by: Spread
    chances: Chances
    error_rad: Vector
    error_sd_rad: Vector
    good: Vector
    steady: Vector


def analyse(lines: Delivered, stated: bool) -> Stroke:
    """A stroke from its lines; ``stated`` when what was aimed at was said."""
    basis, how = _basis(lines, stated)
    odd = odd_lines(basis) if len(basis) else {}
    kept = np.array([k not in odd for k in range(len(basis))], dtype=bool)
    basis = basis.some(kept)
    told = spread_of([basis])
    aim_error = _aim_error(lines, basis, kept, told) if stated and told.known else None
    spread = unless_hidden(told, [lines])
    rest, mark, speed = _needs(lines, kept & lines.measured, stated)
    off_best, error, error_sd = _off_best(lines, kept)
    return Stroke(
        lines=lines,
        how=how,
        spread=spread,
        aim_error=aim_error,
        mark_error=mark,
        off_best=off_best,
        rest=rest,
        speed=speed,
        mixed_aim=_mixed_aim(lines, kept) if how == "aimed" else nan,
        odd=odd,
        basis=basis,
        by=spread,
        chances=chances_of(lines, spread, error, error_sd, rest, basis, kept),
        error_rad=error,
        error_sd_rad=error_sd,
        good=_good(lines, kept & lines.measured, rest),
        steady=steady_lines(lines, basis, kept, spread),
    )


def borrowing(stroke: Stroke, other: Spread) -> Stroke:
    """The stroke with chances that rest on another spread, where its own lines are too few or do not tell theirs."""
    own = stroke.spread.known and stroke.spread.freedom >= ENOUGH_OF_ITS_OWN
    if own or not other.known or other.freedom <= stroke.spread.freedom:
        return stroke
    kept = np.array([k not in stroke.odd for k in range(len(stroke.lines))], dtype=bool)
    chances = chances_of(stroke.lines, other, stroke.error_rad, stroke.error_sd_rad, stroke.rest, stroke.basis, kept)
    return replace(stroke, by=other, chances=chances)


def outcomes(lines: Delivered, outcome_of: Mapping[int, str]) -> tuple[Flags, Flags]:
    """Whether each line was made, and whether it was told at all, (n,), by the attempts' ids."""
    said = [outcome_of[a.id] for a in lines.attempts]
    return np.array([o == "made" for o in said], dtype=bool), np.array(
        [o in ("made", "missed") for o in said], dtype=bool
    )


def expected_of(stroke: Stroke, made: Flags, told: Flags, which: Flags | None = None) -> Expected:
    """Made against expected, of the lines ``which`` (n,): those with a known chance and outcome."""
    counted = told & np.isfinite(stroke.chances.steady).all(axis=0) if len(told) else told
    if which is not None:
        counted = counted & which
    if not counted.any():
        return NOTHING
    return expect(int(made[counted].sum()), [stroke.chances.drawn[:, counted]])


def left_out(stroke: Stroke) -> list[tuple[LoggedAttempt, str]]:
    """Attempts that say nothing of the spread, and why."""
    odd = [
        (stroke.lines.attempts[k], f"a line {away:.1f} standard deviations from the others")
        for k, away in sorted(stroke.odd.items())
    ]
    return [*stroke.lines.unused, *odd]


def _basis(lines: Delivered, stated: bool) -> tuple[Lines, How]:
    smooth = lines.round_smooth()
    if stated:
        return smooth, "aimed"
    runs = lines.round_runs()
    if runs.freedom >= max(LEAST_REPEATS, LEAST_REPEATS_SHARE * smooth.freedom):
        return runs, "repeats"
    return smooth, "smooth"


def _aim_error(lines: Delivered, basis: Lines, kept: Flags, spread: Spread) -> Offset:
    """Sessions' means differ by chance, by their clips' common turns, and by the day: what they differ by beyond the
    first two widens the error of the mean."""
    smooth = smooth_of(basis, max(spread.spread_rad, least_spread(basis)))
    turn = lines.turn_sd_rad[kept]
    means, sds = [], []
    for g in np.unique(basis.group):
        mine = basis.group == g
        variance = np.mean(spread.spread_rad**2 + basis.sd_rad[mine] ** 2) / mine.sum()
        means.append(float(np.mean(basis.deviation_rad[mine])))
        sds.append(float(np.sqrt(variance + np.mean(turn[mine]) ** 2)))
    days = Lines(np.array(means), np.array(sds), np.zeros(len(means), dtype=int), np.zeros((len(means), 0)))
    between = likeliest_spread(days) if len(means) > 1 else 0.0
    mean = smooth_of(days, between)
    value = smooth.value_rad
    return Offset(
        float(mean.constants_rad[0]), float(mean.constants_sd_rad[0]), float(np.min(value)), float(np.max(value))
    )


def _needs(lines: Delivered, kept: Flags, stated: bool) -> tuple[Spread, Offset | None, SpeedPart | None]:
    """What moves the needed line from try to try, how far stated lines exceed it, and the speed's part in it."""
    needs, _ = lines.needs(kept)
    rest = spread_of([needs])
    if not rest.known:
        return rest, None, None
    smooth = smooth_of(needs, max(rest.spread_rad, least_spread(needs)))
    mark = None
    if stated:
        turn = float(np.sqrt(np.mean(lines.turn_sd_rad[kept] ** 2)))
        count = len(np.unique(needs.group))
        sd = hypot(rest.spread_rad / np.sqrt(len(needs)), turn / np.sqrt(count))
        off = -smooth.value_rad - lines.usual_less_stated_rad[kept]
        mark = Offset(float(np.mean(off)), sd, float(np.min(off)), float(np.max(off)))
    return rest, mark, _speed_part(lines, kept, needs)


def _speed_part(lines: Delivered, kept: Flags, needs: Lines) -> SpeedPart | None:
    speed = np.array([a.attempt.speed_mps for a in lines.attempts])[kept]
    known = np.isfinite(speed)
    if int(known.sum()) < 3:
        return None
    some = needs.some(known)
    # Each group has a constant of its own, so that only what differs within groups tells.
    within = [speed[known][some.group == g] - speed[known][some.group == g].mean() for g in np.unique(some.group)]
    if float(np.std(np.concatenate(within))) < LEAST_SPEED_SD_MPS:
        return None
    wider = Lines(some.deviation_rad, some.sd_rad, some.group, np.column_stack([some.columns, speed[known]]))
    if wider.freedom < LEAST_FOR_SPEED:
        return None
    spread = likeliest_spread(wider)
    fitted: Smooth = smooth_of(wider, max(spread, least_spread(wider)))
    slope, sd = float(fitted.slopes[-1]), float(fitted.slopes_sd[-1])
    return SpeedPart(slope, sd, 2 * float(t.sf(abs(slope / sd), wider.freedom)))


def _off_best(lines: Delivered, kept: Flags) -> tuple[Offset, Vector, Vector]:
    """How far delivered lines exceed the best ones; and the smooth error against those needed, with its sd, (n,)."""
    errors, columns = lines.errors(kept)
    nothing = np.full(len(lines), nan)
    if len(errors) < 2:
        return UNKNOWN_OFFSET, nothing, nothing
    scatter = likeliest_spread(errors)
    if not isfinite(scatter):
        return UNKNOWN_OFFSET, nothing, nothing
    level = max(scatter, least_spread(errors))
    value, sd = smooth_at(errors, level, columns)
    off = value - lines.best_rad
    known = np.isfinite(off)
    if not known.any():
        return UNKNOWN_OFFSET, value, sd
    offset = Offset(
        float(np.mean(off[known])),
        float(level / np.sqrt(len(errors))),
        float(off[known].min()),
        float(off[known].max()),
    )
    return offset, value, sd


def _good(lines: Delivered, kept: Flags, rest: Spread) -> Vector:
    if rest.freedom < LEAST_FOR_CHANCES:
        return np.full(len(lines), nan)
    needs, columns = lines.needs(kept)
    fitted = smooth_of(needs, max(rest.spread_rad, least_spread(needs)))
    sessions = np.unique(needs.group)
    at = np.clip(np.searchsorted(sessions, lines.session), 0, len(sessions) - 1)
    usual = lines.usual_less_stated_rad + fitted.constants_rad[at] + columns @ fitted.slopes
    off = lines.deviation_rad - usual
    known = (sessions[at] == lines.session) & tells_side(lines)
    return np.where(known, ((off <= lines.left_rad) & (off >= -lines.right_rad)).astype(float), nan)


def _mixed_aim(lines: Delivered, kept: Flags) -> float:
    """Pure error against lack of fit (Draper and Smith, Applied Regression Analysis, chapter 2; from memory)."""
    smooth, runs = lines.round_smooth().some(kept), lines.round_runs().some(kept)
    extra = smooth.freedom - runs.freedom
    if runs.freedom < LEAST_REPEATS or extra < 1:
        return nan
    level = max(likeliest_spread(runs), least_spread(runs))
    if level <= 0:
        return nan
    within, around = _squares(runs, level), _squares(smooth, level)
    return float(f_distribution.sf(max(around - within, 0.0) / extra / (within / runs.freedom), extra, runs.freedom))


def _squares(lines: Lines, spread_rad: float) -> float:
    residual = lines.deviation_rad - smooth_of(lines, spread_rad).value_rad
    return float(np.sum(residual**2 / (spread_rad**2 + lines.sd_rad**2)))


def _deg(value_rad: float) -> float | None:
    return round(degrees(value_rad), 5) + 0.0 if isfinite(value_rad) else None
