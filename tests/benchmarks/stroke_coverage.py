"""How often the interval of the stroke spread holds the truth, and the count made lies within what is expected."""

from collections.abc import Callable
from functools import partial
from math import degrees, radians

import numpy as np

from app.stroke.from_log import strokes_of
from tests.app.strokes import BANK, KICK, library, practice
from vision.shot import Shot

Drawn = Callable[[np.random.Generator], list]  # type: ignore[type-arg]
SPREAD_RAD = {"kick": radians(0.4), "bank": radians(0.1)}


def families() -> dict[str, tuple[Shot, Drawn]]:
    """Name -> the shot, and how a practice at it is drawn."""

    def drawn(shot: Shot, each: int, **kw: float) -> Drawn:
        return partial(_drawn, shot, each, kw)

    return {
        "kick, 5 places, 2 tries each": (KICK, drawn(KICK, 2)),
        "kick, 5 places, 5 tries each": (KICK, drawn(KICK, 5)),
        "kick, one try from each of 15 places": (KICK, partial(_scattered, KICK, 15)),
        "kick, off the best, moving rails": (KICK, drawn(KICK, 5, offset_rad=radians(0.3), rest_rad=radians(0.3))),
        "bank, 3 places, 4 tries each": (BANK, drawn(BANK, 4)),
    }


def _drawn(shot: Shot, each: int, kw: dict[str, float], rng: np.random.Generator) -> list:  # type: ignore[type-arg]
    return practice(shot, rng, SPREAD_RAD[shot.kind], each=each, turn_rad=float(rng.normal(0, radians(0.03))), **kw)


def _scattered(shot: Shot, n: int, rng: np.random.Generator) -> list:  # type: ignore[type-arg]
    places = [(float(x), float(y)) for x, y in zip(rng.uniform(0.4, 1.6, n), rng.uniform(0.2, 0.5, n), strict=True)]
    return practice(shot, rng, SPREAD_RAD[shot.kind], each=1, places_m=places)


def run(drills: int = 2000) -> list[dict[str, object]]:
    """Rows: the share of practices whose interval holds the true spread, the ratio of the mean estimate to it, how
    often the count made lies within what is allowed and how often it is as unlikely as one in five, and how often a
    line is set apart though none is odd."""
    rows: list[dict[str, object]] = []
    for name, (shot, draw) in families().items():
        rng = np.random.default_rng(20)
        truth = SPREAD_RAD[shot.kind]
        held, ratio, allowed, fifth, odd, freedom = 0, 0.0, 0, 0, 0, 0.0
        for _ in range(drills):
            found = strokes_of(draw(rng), library(shot))[0][0]
            spread = found.stroke.spread
            held += spread.low_rad <= truth <= spread.high_rad
            ratio += spread.spread_rad / truth
            allowed += found.expected.differs == 0
            fifth += found.expected.chance < 0.2
            odd += bool(found.stroke.odd)
            freedom += spread.freedom
        rows.append(
            {
                "family": name,
                "spread_deg": degrees(truth),
                "freedom": freedom / drills,
                "held_%": 100 * held / drills,
                "estimate_over_truth": ratio / drills,
                "count_allowed_%": 100 * allowed / drills,
                "count_one_in_five_%": 100 * fifth / drills,
                "line_set_apart_%": 100 * odd / drills,
            }
        )
    return rows
