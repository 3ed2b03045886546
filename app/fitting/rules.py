"""Aiming rules side by side on the same attempts: by how much would each miss?

A rule is a family of lines with some of its two parameters given: one point (none given), one line carried over
parallel to itself (no convergence), and rules that leave nothing free: the ideal mirror, a pocket or a mark to aim at.
For each the scatter of the needed bearings about the rule's lines is estimated from all attempts, measured or not (a
rule that is off shows as scatter), and turned into the miss to expect at the starts seen.

The rule of the half-way line (aim parallel to the line from the middle between ball and target to the point of the rail
straight across from the target) is, for one rail, exactly the mirror: by similar triangles its line from the ball meets
the rail where the mirror's does. It is listed for one-rail shots under its own name, with the mirror's numbers; it is
not the rule of carrying one line over parallel to itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import log, nan, pi, sqrt
from typing import Any

import numpy as np

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.likelihood import LEAST_SD_RAD, Observations
from app.fitting.margins import image_m
from app.fitting.maximum import NO_FIT, solve
from app.fitting.scatter import ScatterPrior, reference_log_density, rough_scatter
from app.fitting.straight import StraightLines
from calibration.table import POCKETS, Table, Vector
from vision.shot import Shot

# Nodes by the number of attempts (up to which), at first and when set anew: the fewer, the longer the scatter's upper
# tail.
NODES = ((30, 25, 25), (10**9, 13, 25))
# From so many attempts on the lines are taken as straight in the family about the best one, anew until that moves by
# less than so much, or so often.
FEWEST_STRAIGHT = 31
STRAIGHT_RAD = 1e-5
STRAIGHTENINGS = 12
# Quantiles are read from the nodes joined by straight lines (in the logarithm).
BETWEEN_NODES = 301
# With many attempts the scatter is known better than the nodes lie apart: nodes are set anew, where the weight has not
# fallen by so much (in log), until it is spread over so many, or so often.
REACH = 9.0
SPREAD_OVER = 3.0
MOST_ZOOMS = 4
# Rows that the point's fit takes for wrong entries judge no rule.
TRUSTED = 0.5
FEWEST = 3


@dataclass(frozen=True)
class Rule:
    """``expected_miss_m`` with its 95 % range, NaN where no row says what a degree is worth; ``aicc`` NaN where it is
    not defined."""

    name: str
    expected_miss_m: float
    expected_miss_range_m: tuple[float, float]
    aicc: float

    def to_json(self) -> dict[str, Any]:
        def known(value: float, digits: int) -> float | None:
            return round(value, digits) if np.isfinite(value) else None

        low, high = (known(v, 5) for v in self.expected_miss_range_m)
        return {
            "rule": self.name,
            "expected_miss_m": known(self.expected_miss_m, 5),
            "expected_miss_range_m": None if low is None else [low, high],
            "aicc": known(self.aicc, 3),
        }


def rank_rules(
    obs: Observations,
    found: Convergence,
    miss_per_rad_m: Vector,
    table: Table,
    shot: Shot | None,
    marks: Mapping[str, tuple[float, float]],
    prior: ScatterPrior | None,
) -> tuple[Rule, ...]:
    """Rules by rising expected miss. Marks are places in the table frame, metres; of the pockets the best is told."""
    trusted = found.row_weight >= TRUSTED
    if found.status == "refused" or int(trusted.sum()) < FEWEST:
        return ()
    kept = replace(obs.some(trusted), wrong_share=0.0)
    worth = np.abs(miss_per_rad_m[trusted])
    parallel = np.array([found.family[0], 0.0])
    rules = [
        _rule("point", kept, found.family, (), worth, prior),
        _rule("parallel", kept, parallel, (1,), worth, prior),
    ]

    def through(place_m: Vector) -> Vector:
        towards = place_m - table.centre_m
        return lines.from_point(towards, ahead=float(towards @ lines.unit(found.family[0])) >= 0)

    def at(name: str, place_m: Vector) -> Rule:
        return _rule(name, kept, through(place_m), (0, 1), worth, prior)

    image = image_m(shot, table)
    if shot is not None and image is not None:
        mirror = at("mirror", image)
        rules.append(mirror)
        if len(shot.rails) == 1:
            rules.append(replace(mirror, name="half-way line"))
    mouths = [table.mouth_m(pocket) for pocket in POCKETS]
    rules.append(at("pocket", min(mouths, key=lambda mouth: rough_scatter(kept, through(mouth)))))
    rules += [at(f"mark:{name}", np.array(place)) for name, place in marks.items()]
    return tuple(sorted(rules, key=_order))


def _order(rule: Rule) -> tuple[float, float]:
    miss, score = (v if np.isfinite(v) else np.inf for v in (rule.expected_miss_m, rule.aicc))
    return miss, score


def _rule(
    name: str, obs: Observations, family: Vector, held: tuple[int, ...], worth_m: Vector, prior: ScatterPrior | None
) -> Rule:
    n = len(obs)
    free = [k for k in (0, 1) if k not in held]
    grid, score, fitted = _scan(obs, family, held, prior)
    inner = fitted.information[:, len(free) :, len(free) :]
    marginal = fitted.value - 0.5 * np.linalg.slogdet(inner)[1]
    between = np.linspace(grid[0], grid[-1], BETWEEN_NODES)
    density = np.exp(np.interp(between, grid, score - score.max()))
    below = (np.cumsum(density) - 0.5 * density) / density.sum()
    low, best, high = (float(np.exp(np.interp(p, below, between))) for p in (0.025, 0.5, 0.975))
    parameters = len(free) + 1
    spare = n - parameters - 1
    penalty = 2 * parameters + 2 * parameters * (parameters + 1) / spare if spare > 0 else nan
    # What the free parameters are not known to adds to the scatter of the next attempt.
    unsure = np.zeros(n)
    if free:
        k = int(np.argmin(np.abs(grid - log(best))))
        columns = lines.jacobian(fitted.state[k, :2], obs.start_m)[:, free]
        inverse = np.linalg.inv(fitted.information[k])[: len(free), : len(free)]
        unsure = np.sum((columns @ inverse) * columns, axis=1)
    known = np.isfinite(worth_m)

    def miss(scatter: float) -> float:
        if not known.any():
            return nan
        return float(np.mean(worth_m[known] * np.sqrt(scatter**2 + unsure[known]))) * sqrt(2 / pi)

    return Rule(name, miss(best), (miss(low), miss(high)), -2 * _top(marginal) + penalty)


@dataclass(frozen=True)
class _Scan:
    """A rule's lines for each scatter: ``state`` (j, 2 + q) of family and nuisances, penalised log-likelihood ``value``
    (j,), ``information`` (j, m, m) of the rule's free parameters and the nuisances."""

    state: Vector
    value: Vector
    information: Vector


def _scan(
    obs: Observations, family: Vector, held: tuple[int, ...], prior: ScatterPrior | None
) -> tuple[Vector, Vector, _Scan]:
    """Nodes of log scatter (j,), their log-weight (j,), and the best of the rule's lines for each, nodes where the
    weight is."""
    n = len(obs)
    begin = np.concatenate([family, np.zeros(obs.nuisance_rad.shape[1])])
    if held == (1,):
        begin = solve(obs, np.array([0.01]), family[None], held=held, tolerance=1e-4).state[0]
    middle = max(rough_scatter(obs, begin[:2]), LEAST_SD_RAD * 1e3)
    low, high = log(middle) - 4, log(middle) + 1.0 + 8 / max(n - 2, 1)
    count, closer = next((first, then) for most, first, then in NODES if n <= most)
    for _ in range(1 + MOST_ZOOMS):
        grid = np.linspace(low, high, count)
        fitted = _lines(obs, grid, begin, held)
        restricted = fitted.value - 0.5 * np.linalg.slogdet(fitted.information)[1]
        score = restricted + (reference_log_density(grid, obs) if prior is None else prior.log_density(grid))
        score = np.where(np.isfinite(score), score, NO_FIT)
        weight = np.exp(score - score.max())
        if float(weight.sum() ** 2 / (weight @ weight)) >= SPREAD_OVER:
            break
        near = np.flatnonzero(score > score.max() - REACH)
        low, high = float(grid[max(int(near[0]) - 1, 0)]), float(grid[min(int(near[-1]) + 1, count - 1)])
        count = closer
        begin = fitted.state[int(np.argmax(score))]
    return grid, score, fitted


def _lines(obs: Observations, log_scatter: Vector, begin: Vector, held: tuple[int, ...]) -> _Scan:
    """The rule's best lines for each scatter, looked for from ``begin`` (2 + q,) on."""
    free = [k for k in (0, 1) if k not in held]
    if len(obs) < FEWEST_STRAIGHT or not obs.measured.all():
        found = solve(obs, np.exp(log_scatter), begin[None, :2], begin[None, 2:], held=held, tolerance=1e-4)
        both = [*free, *range(2, len(begin))]
        return _Scan(found.state, found.value, found.information[:, both][:, :, both])
    family = begin[:2]
    for _ in range(STRAIGHTENINGS if free else 1):
        fits = StraightLines(obs, family, free).at(np.exp(log_scatter))
        state = np.tile(begin, (len(log_scatter), 1))
        state[:, :2] = family
        state[:, free] += fits.step
        before, family = family, state[int(np.argmax(fits.value)), :2]
        if np.abs(family - before) @ [1.0, obs.reach_m] < STRAIGHT_RAD:
            break
    return _Scan(state, fits.value, fits.information)


def _top(values: Vector) -> float:
    """Highest value between equally spaced nodes, by the parabola through the highest and its neighbours."""
    k = int(np.clip(np.argmax(values), 1, len(values) - 2))
    before, here, after = (float(v) for v in values[k - 1 : k + 2])
    bend = before - 2 * here + after
    return max(here - (before - after) ** 2 / (8 * bend), here) if bend < 0 else max(before, here, after)
