"""What a coach looks at behind the point: how sure it is, the speed's part, the rules, the envelope, the sessions.

Here, and in the interface, statistics are called by their names; a player's page says the same in plain words.
"""

from dataclasses import dataclass
from math import degrees, isfinite, nan

import numpy as np

from app.fitting.compare import Comparison
from app.fitting.fit import ShotFit
from app.telling.lengths import measured_length, rough_length, rough_range
from app.telling.rounding import UNKNOWN, chance_words, told, told_with_sd
from calibration.table import Vector

RULES = {
    "point": "at the point",
    "parallel": "one line carried over parallel to itself",
    "mirror": "as if the rail were a mirror",
    "half-way line": "by the half-way line",
    "pocket": "at the best pocket",
}


@dataclass(frozen=True)
class Figures:
    """A small table: its heading, a sentence on what it says, its columns and rows as text."""

    heading: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def rule_name(rule: str) -> str:
    """An aiming rule in words; a mark by its own name."""
    return RULES.get(rule, rule.removeprefix("mark:"))


def coach_figures(fit: ShotFit) -> tuple[Figures, ...]:
    """The tables of one fit, those left out of which nothing is known."""
    found = (
        _fit(fit),
        _rules(fit),
        _envelope(fit),
        _compared(fit.sessions, "From session to session", "session"),
        _compared(fit.days, "From day to day", "day"),
        _compared(fit.mirrored, "From corner to corner", "corner"),
    )
    return tuple(figures for figures in found if figures.rows)


def _fit(fit: ShotFit) -> Figures:
    c = fit.convergence
    rows: list[tuple[str, str]] = []
    if isfinite(c.family[0]):
        sd = np.sqrt(np.diag(c.family_covariance))
        turn, away = degrees(float(c.family[0])) % 360.0, float(c.family[1])
        rows += [
            ("direction of the point from the table's middle", f"{told_with_sd(turn, degrees(sd[0]), finest=3)}°"),
            ("one over its distance", f"{told_with_sd(away, float(sd[1]), finest=4)} a metre"),
        ]
    if isfinite(c.spread_rad):
        low, high = (told(degrees(v), nan, finest=3) for v in c.spread_range_rad)
        rows.append(
            ("scatter of the lines needed", f"{told(degrees(c.spread_rad), nan, finest=3)}° (95 %: {low} to {high}°)")
        )
    if fit.speed_slope is not None:
        slope = fit.speed_slope
        text = told_with_sd(degrees(slope.value_rad), degrees(slope.sd_rad), finest=2)
        rows.append(("turn of the line needed for each m/s harder, counter-clockwise", f"{text}°"))
    one = fit.one_point
    if isfinite(one.share_of_margin_at_most):
        share, most = (told(100 * v, nan, finest=0) for v in (one.share_of_margin, one.share_of_margin_at_most))
        rows.append(
            ("extra miss of one point at the worst start, as a share of the margin", f"{share} % (at most {most} %)")
        )
    return Figures("The fit", f"From {fit.used} of {fit.attempts} attempts.", ("what", "value"), tuple(rows))


def _rules(fit: ShotFit) -> Figures:
    rows = []
    for rule in fit.rules:
        known = isfinite(rule.expected_miss_m)
        rows.append(
            (
                rule_name(rule.name),
                rough_length(rule.expected_miss_m) if known else UNKNOWN,
                rough_range(*rule.expected_miss_range_m) if known else UNKNOWN,
                told(rule.aicc, 1.0, finest=1),
            )
        )
    note = "Mean miss to expect at the starts seen; of two scores (AICc) the lower fits better."
    return Figures("Ways to aim", note, ("way", "miss", "95 %", "AICc"), tuple(rows))


def _envelope(fit: ShotFit) -> Figures:
    rows = []
    for local in fit.one_point.envelope:
        at = np.full(2, nan) if local.point_m is None else local.point_m
        rows.append((measured_length(local.across_m, 0.01), _place(at)))
    note = (
        "Where the lines from starts near one offset meet, as the start moves to the left across the line of aim "
        "(offset from the table's middle; place along and across the table)."
    )
    return Figures("How the point moves with the start", note, ("start", "point"), tuple(rows))


def _place(point_m: Vector) -> str:
    """A point (2,) along and across the table, to the centimetre; NaN is not known."""
    if not np.isfinite(point_m).all():
        return UNKNOWN
    return f"{', '.join(told(float(v), 0.005, finest=2) for v in point_m)} m"


def _compared(compared: Comparison | None, heading: str, what: str) -> Figures:
    if compared is None or not len(compared.families):
        return Figures("", "", (), ())
    rows = tuple(
        (
            name,
            str(count),
            f"{told_with_sd(degrees(float(phi)) % 360.0, degrees(float(phi_sd)), finest=3)}°",
            f"{told_with_sd(float(kappa), float(kappa_sd), finest=4)} a metre",
            _place(point),
        )
        for name, count, point, (phi, kappa), (phi_sd, kappa_sd) in zip(
            compared.groups, compared.attempts, compared.points_m, compared.families, compared.family_sd, strict=True
        )
    )
    reason = compared.reason.replace("the groups'", f"the {what}s'")
    note = (
        f"{reason[0].upper()}{reason[1:]} Such differences come by chance with probability "
        f"{chance_words(compared.p_value)}; from {what} to {what} the direction varies by "
        f"{told(degrees(compared.between_sd[0]), nan, finest=2)}° (sd, chance taken out)."
    )
    return Figures(heading, note, (what, "attempts", "direction", "one over distance", "point"), rows)
