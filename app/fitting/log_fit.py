"""The fit of a whole log: every shot, those that cannot tell their scatter borrowing it from the others."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import exp, log, sqrt

import numpy as np

from app.fitting.attempts_csv import AttemptRow
from app.fitting.convergence import Convergence, converge
from app.fitting.evidence import gather
from app.fitting.fit import ENOUGH_MEASURED, ShotFit, fit_shot, own_prior
from app.fitting.likelihood import LEAST_SD_RAD
from app.fitting.scatter import SHOTS_FACTOR, UNKNOWN_FACTOR, USUAL_SCATTER_RAD, ScatterPrior
from app.fitting.shared_work import crew, usable_cores
from calibration.table import Table
from vision.shot import Shot

# Below so many degrees of freedom a shot's own word on its scatter is worth nothing to others.
LEAST_FREEDOM = 3
# A shot's fit takes about as long as this many attempts' share of it; and so many attempts are worth the half second
# that another process takes to start.
ROWS_A_SHOT = 100
MANY_ROWS = 20_000


# Logarithm of a scatter (radians), and its variance.
Told = tuple[float, float]


@dataclass(frozen=True)
class Job:
    """One shot's rows with what is known of it."""

    name: str
    rows: tuple[AttemptRow, ...]
    shot: Shot | None
    prior: ScatterPrior | None = None


# Read only when a shot must borrow from them.
Others = Callable[[], Sequence[Job]]


def fit_all(
    rows: Sequence[AttemptRow],
    table: Table,
    shots: Mapping[str, Shot] | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
    *,
    processes: int | None = None,
    others: Others | None = None,
) -> list[ShotFit]:
    """Fit every shot of a log, in order of first appearance. ``shots`` maps names to shot files' contents.

    Shots that cannot tell their scatter (outcomes alone, or a few misses) borrow it from the others, themselves left
    out; ``others`` gives shots of the same log that are not to be fitted, for that alone. The shots are shared
    among ``processes``, this one included: as many as there are cores when not given, and it pays.
    """
    known = shots or {}
    jobs = [Job(name, mine, known.get(name)) for name, mine in by_shot(rows).items()]
    one = partial(_fit, table=table, marks=dict(marks or {}))

    def told_elsewhere() -> list[Told | None]:
        return [] if others is None else [_told_by(job, table) for job in others()]

    if processes is None:
        processes = usable_cores() if len(rows) + ROWS_A_SHOT * len(jobs) >= MANY_ROWS else 1
    with crew(one, min(processes, len(jobs))) as fit_each:
        return _borrowing(jobs, fit_each, told_elsewhere)


def by_shot(rows: Sequence[AttemptRow]) -> dict[str, tuple[AttemptRow, ...]]:
    """The rows of each shot, in order of first appearance."""
    parts: dict[str, list[AttemptRow]] = {}
    for row in rows:
        parts.setdefault(row.shot, []).append(row)
    return {name: tuple(mine) for name, mine in parts.items()}


def _fit(job: Job, table: Table, marks: Mapping[str, tuple[float, float]]) -> ShotFit:
    return fit_shot(job.rows, shot_name=job.name, table=table, shot=job.shot, prior=job.prior, marks=marks)


def _borrowing(
    jobs: Sequence[Job],
    fit: Callable[[Sequence[Job]], list[ShotFit]],
    told_elsewhere: Callable[[], Sequence[Told | None]],
) -> list[ShotFit]:
    """Fit all, then again those that are better off with the others' scatter."""
    fits = fit(jobs)
    wanting = any(_wants_scatter(one) for one in fits)
    priors = scatter_priors(fits, told_elsewhere() if wanting else ())
    again = [k for k, prior in enumerate(priors) if prior is not None]
    for k, better in zip(again, fit([replace(jobs[k], prior=priors[k]) for k in again]), strict=True):
        fits[k] = better
    return fits


def scatter_priors(fits: Sequence[ShotFit], elsewhere: Sequence[Told | None] = ()) -> list[ScatterPrior | None]:
    """For each shot that cannot tell its scatter, what the others say of it; None for shots that can.

    The logarithms of the shots' scatters are taken as normal about a common mean, with the spread of ``SHOTS_FACTOR``;
    the mean itself is known beforehand to be the usual scatter to so much that nothing but one shot's own prior
    (``UNKNOWN_FACTOR``) is left where no other shot tells anything. ``elsewhere`` is told by shots that are not among
    ``fits``.
    """
    between, hyper = log(SHOTS_FACTOR) ** 2, log(UNKNOWN_FACTOR) ** 2 - log(SHOTS_FACTOR) ** 2
    told = [*(_told(fit.convergence, fit.used, fit.measured) for fit in fits), *elsewhere]
    weight = np.array([0.0 if t is None else 1 / (t[1] + between) for t in told])
    pull = np.array([0.0 if t is None else t[0] for t in told]) * weight
    found: list[ScatterPrior | None] = []
    for k, fit in enumerate(fits):
        others, sum_ = float(weight.sum() - weight[k]), float(pull.sum() - pull[k])
        if not _wants_scatter(fit) or others <= 0:
            found.append(None)
            continue
        precision = others + 1 / hyper
        middle = (sum_ + log(USUAL_SCATTER_RAD) / hyper) / precision
        found.append(ScatterPrior(exp(middle), exp(sqrt(between + 1 / precision))))
    return found


def _wants_scatter(fit: ShotFit) -> bool:
    return fit.used > 0 and fit.measured < ENOUGH_MEASURED


def _told_by(job: Job, table: Table) -> Told | None:
    """As ``_told``, of a shot that is not fitted otherwise."""
    evidence = gather(job.rows, table, job.shot)
    if not evidence.rows:
        return None
    found = converge(evidence.observations, table.centre_m, prior=own_prior(evidence))
    return _told(found, len(evidence.rows), evidence.measured)


def _told(found: Convergence, used: int, measured: int) -> Told | None:
    """What a shot's own attempts say of the logarithm of its scatter: value and variance, its prior taken out."""
    nodes, freedom = found.nodes, used - 2
    if nodes is None or freedom < LEAST_FREEDOM:
        return None
    # The mean, since the likeliest value may be nothing, which has no logarithm.
    middle, upper = nodes.mean_rad, nodes.quantile(0.84)
    if middle <= LEAST_SD_RAD or upper <= middle:
        return None
    value, variance = log(middle), max(log(upper / middle) ** 2, 1 / (2 * freedom))
    if measured >= ENOUGH_MEASURED:
        return value, variance
    own = log(UNKNOWN_FACTOR) ** 2
    if variance >= 0.9 * own:
        return None
    precision = 1 / variance - 1 / own
    return (value / variance - log(USUAL_SCATTER_RAD) / own) / precision, 1 / precision
