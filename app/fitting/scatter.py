"""The scatter of the needed bearings: what the attempts say of it, kept as a handful of weighted nodes.

Nothing that depends on the scatter is computed at one best value of it. Family and nuisances are integrated out of
the likelihood (restricted likelihood, so that the two parameters of the family cost two degrees of freedom), and what
remains, times a prior, weights a row of nodes in log scatter. Two priors: the reference prior of a normal variance that
adds to known ones (1/scatter^2 where nothing else is known; where every row states its error, some prior weight on no
scatter at all beside it), and a log-normal one round the scatter of the same table's or player's other shots,
which outcome-only attempts cannot do without.

The part on no scatter (``NOTHING_PART``) is a choice by coverage, for five attempts: with one part, regions hold the
truth in 93 to 95 % where the scatter is twice to eight times the stated error, with two in 92 to 94 %, without any in
94.5 to 96 %; where stated errors explain everything all of them are cautious: 99 % and more up to eight attempts.
That cannot be mended by a threshold. A region that is never smaller than the chi-square one of the stated errors, and
holds the truth in 95 % where the scatter is large, holds it in at least 98.7 % at five attempts, 98.0 % at eight and
97.4 % at twelve where there is no scatter (take the larger of the chi-square and the F region, and integrate over the
residual sum of squares); to come below, it would have to be smaller than the stated errors allow whenever the attempts
happen to agree well.

Rows known far worse than others (told by hand beside a film) say little of the scatter, and the prior weights them so:
of five filmed attempts (0.06 degrees) the median area falls by 3, 12 and 30 rows of 0.8 to 1.6 degrees to 0.95, 0.84
and 0.74 of itself where there is no scatter, to 0.80, 0.54 and 0.37 where it is 0.3 degrees. Regions hold the truth in
99, 99 and 99 % then without scatter, in 98, 98 and 97 % of 0.1, in 95, 94 and 93 % of 0.3 and in 95, 93 and 93 % of 0.6
degrees (600 drills each, standard error up to 1 %; benchmark ``coarse_rows``). The last two points short, with many
coarse rows and a large scatter, are neither due to the part on no scatter nor to the share of wrong entries: without
either it is 93 % as well (1200 drills). A single region may still grow, in about one log of twenty, where the coarse
rows make a larger scatter likelier.
What the nodes must not do is end where the film's own residuals do: attempts that agree better than is stated leave a
tail that begins at the stated error (``tail_end``). Without it, five that agreed by chance had a region of half the
area that they should, which any further row then seemed to enlarge.
"""

from dataclasses import dataclass
from math import log, radians

import numpy as np

from app.fitting import lines
from app.fitting.likelihood import LEAST_SD_RAD, Observations
from app.fitting.maximum import Solutions, solve, start_values
from calibration.table import Vector

# Spread factor of the log-normal prior: two shots of one table or player differ by about this much, and shots of
# which nothing is known by this much. Of outcomes alone (30 of them) regions hold the truth in 93 to 99 % with the
# latter where the scatter is a third to three times the usual; with the former it would be 90 to 99 %.
SHOTS_FACTOR = 1.6
UNKNOWN_FACTOR = 2.0
# Middle of the prior where no other shot tells: common practice, no source (ball and eye round a good player's line).
USUAL_SCATTER_RAD = radians(0.28)
COARSE_NODES = 18
# From so many degrees of freedom on the coarse nodes are set twice.
MANY = 400
# With more attempts than this the nodes lie so near together that their summit is refined once only.
MANY_ROWS = 40
# Prior weight of no scatter at all beside that of the reference prior.
NOTHING_PART = 0.4
# A scatter this small a share of the least stated error adds nothing to it.
NOTHING_BESIDE = 0.05
# Nodes by degrees of freedom (up to which): the fewer, the longer the scatter's upper tail.
NODES = ((2, 40), (10, 16), (10**9, 12))
# A log-normal prior leaves no such tail: nodes a standard deviation apart integrate a bell to four digits.
PRIOR_NODES = 9
# Nodes are weighted by their log-likelihood; this much of it is enough.
NODE_TOLERANCE = 1e-4
COARSE_TOLERANCE = 1e-2
# Steps to them at most, by degrees of freedom (up to which): with many, a scatter that has not settled by then is far
# from the right one.
COARSE_STEPS = ((40, 8), (10**9, 3))
NEAR_STEPS = 4
# Nodes reach to where the scatter's weight has fallen by this much (in log), below and above. Above, a region of 5 %
# rests on the tail.
REACH = (7.0, 12.0)
LEAST_WEIGHT = 1e-3
# Whether no scatter at all is likelier than some is worth asking only if the least one tried is not far behind.
NEAR = 8.0


@dataclass(frozen=True)
class ScatterPrior:
    """Log-normal: middle in radians and the factor that one standard deviation is."""

    middle_rad: float = USUAL_SCATTER_RAD
    factor: float = UNKNOWN_FACTOR

    def log_density(self, log_scatter: Vector) -> Vector:
        """In log scatter, up to a constant."""
        density: Vector = -0.5 * ((log_scatter - log(self.middle_rad)) / log(self.factor)) ** 2
        return density


@dataclass(frozen=True)
class ScatterNodes:
    """Scatters (j,), their weights (j,), summing to one, and the best family for each."""

    scatter_rad: Vector
    weight: Vector
    solutions: Solutions

    def quantile(self, share: float) -> float:
        """Scatter below which ``share`` of the weight lies, radians."""
        if len(self.weight) == 1:
            return float(self.scatter_rad[0])
        if self.scatter_rad[0] <= LEAST_SD_RAD and self.weight[0] >= share:
            return 0.0
        below = np.cumsum(self.weight) - 0.5 * self.weight
        return float(np.exp(np.interp(share, below, np.log(self.scatter_rad))))

    @property
    def mean_rad(self) -> float:
        return float(self.scatter_rad @ self.weight)


def reference_log_density(log_scatter: Vector, obs: Observations) -> Vector:
    """Reference prior of the scatter's square, per log scatter (any shape): Jeffreys' for a variance added to known
    ones."""
    squared = np.exp(2 * log_scatter)[..., None]
    density: Vector = log(2) + 2 * log_scatter + 0.5 * np.log(np.mean(1 / (squared + obs.sd_rad**2) ** 2, axis=-1))
    return density


def best_start(obs: Observations, scatter_rad: float) -> Vector:
    """The best family at one scatter, (2,), from several starts."""
    starts = lines.start_families(obs.start_m, obs.bearing_rad)
    keep = np.argsort(-start_values(obs, scatter_rad, starts))[:3]
    tried = solve(obs, np.full(len(keep), scatter_rad), starts[keep], tolerance=NODE_TOLERANCE)
    family: Vector = tried.family[int(np.argmax(tried.value))]
    return family


def rough_scatter(obs: Observations, family: Vector) -> float:
    """Root mean square of the residuals about a family, never below a floor; radians."""
    residual = lines.residuals(family, obs.start_m, obs.bearing_rad)
    # The median keeps a few wrong entries from setting the scale.
    middle = 1.4826 * float(np.median(np.abs(residual))) if obs.wrong_share > 0 else 0.0
    spread = middle or float(np.sqrt(np.mean(residual**2)))
    return max(spread, LEAST_SD_RAD)


def known_scatter(obs: Observations, scatter_rad: float) -> ScatterNodes:
    """One node: the scatter is given (0 when the stated errors are all there is)."""
    family = best_start(obs, scatter_rad)
    one = np.array([scatter_rad])
    return ScatterNodes(one, np.ones(1), solve(obs, one, family[None]))


def integrate_scatter(obs: Observations, prior: ScatterPrior | None, family: Vector | None = None) -> ScatterNodes:
    """Weighted nodes of the scatter; ``prior`` None stands for the reference prior. ``family`` (2,) is the best one at
    the usual scatter, if it is known already."""
    if family is None:
        family = best_start(obs, USUAL_SCATTER_RAD)
    if rough_scatter(obs, family) > 3 * USUAL_SCATTER_RAD:
        family = best_start(obs, rough_scatter(obs, family))
    freedom = max(len(obs) - 2, 1)
    coarse = np.linspace(*_bounds(obs, family, prior), COARSE_NODES)
    begin = np.concatenate([family, np.zeros(obs.nuisance_rad.shape[1])])
    steps = next(steps for most, steps in COARSE_STEPS if freedom <= most)
    solutions, score = _scores(obs, coarse, begin, prior, COARSE_TOLERANCE, steps)
    low, high = _within_reach(coarse, score)
    if freedom > MANY:
        # The coarse nodes lie farther apart than the scatter is unsure.
        begin, coarse = solutions.state[int(np.argmax(score))], np.linspace(low, high, COARSE_NODES)
        solutions, score = _scores(obs, coarse, begin, prior, COARSE_TOLERANCE, steps)
        low, high = _within_reach(coarse, score)
    count = next(count for most, count in NODES if freedom <= most) if prior is None else PRIOR_NODES
    fine = np.linspace(low, high, count)
    # From the likeliest family, not a neighbour's: at a small scatter a fit that believes a few rows only is a trap.
    begin = solutions.state[int(np.argmax(score))]
    solutions, score = _scores(obs, fine, begin, prior, NODE_TOLERANCE)
    score = score + log(fine[1] - fine[0])
    if prior is None and bool((obs.sd_rad > 0).all()):
        # Not judged by the coarse nodes: some of these may have stopped in a trap.
        nothing = solve(obs, np.array([LEAST_SD_RAD]), solutions.family[:1], tolerance=NODE_TOLERANCE)
        fine = np.append(log(LEAST_SD_RAD), fine)
        solutions = nothing.followed_by(solutions)
        score = np.append(nothing.restricted + log(NOTHING_PART), score)
    weight = np.exp(score - score.max())
    if prior is not None:
        # A log-normal has no long tail on which a region could rest: what weighs nothing is left out.
        kept = weight > LEAST_WEIGHT
        return ScatterNodes(np.exp(fine[kept]), weight[kept] / weight[kept].sum(), solutions.at(kept))
    return ScatterNodes(np.exp(fine), weight / weight.sum(), solutions)


def _bounds(obs: Observations, family: Vector, prior: ScatterPrior | None) -> tuple[float, float]:
    """Between which log scatters to look for weight."""
    if prior is not None:
        middle, reach = log(prior.middle_rad), 4.5 * log(prior.factor)
        return max(middle - reach, log(LEAST_SD_RAD)), middle + reach
    rough, least = rough_scatter(obs, family), float(obs.sd_rad.min())
    # Where all errors are stated, the scatter may be next to nothing beside them, and is nothing below.
    lowest = log(least * NOTHING_BESIDE) if least > 0 else log(rough) - 3.0
    return max(lowest, log(LEAST_SD_RAD)), 1.0 + tail_end(np.hypot(obs.sd_rad, rough), REACH[1])


def tail_end(sd_rad: Vector, fall: float) -> float:
    """The log scatter at which its likelihood, family fitted along, has fallen by so much (in log).

    A row of ``sd_rad`` (n,), stated error and what the lines leave of it, lets it fall as one over the scatter from
    there on, and not before: that is the degree of freedom which it adds. The two best known are spent on the family.
    Attempts that agree better than is stated leave the tail to begin at the stated error.
    """
    begin = np.sort(np.log(sd_rad))
    begin = begin[2:] if len(begin) > 2 else begin[-1:]
    # The sum of (end - begin) over the rows passed by then is convex in the end, and greatest over the first few rows.
    return float(np.min((fall + np.cumsum(begin)) / np.arange(1, len(begin) + 1)))


def _within_reach(grid: Vector, score: Vector) -> tuple[float, float]:
    """The part of a row of nodes that has weight, with one node beyond on either side."""
    near_below, near_above = (np.flatnonzero(score > score.max() - reach) for reach in REACH)
    return float(grid[max(int(near_below[0]) - 1, 0)]), float(grid[min(int(near_above[-1]) + 1, len(grid) - 1)])


def _scores(
    obs: Observations,
    log_scatter: Vector,
    begin: Vector,
    prior: ScatterPrior | None,
    tolerance: float,
    most_steps: int = 60,
) -> tuple[Solutions, Vector]:
    """Best families and scores for a row of scatters, all begun at one family with its nuisances (2 + q,)."""
    scatter, family, nuisance = np.exp(log_scatter), begin[None, :2], begin[None, 2:]
    solutions = solve(obs, scatter, family, nuisance, tolerance=tolerance, most_steps=most_steps)
    density = reference_log_density(log_scatter, obs) if prior is None else prior.log_density(log_scatter)
    return solutions, solutions.restricted + density


def restricted_estimate(
    obs: Observations, nodes: ScatterNodes, prior: ScatterPrior | None, *, rounds: int = 2
) -> float:
    """Scatter of greatest restricted likelihood (times the log-normal prior if there is one), radians.

    Measured rows without stated errors: the root of the residual sum of squares over n - 2. Zero when the stated errors
    account for all of the spread.
    """
    if len(nodes.weight) == 1:
        return float(nodes.scatter_rad[0])
    some = nodes.scatter_rad > LEAST_SD_RAD
    grid: Vector = np.log(nodes.scatter_rad[some])
    values = nodes.solutions.restricted[some] + (0.0 if prior is None else prior.log_density(grid))
    k = int(np.argmax(values))
    stated = bool((obs.sd_rad > 0).all())
    if prior is None and k == 0:
        return 0.0 if stated else float(nodes.scatter_rad[some][0])
    if len(grid) < 3:
        return float(np.exp(grid[k]))
    family, nuisance = nodes.solutions.family[some][k], nodes.solutions.nuisance[some][k]
    if prior is None and len(obs) > MANY_ROWS:
        rounds = min(rounds, 1)
    best, gap, lowest = summit(grid, values), float(grid[1]) - float(grid[0]), float(values[0])
    for _ in range(rounds):
        gap /= 4
        grid = best + gap * np.arange(-2.0, 3.0)
        tried = solve(obs, np.exp(grid), family[None], nuisance[None], tolerance=1e-7)
        values = tried.restricted + (0.0 if prior is None else prior.log_density(grid))
        best = summit(grid, values)
    if prior is None and lowest > values.max() - NEAR and stated:
        nothing = solve(obs, np.zeros(1), family[None], nuisance[None])
        if nothing.restricted[0] >= values.max():
            return 0.0
    return float(np.exp(best))


def summit(grid: Vector, values: Vector) -> float:
    """Top of the curve through the highest of equally spaced values and its neighbours, two to either side if there
    are (in steps from the highest: a parabola's top, then Newton's steps on the quartic)."""
    k = int(np.clip(np.argmax(values), 1, len(grid) - 2))
    before, here, after = (float(v) for v in values[k - 1 : k + 2])
    bend = before - 2 * here + after
    shift = float(np.clip(0.5 * (before - after) / bend, -1.0, 1.0)) if bend < 0 else 0.0
    if bend < 0 and 2 <= k <= len(grid) - 3:
        third = (float(values[k + 2]) - 2 * after + 2 * before - float(values[k - 2])) / 2
        fourth = float(values[k + 2]) - 4 * after + 6 * here - 4 * before + float(values[k - 2])
        first, second = (after - before) / 2 - third / 6, bend - fourth / 12
        for _ in range(4):
            slope = first + second * shift + third * shift**2 / 2 + fourth * shift**3 / 6
            turn = second + third * shift + fourth * shift**2 / 2
            if turn >= 0:
                break
            shift = float(np.clip(shift - slope / turn, -1.0, 1.0))
    return float(grid[k]) + shift * float(grid[1] - grid[0])


def nodes_near(obs: Observations, begin: Vector, scatter_rad: float, prior: ScatterPrior | None) -> ScatterNodes:
    """A few nodes round a scatter that is about known, ``begin`` (2 + q,) being about the best family and nuisances:
    enough for the best scatter of a slightly different model, not for a region."""
    middle = log(max(scatter_rad, LEAST_SD_RAD))
    grid = np.linspace(middle - 1.6, middle + 0.5, 7)
    solutions, score = _scores(obs, grid, begin, prior, COARSE_TOLERANCE, NEAR_STEPS)
    weight = np.exp(score - score.max())
    return ScatterNodes(np.exp(grid), weight / weight.sum(), solutions)


def at_scatter(obs: Observations, nodes: ScatterNodes, scatter_rad: float, *, tolerance: float = 1e-12) -> Solutions:
    """The best family at one scatter, started from the nearest node's."""
    known = np.log(np.maximum(nodes.scatter_rad, LEAST_SD_RAD))
    k = int(np.argmin(np.abs(known - log(max(scatter_rad, LEAST_SD_RAD)))))
    best = nodes.solutions
    one = slice(k, k + 1)
    return solve(obs, np.array([scatter_rad]), best.family[one], best.nuisance[one], tolerance=tolerance)
