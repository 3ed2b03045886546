"""Aiming rules side by side on the same attempts: by how much would each miss?

A rule is a family of lines with some of its two parameters given: one point (none given), one line carried over
parallel to itself (no convergence), and rules that leave nothing free: the ideal mirror, a pocket or a mark to aim at.
The miss to expect is that at the starts seen, of a player who delivers the rule's line to the hair: by how much that
leaves the line needed, start by start, and the scatter of the lines needed (``expected_miss``, which the marks of a
room are judged by as well). The score is that of the rule's lines on all attempts, measured or not: there an offset has
to pass for scatter, since a rule knows of no other.

The rule of the half-way line (aim parallel to the line from the middle between ball and target to the point of the rail
straight across from the target) is, for one rail, exactly the mirror: by similar triangles its line from the ball meets
the rail where the mirror's does. It is listed for one-rail shots under its own name, with the mirror's numbers; it is
not the rule of carrying one line over parallel to itself.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import nan, pi
from typing import Any

import numpy as np

from app.fitting import lines
from app.fitting.convergence import Convergence
from app.fitting.expected_miss import Needed, expected_miss_m, expected_miss_range_m, needed_from
from app.fitting.likelihood import Observations
from app.fitting.margins import image_m
from app.fitting.one_point import OnePoint
from app.fitting.rule_scan import Lines, Scan, scan
from app.fitting.scatter import ScatterPrior
from calibration.table import POCKETS, Table, Vector
from vision.shot import Shot

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
    verdict: OnePoint,
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

    pockets = [through(table.mouth_m(pocket)) for pocket in POCKETS] if table.has_pockets else []
    image = image_m(shot, table)
    compared = [
        Lines("point", found.family, (True, True)),
        Lines("parallel", np.array([found.family[0], 0.0]), (True, False)),
        *([] if image is None else [Lines("mirror", through(image))]),
        *([Lines("pocket", _nearest(pockets, kept))] if pockets else []),
        *(Lines(f"mark:{name}", through(np.array(place))) for name, place in marks.items()),
    ]
    needed = needed_from(found, verdict, kept.start_m)
    rules = []
    for rule, scanned in zip(compared, scan(kept, compared, prior), strict=True):
        line = found.family if rule.name == "point" else _line(scanned)
        expected, within = _misses(line, kept, found, needed, miss_per_rad_m[trusted])
        rules.append(Rule(rule.name, expected, within, _score(rule, len(kept), scanned)))
    if shot is not None and image is not None and len(shot.rails) == 1:
        # Beside the mirror's, as which it is written down.
        rules.insert(3, replace(rules[2], name="half-way line"))
    return tuple(sorted(rules, key=_order))


def _order(rule: Rule) -> tuple[float, float]:
    miss, score = (v if np.isfinite(v) else np.inf for v in (rule.expected_miss_m, rule.aicc))
    return miss, score


def _nearest(families: Sequence[Vector], kept: Observations) -> Vector:
    """The family whose lines are nearest to those needed."""
    off = np.mean(lines.residuals(np.array(families), kept.start_m, kept.bearing_rad) ** 2, axis=1)
    return families[int(np.argmin(off))]


def _line(scanned: Scan) -> Vector:
    """The rule's lines (2,) for the scatter that is likeliest to within the nodes' distance."""
    line: Vector = scanned.family[int(np.argmax(scanned.score))]
    return line


def _score(rule: Lines, n: int, scanned: Scan) -> float:
    """Corrected Akaike criterion, NaN where it is not defined."""
    marginal = scanned.value - 0.5 * scanned.information.log_determinant(first=2)
    parameters = sum(rule.free) + 1
    spare = n - parameters - 1
    penalty = 2 * parameters + 2 * parameters * (parameters + 1) / spare if spare > 0 else nan
    return -2 * _top(marginal) + penalty


def _misses(
    line: Vector, obs: Observations, found: Convergence, needed: Needed, worth_m: Vector
) -> tuple[float, tuple[float, float]]:
    """The miss to expect, the mean over the attempts, and its 95 % range; NaN where no row says what a degree is worth.

    ``line`` (2,): the family that the rule would have the player aim by."""
    known = np.isfinite(worth_m)
    if not known.any():
        return nan, (nan, nan)
    start, worth = obs.start_m[known], worth_m[known]
    off = lines.needed_bearings(line, start) - lines.needed_bearings(found.family, start) - needed.shift_rad[known]
    # A line of sight runs through a mark behind the player as well.
    off = (off + pi / 2) % pi - pi / 2
    expected = float(np.mean(expected_miss_m(off, needed.sd_rad[known], found.spread_rad, worth)))
    low, high = expected_miss_range_m(off, found, start, worth)
    return expected, (min(low, expected), max(high, expected))


def _top(values: Vector) -> float:
    """Highest value between equally spaced nodes, by the parabola through the highest and its neighbours."""
    k = int(np.clip(np.argmax(values), 1, len(values) - 2))
    before, here, after = (float(v) for v in values[k - 1 : k + 2])
    bend = before - 2 * here + after
    return max(here - (before - after) ** 2 / (8 * bend), here) if bend < 0 else max(before, here, after)
