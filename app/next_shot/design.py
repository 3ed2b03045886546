"""The information of attempts on the family of lines, and which start adds most to it.

An attempt whose needed bearing is known with weight w (one over its variance) adds w j j' to the information F on
(phi, kappa), j the derivative of its bearing. The determinant grows by the factor 1 + w j' F^-1 j (matrix determinant
lemma): the start with the greatest one shrinks the region most (D-optimal design; Fisher information of bearings:
Bishop, Fidan, Anderson, Dogancay and Pathirana, Automatica 46, 479-492, 2010, from memory).

A curve is one more column c, quadratic in the offset across the line of aim. What the attempts tell of it, the point
fitted along, is the Schur complement S = C - u' F^-1 u with C = sum w c^2 and u = sum w c j; an attempt adds
w r^2 / (1 + w j' F^-1 j) to it, r = c - j' F^-1 u.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from app.fitting import lines
from calibration.table import Vector

# So many of the best places are asked at a time whether they can be shot from, which costs more than ranking them.
AT_A_TIME = 24
# So little is known beforehand that any attempt tells more.
RIDGE = 1e-9

Shootable = Callable[[Vector], NDArray[np.bool_]]


@dataclass(frozen=True)
class Design:
    """Attempts so far and planned, about a family (2,). ``weight`` is a further attempt's.

    ``information`` (2, 2) is all that is known of the family; ``rows`` (2, 2) the attempts' own part, ``curve`` (2,) is
    u of the module's text; ``middle_m`` and ``half_m`` are of the offsets across the aim.
    """

    family: Vector
    weight: float
    information: Vector
    rows: Vector
    curve: Vector
    middle_m: float
    half_m: float

    def gain(self, start_m: Vector) -> Vector:
        """By which factor an attempt from each start (m, 2), from the table's centre, grows the determinant, (m,)."""
        j = lines.jacobian(self.family, start_m)
        return 1 + self.weight * _form(j, _inverse(self.information))

    def curve_gain(self, start_m: Vector) -> Vector:
        """How much an attempt from each start adds to what is known of a curve, (m,)."""
        j = lines.jacobian(self.family, start_m)
        inverse = _inverse(self.rows)
        left: Vector = _quadratic(self, start_m) - j @ (inverse @ self.curve)
        return self.weight * left**2 / (1 + self.weight * _form(j, inverse))

    def with_attempt(self, start_m: Vector) -> "Design":
        """After an attempt from ``start_m`` (2,), from the table's centre."""
        j = lines.jacobian(self.family, start_m[None])[0]
        more = self.weight * np.outer(j, j)
        curve = self.curve + self.weight * float(_quadratic(self, start_m[None])[0]) * j
        return Design(
            self.family, self.weight, self.information + more, self.rows + more, curve, self.middle_m, self.half_m
        )

    @property
    def covariance(self) -> Vector:
        return _inverse(self.information)


def design(family: Vector, start_m: Vector, weight: Vector, covariance: Vector | None) -> Design:
    """The attempts so far: starts (n, 2) from the centre, their weights (n,), and the family's covariance where it is
    known better (or less well, for what attempts share) than by the attempts each for itself."""
    columns = lines.jacobian(family, start_m)
    rows = (columns * weight[:, None]).T @ columns + RIDGE * np.eye(2)
    across = _across(family, start_m)
    middle, half = (across.max() + across.min()) / 2, max(float(np.ptp(across)) / 2, 1e-3)
    quadratic = ((across - middle) / half) ** 2
    return Design(
        family=family,
        weight=float(np.median(weight)),
        information=rows if covariance is None else _inverse(covariance),
        rows=rows,
        curve=columns.T @ (weight * quadratic),
        middle_m=float(middle),
        half_m=half,
    )


def best(place_m: Vector, worth: Vector, can: Shootable, known: dict[int, bool]) -> Vector | None:
    """The place (2,) of greatest worth among those (m, 2) that can be shot from; None when none can.

    ``known`` keeps what was asked, by the place's number, for the next attempt has much the same places before it.
    """
    order = np.argsort(-worth, kind="stable").tolist()
    for k, place in enumerate(order):
        if place not in known:
            some = list(islice((other for other in order[k:] if other not in known), AT_A_TIME))
            known.update(zip(some, can(place_m[some]).tolist(), strict=True))
        if known[place]:
            chosen: Vector = place_m[place]
            return chosen
    return None


def _inverse(matrix: Vector) -> Vector:
    inverse: Vector = np.linalg.inv(matrix).astype(np.float64)
    return inverse


def _form(j: Vector, matrix: Vector) -> Vector:
    value: Vector = np.sum((j @ matrix) * j, axis=1)
    return value


def _across(family: Vector, start_m: Vector) -> Vector:
    return lines.cross(np.broadcast_to(lines.unit(family[0]), start_m.shape), start_m)


def _quadratic(d: Design, start_m: Vector) -> Vector:
    value: Vector = ((_across(d.family, start_m) - d.middle_m) / d.half_m) ** 2
    return value
