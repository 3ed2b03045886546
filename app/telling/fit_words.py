"""What the command line adds to the point: the ways to aim side by side, the speed's part, how sure a move is."""

from math import degrees, isfinite, nan

from app.fitting.compare import Comparison
from app.fitting.fit import ShotFit
from app.telling.coach import rule_name
from app.telling.lengths import rough_length
from app.telling.rounding import chance_words, told, told_with_sd

# A weight below this is as good as none, and its digits say nothing.
LEAST_WEIGHT = 0.005
# Ways to aim told in a line.
MOST_WAYS = 6


def fit_words(fit: ShotFit) -> list[str]:
    """Plain sentences; none of what is not known."""
    said = [_ways(fit), _speed(fit)]
    said += [_moved(compared, what) for compared, what in _asked(fit)]
    return [sentence for sentence in said if sentence]


def _asked(fit: ShotFit) -> tuple[tuple[Comparison | None, str], ...]:
    return (fit.sessions, "session"), (fit.days, "day"), (fit.mirrored, "corner")


def weight_words(weight: float) -> str:
    """``0.3``, or ``nothing``."""
    return "nothing" if weight < LEAST_WEIGHT else f"{weight:.2g}"


def _ways(fit: ShotFit) -> str:
    known = [rule for rule in fit.rules if isfinite(rule.expected_miss_m)]
    if not known:
        return ""
    ways = [f"{rule_name(rule.name)} {rough_length(rule.expected_miss_m)}" for rule in known[:MOST_WAYS]]
    return f"Mean miss to expect by the way of aiming: {', '.join(ways)}."


def _speed(fit: ShotFit) -> str:
    slope = fit.speed_slope
    if slope is None:
        return ""
    low, high = slope.interval(0.95)
    turn = told_with_sd(degrees(slope.value_rad), degrees(slope.sd_rad), finest=2)
    unsure = "" if low > 0 or high < 0 else ", which may be chance"
    return f"With each m/s harder the line needed turns by {turn}° counter-clockwise{unsure}."


def _moved(compared: Comparison | None, what: str) -> str:
    if compared is None or not isfinite(compared.p_value):
        return ""
    between = told(degrees(compared.between_sd[0]), nan, finest=2)
    return (
        f"From {what} to {what} its direction varies by {between}° (sd, chance taken out); such differences come by "
        f"chance with probability {chance_words(compared.p_value)}."
    )
