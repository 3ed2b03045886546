"""Looks at a ball: one while it moves, and what many of them say of the place where it lies still."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, nan

import numpy as np

from calibration.table import Vector
from vision.outlines.outline import BallView

# Sightings at rest that are averaged; more would only repeat what compression does.
REST_SIGHTINGS = 40
# What pulls the outline of a ball that stands out well from the cloth, pixels.
USUAL_PULL_PX = 0.03


@dataclass(frozen=True)
class Sighting:
    """One look at a ball in motion (or settling): time, place (2,), its standard deviation, metres and seconds.

    ``edges_sd_m`` and ``pull_px``: see ``BallView``.
    """

    time_s: float
    at_m: Vector
    sd_m: float
    in_crowd: bool
    edges_sd_m: float = 0.0
    pull_px: float = USUAL_PULL_PX

    @classmethod
    def of(cls, view: BallView, time_s: float, in_crowd: bool) -> "Sighting":
        """A view of a ball at a moment; ``in_crowd``: beside a hand, a stick or the like."""
        return cls(time_s, view.at_m, view.sd_m, in_crowd, view.edges_sd_m, view.pull_px)


@dataclass(frozen=True)
class Rest:
    """A ball that lay still: mean place (2,), its standard deviation, from and to when it was seen there.

    ``sd_m`` is from how edges and views scatter; ``pull_px`` the standard deviation, in pixels, of what pulls the
    outline in all views alike, under way too, and is not in it.
    ``view_m2``, ``edges_m2``, ``scatter_m2``: variances of either coordinate, of a view as the views state it, without
    that pull, and as they scatter themselves.
    ``told_s`` is until when it was seen there by views that would have told that it had moved: of a ball that another
    has just run into, one outline is seen of both. NaN where all of them would have.
    """

    at_m: Vector
    sd_m: float
    first_s: float
    last_s: float
    sightings: int
    view_m2: float = 0.0
    scatter_m2: float = 0.0
    told_s: float = nan
    edges_m2: float = 0.0
    pull_px: float = USUAL_PULL_PX

    @property
    def surely_s(self) -> float:
        """Until when it surely lay there."""
        return self.last_s if isnan(self.told_s) else min(self.told_s, self.last_s)


def resting_place(recent: Sequence[Sighting]) -> Rest:
    """The resting place that the first sightings of a ball at rest tell."""
    places, weights = np.array([s.at_m for s in recent]), np.array([1 / s.sd_m**2 for s in recent])
    at = weights @ places / weights.sum()
    view_m2 = len(recent) / float(weights.sum())
    scatter_m2 = float(weights @ ((places - at) ** 2).mean(axis=1) / weights.sum())
    edges_m2 = float(weights @ np.array([s.edges_sd_m**2 for s in recent]) / weights.sum())
    return Rest(
        at_m=at,
        sd_m=_mean_sd_m(edges_m2, scatter_m2, min(len(recent), 4)),
        first_s=recent[0].time_s,
        last_s=recent[-1].time_s,
        sightings=len(recent),
        view_m2=view_m2,
        scatter_m2=scatter_m2,
        edges_m2=edges_m2,
        pull_px=float(weights @ np.array([s.pull_px for s in recent]) / weights.sum()),
    )


def averaged(rest: Rest, view: BallView, now: float) -> Rest:
    """A further sighting taken into the mean of a resting place."""
    n = min(rest.sightings, REST_SIGHTINGS)
    # Weighted by what the views say of themselves: a stick or a hand beside the ball spoils some.
    weight = 1 / view.sd_m**2
    weights = (n / rest.view_m2 if rest.view_m2 else 0.0) + weight
    share = weight / weights
    step = view.at_m - rest.at_m
    scatter_m2 = (1 - share) * (rest.scatter_m2 + share * float(step @ step) / 2)
    edges_m2 = (1 - share) * rest.edges_m2 + share * view.edges_sd_m**2
    return Rest(
        at_m=rest.at_m + share * step,
        # Neighbouring frames share compression and the ball's pattern: a quarter of the sightings count as independent.
        sd_m=_mean_sd_m(edges_m2, scatter_m2, max((n + 1) / 4, 1.0)),
        first_s=rest.first_s,
        last_s=now,
        sightings=rest.sightings + 1,
        view_m2=(n + 1) / weights,
        scatter_m2=scatter_m2,
        edges_m2=edges_m2,
        pull_px=(1 - share) * rest.pull_px + share * view.pull_px,
    )


def _mean_sd_m(edges_m2: float, scatter_m2: float, independent: float) -> float:
    """Standard deviation of the mean of views of a ball at rest, but for what pulls them all.

    A coded film shows one picture of a ball at rest again and again, with the same errors: what a view may be off and
    the views do not scatter by, their mean is off too.
    """
    same_m2 = max(edges_m2 - scatter_m2, 0.0)
    return float(np.sqrt(same_m2 + (max(edges_m2, scatter_m2) - same_m2) / independent))
