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
from math import nan, pi, sqrt
from typing import Any

import numpy as np

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.likelihood import Observations
from app.fitting.margins import image_m
from app.fitting.rule_scan import Lines, Scan, nearest_node, quantiles, scan
from app.fitting.scatter import ScatterPrior
from calibration.table import POCKETS, Table, Vector
from vision.shot import Shot

# Quantiles are read from the nodes joined by straight lines (in the logarithm).
BETWEEN_NODES = 301
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
    aim = lines.unit(found.family[0])

    def through(place_m: Vector) -> Vector:
        towards = place_m - table.centre_m
        return lines.from_point(towards, ahead=float(towards @ aim) >= 0)

    pockets = np.array([through(table.mouth_m(pocket)) for pocket in POCKETS])
    off = np.mean(lines.residuals(pockets, kept.start_m, kept.bearing_rad) ** 2, axis=1)
    image = image_m(shot, table)
    compared = [
        Lines("point", found.family, (True, True)),
        Lines("parallel", np.array([found.family[0], 0.0]), (True, False)),
        *([] if image is None else [Lines("mirror", through(image))]),
        Lines("pocket", pockets[int(np.argmin(off))]),
        *(Lines(f"mark:{name}", through(np.array(place))) for name, place in marks.items()),
    ]
    worth = np.abs(miss_per_rad_m[trusted])
    rules = [
        _rule(rule, kept, scanned, worth) for rule, scanned in zip(compared, scan(kept, compared, prior), strict=True)
    ]
    if shot is not None and image is not None and len(shot.rails) == 1:
        # Beside the mirror's, as which it is written down.
        rules.insert(3, replace(rules[2], name="half-way line"))
    return tuple(sorted(rules, key=_order))


def _order(rule: Rule) -> tuple[float, float]:
    miss, score = (v if np.isfinite(v) else np.inf for v in (rule.expected_miss_m, rule.aicc))
    return miss, score


def _rule(rule: Lines, obs: Observations, scanned: Scan, worth_m: Vector) -> Rule:
    n, free = len(obs), sum(rule.free)
    marginal = scanned.value - 0.5 * scanned.information.log_determinant(first=2)
    low, best, high = quantiles(scanned, (0.025, 0.5, 0.975), BETWEEN_NODES)
    parameters = free + 1
    spare = n - parameters - 1
    penalty = 2 * parameters + 2 * parameters * (parameters + 1) / spare if spare > 0 else nan
    known = np.isfinite(worth_m)
    # What the free parameters are not known to adds to the scatter of the next attempt.
    unsure = np.zeros(n)
    if free:
        k = nearest_node(scanned, float(best))
        columns = lines.jacobian(scanned.family[k], obs.start_m) * rule.free
        inverse = scanned.information.at(k).covariance[:2, :2]
        unsure = np.sum((columns @ inverse) * columns, axis=1)

    def miss(scatter: float) -> float:
        if not known.any():
            return nan
        return float(np.mean(worth_m[known] * np.sqrt(scatter**2 + unsure[known]))) * sqrt(2 / pi)

    return Rule(rule.name, miss(best), (miss(low), miss(high)), -2 * _top(marginal) + penalty)


def _top(values: Vector) -> float:
    """Highest value between equally spaced nodes, by the parabola through the highest and its neighbours."""
    k = int(np.clip(np.argmax(values), 1, len(values) - 2))
    before, here, after = (float(v) for v in values[k - 1 : k + 2])
    bend = before - 2 * here + after
    return max(here - (before - after) ** 2 / (8 * bend), here) if bend < 0 else max(before, here, after)
