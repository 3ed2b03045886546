"""The scatter of the needed bearings about aiming rules' lines: nodes with weights, all rules of a shot together.

Attempts with measured misses leave a parabola in all that is fitted beside the scatter: a rule with nothing free is
computed in closed form, one with something free likewise from so many attempts on.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from app.fitting.information import Information
from app.fitting.likelihood import LEAST_SD_RAD, Observations
from app.fitting.maximum import NO_FIT, solve
from app.fitting.scatter import ScatterPrior, reference_log_density
from app.fitting.straight import StraightLines
from calibration.table import Vector

# Nodes by the number of attempts (up to which), at first and when set anew: the fewer, the longer the scatter's upper
# tail.
NODES = ((30, 25, 25), (10**9, 13, 25))
# From so many attempts on the lines are taken as straight in the family about the best one, anew until that moves by
# less than so much, or so often.
FEWEST_STRAIGHT = 31
STRAIGHT_RAD = 1e-5
STRAIGHTENINGS = 12
# With many attempts the scatter is known better than the nodes lie apart: nodes are set anew, where the weight has not
# fallen by so much (in log), until it is spread over so many, or so often.
REACH = 9.0
SPREAD_OVER = 3.0
MOST_ZOOMS = 4


@dataclass(frozen=True)
class Lines:
    """A rule's lines: ``family`` (2,), of whose parameters those of ``free`` (2,) are fitted."""

    name: str
    family: Vector
    free: tuple[bool, bool] = (False, False)


@dataclass(frozen=True)
class Scan:
    """A rule's lines for nodes of the scatter: ``log_scatter`` (j,) with log-weights ``score`` (j,), best ``family``
    (j, 2), penalised log-likelihood ``value`` (j,) and ``information`` (a batch of j) of family, 1 alone where held,
    and nuisances."""

    log_scatter: Vector
    score: Vector
    family: Vector
    value: Vector
    information: Information


# Families (p, 2), nuisances (p, q), nodes of log scatter (p, j) and which parameters are free (p, 2), to the best
# families (p, j, 2), their nuisances or None where these need no start, values and informations.
_Solver = Callable[[Vector, Vector, Vector, NDArray[np.bool_]], tuple[Vector, Vector | None, Vector, Information]]


def scan(obs: Observations, rules: Sequence[Lines], prior: ScatterPrior | None) -> list[Scan]:
    """Nodes for each of the rules, set where their weight is. ``obs`` allows for no wrong entries."""
    closed = [obs.all_measured and (len(obs) >= FEWEST_STRAIGHT or not any(rule.free)) for rule in rules]
    found: dict[int, Scan] = {}
    for straight in (True, False):
        some = [k for k, is_closed in enumerate(closed) if is_closed == straight]
        # Those that are solved by steps need not take the same number of them.
        for members in [some] if straight else [[k] for k in some]:
            if members:
                solver = _straight(obs) if straight else _stepwise(obs)
                found |= zip(members, _scanned(obs, [rules[k] for k in members], prior, solver), strict=True)
    return [found[k] for k in range(len(rules))]


def _scanned(obs: Observations, rules: Sequence[Lines], prior: ScatterPrior | None, best: _Solver) -> list[Scan]:
    n = len(obs)
    free = np.array([rule.free for rule in rules])
    begin = np.array([_begin(obs, rule) for rule in rules])
    family, nuisance = begin[:, :2], begin[:, 2:]
    error = lines.residuals(family, obs.start_m, obs.bearing_rad)
    middle = np.log(np.maximum(np.sqrt(np.mean(error**2, axis=1)), LEAST_SD_RAD * 1e3))
    low, high = middle - 4, middle + (1.0 + 8 / max(n - 2, 1))
    count, closer = next((first, then) for most, first, then in NODES if n <= most)
    found: dict[int, Scan] = {}
    on = np.arange(len(rules))
    for round_ in range(1 + MOST_ZOOMS):
        grid = np.linspace(low[on], high[on], count, axis=1)
        families, nuisances, value, information = best(family[on], nuisance[on], grid, free[on])
        restricted = value - 0.5 * information.log_determinant()
        density = prior.log_density(grid) if prior is not None else reference_log_density(grid, obs)
        score = restricted + density
        score = np.where(np.isfinite(score), score, NO_FIT)
        weight = np.exp(score - score.max(axis=1, keepdims=True))
        spread = weight.sum(axis=1) ** 2 / np.sum(weight**2, axis=1)
        again = (spread < SPREAD_OVER) & (round_ < MOST_ZOOMS)
        for k in np.flatnonzero(~again):
            found[int(on[k])] = Scan(grid[k], score[k], families[k], value[k], information.at(int(k)))
        for k in np.flatnonzero(again):
            near, top = np.flatnonzero(score[k] > score[k].max() - REACH), int(np.argmax(score[k]))
            low[on[k]] = grid[k, max(int(near[0]) - 1, 0)]
            high[on[k]] = grid[k, min(int(near[-1]) + 1, count - 1)]
            family[on[k]] = families[k, top]
            if nuisances is not None:
                nuisance[on[k]] = nuisances[k, top]
        on = on[again]
        if not len(on):
            break
        count = closer
    return [found[k] for k in range(len(rules))]


def _begin(obs: Observations, rule: Lines) -> Vector:
    """Family and nuisances (2 + q,) to begin with: lines without convergence have a direction of their own."""
    if rule.free != (True, False):
        return np.concatenate([rule.family, np.zeros(obs.nuisance_rad.shape[1])])
    return solve(obs, np.array([0.01]), rule.family[None], held=(1,), tolerance=1e-4).state[0]


def _straight(obs: Observations) -> _Solver:
    reach = np.array([1.0, obs.reach_m])

    def best(
        family: Vector, _: Vector, log_scatter: Vector, free: NDArray[np.bool_]
    ) -> tuple[Vector, Vector | None, Vector, Information]:
        p, count = log_scatter.shape
        scatter, about = np.exp(log_scatter), family.copy()
        families, value = np.empty((p, count, 2)), np.empty((p, count))
        information: Information | None = None
        on = np.arange(p)
        for _round in range(STRAIGHTENINGS):
            fits = StraightLines(obs, about[on], free[on]).at(scatter[on])
            families[on], value[on] = about[on, None] + fits.step, fits.value
            if information is None:
                information = fits.information
            else:
                information.put(on, fits.information)
            likeliest = families[on, np.argmax(fits.value, axis=1)]
            moved = np.abs(likeliest - about[on]) @ reach >= STRAIGHT_RAD
            about[on] = likeliest
            on = on[moved]
            if not len(on):
                break
        assert information is not None
        return families, None, value, information

    return best


def _stepwise(obs: Observations) -> _Solver:
    def best(
        family: Vector, nuisance: Vector, log_scatter: Vector, free: NDArray[np.bool_]
    ) -> tuple[Vector, Vector | None, Vector, Information]:
        held = tuple(int(k) for k in np.flatnonzero(~free[0]))
        found = solve(obs, np.exp(log_scatter[0]), family, nuisance, held=held, tolerance=1e-4)
        return found.family[None], found.nuisance[None], found.value[None], found.information.holding(held).at(None)

    return best
