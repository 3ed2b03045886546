"""Is one point the right model? Judged by what it costs, not by significance.

Lines from real cushions envelope a curve: where the local point lies depends on how far across the line of aim the
ball starts. The curve is fitted as one more term, quadratic in that offset and cleared of what a point can take up. One
point is *enough* when, with the 90 % interval of the term (two one-sided tests at 5 %), the extra miss stays under a
quarter of the margin at every start seen; *not enough* when the interval lies wholly beyond that at some start; else
one *cannot tell*.
"""

from dataclasses import dataclass, replace
from math import hypot, nan

import numpy as np

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.likelihood import Observations
from app.fitting.scatter import ScatterPrior
from app.fitting.terms import Term, fit_term, row_information
from calibration.table import Vector

SHARE_OF_MARGIN = 0.25
EQUIVALENCE = 0.90
FEWEST = 5
ENVELOPE_POINTS = 5


@dataclass(frozen=True)
class LocalPoint:
    """Where lines from starts round an offset across the aim meet. ``point_m`` (2,) in the table frame, None when they
    run parallel there."""

    across_m: float
    point_m: Vector | None


@dataclass(frozen=True)
class Bend:
    """How the lines needed leave those of one point: ``term`` times a shape that is quadratic in the start's offset
    across the line of aim, cleared by ``taken_up`` (2,) of what the point itself can take up."""

    family: Vector
    middle_m: float
    half_m: float
    taken_up: Vector
    term: Term

    def shape(self, start_m: Vector) -> Vector:
        """The shape at starts (n, 2) from the table's centre, (n,)."""
        curve: Vector = ((_across(self.family, start_m) - self.middle_m) / self.half_m) ** 2
        return curve - lines.jacobian(self.family, start_m) @ self.taken_up

    def extra_at_most_rad(self, start_m: Vector) -> Vector:
        """How far the line needed may be off the one point's (90 % interval) at starts (n, 2) from the centre, (n,)."""
        low, high = self.term.interval(EQUIVALENCE)
        most: Vector = max(abs(low), abs(high)) * np.abs(self.shape(start_m))
        return most


@dataclass(frozen=True)
class OnePoint:
    """``verdict`` with its ``reason``; the largest extra miss at the starts seen, and how large it may be (90 %), as a
    share of the margin and in metres (NaN where margins or the worth of a degree are not known). ``bend`` tells it for
    other starts; None where no curve was fitted."""

    verdict: str
    reason: str
    share_of_margin: float
    share_of_margin_at_most: float
    extra_miss_m: float
    extra_miss_at_most_m: float
    envelope: tuple[LocalPoint, ...]
    bend: Bend | None = None


def cannot_tell(reason: str) -> OnePoint:
    return OnePoint("cannot tell", reason, nan, nan, nan, nan, ())


def judge(
    obs: Observations,
    found: Convergence,
    margin_rad: Vector,
    miss_per_rad_m: Vector,
    centre_m: Vector,
    prior: ScatterPrior | None,
) -> OnePoint:
    """The verdict for the starts of ``obs``.

    ``margin_rad`` (n,): the smaller margin of each row; ``miss_per_rad_m`` (n,); NaN where not known.
    """
    if found.status == "refused" or len(obs) < FEWEST:
        return cannot_tell(f"it takes at least {FEWEST} attempts that tell of the point.")
    across = _across(found.family, obs.start_m)
    middle, half = (across.max() + across.min()) / 2, float(np.ptp(across)) / 2
    if len(np.unique(np.round(across / max(half, 1e-9), 1))) < 3:
        return cannot_tell("it takes starts from at least three offsets across the line of aim.")
    weight = row_information(obs, found.family, found.spread_rad)
    columns = lines.jacobian(found.family, obs.start_m)
    quadratic = ((across - middle) / half) ** 2
    taken_up = np.linalg.lstsq(columns * np.sqrt(weight)[:, None], quadratic * np.sqrt(weight), rcond=None)[0]
    column = quadratic - columns @ taken_up
    term = fit_term(obs, column, found, prior)
    envelope = _envelope(found.family, term, taken_up, (middle, half), obs.start_m.mean(axis=0), centre_m)
    told = _verdict(term, np.abs(column), margin_rad, np.abs(miss_per_rad_m), envelope)
    return replace(told, bend=Bend(found.family, middle, half, taken_up, term))


def _verdict(
    term: Term, size: Vector, margin_rad: Vector, worth_m: Vector, envelope: tuple[LocalPoint, ...]
) -> OnePoint:
    low, high = term.interval(EQUIVALENCE)
    most = max(abs(low), abs(high))
    least = 0.0 if low <= 0 <= high else min(abs(low), abs(high))
    known = np.isfinite(margin_rad) & (margin_rad > 0)
    share = size[known] / margin_rad[known]
    worst = float(share.max()) if known.any() else nan
    miss = float(np.nanmax(size * worth_m)) if np.isfinite(worth_m).any() else nan
    seen = "at every start seen" if known.all() else "at every start seen of which a margin is known"
    if not known.any():
        verdict, reason = "cannot tell", "no margins are known to judge against."
    elif most * worst <= SHARE_OF_MARGIN:
        verdict, reason = "enough", f"{seen} the extra miss stays under a quarter of the margin."
    elif least * worst > SHARE_OF_MARGIN:
        verdict, reason = "not enough", "at some start the extra miss is over a quarter of the margin."
    else:
        verdict, reason = (
            "cannot tell",
            "the extra miss may be under or over a quarter of the margin: log more.",
        )
    return OnePoint(
        verdict, reason, abs(term.value_rad) * worst, most * worst, abs(term.value_rad) * miss, most * miss, envelope
    )


def _across(family: Vector, start_m: Vector) -> Vector:
    return lines.cross(np.broadcast_to(lines.unit(family[0]), start_m.shape), start_m)


def _envelope(
    family: Vector, term: Term, taken_up: Vector, offset: tuple[float, float], through_m: Vector, centre_m: Vector
) -> tuple[LocalPoint, ...]:
    """Local points for starts moved across the line of aim, on a line through ``through_m`` (2,)."""
    middle, half = offset
    aim = lines.unit(family[0])
    sideways = np.array([-aim[1], aim[0]])
    base = through_m - sideways * float(through_m @ sideways)

    def bearings(across: Vector) -> Vector:
        at = base + sideways * across[:, None]
        curve = ((across - middle) / half) ** 2 - lines.jacobian(family, at) @ taken_up
        found: Vector = lines.needed_bearings(family, at) + term.value_rad * curve
        return found

    offsets = np.linspace(middle - half, middle + half, ENVELOPE_POINTS)
    step = 1e-3 * half
    here, after, before = np.split(bearings(np.concatenate([offsets, offsets + step, offsets - step])), 3)
    # From one offset to the next by the short way round.
    turn = np.angle(np.exp(1j * (after - before))) / (2 * step)
    u = lines.unit(here)
    points = []
    for k, across in enumerate(offsets):
        point = None
        # Lines a(t) + r u(b(t)) touch their envelope at r = cross(a', u) / b'.
        if abs(turn[k]) > 1e-4:
            away = float(lines.cross(sideways, u[k])) / turn[k] * u[k]
            point = centre_m + base + sideways * across + away if hypot(*away) < 1e3 else None
        points.append(LocalPoint(float(across), point))
    return tuple(points)
