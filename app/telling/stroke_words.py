"""The stroke in words, for the terminal and the coach's page."""

from math import degrees, hypot, isfinite, nan

import numpy as np

from app.store.logged import LoggedAttempt
from app.stroke.analysis import SURE, Offset, left_out
from app.stroke.chances import LEAST_FOR_CHANCES
from app.stroke.expected import Expected
from app.stroke.from_log import ShotStroke
from app.stroke.spread import Spread
from app.telling.lengths import rough_length
from app.telling.rounding import UNKNOWN, chance_words, told, told_with_sd
from app.telling.words import side_of
from calibration.errors import InputError
from calibration.unfold import unfold

ROUND = {
    "aimed": "the line aimed on",
    "repeats": "the mean of tries from one place",
    "smooth": "a line that changes smoothly with the start",
}
# Of attempts left out so many are named.
MOST_NAMED = 3
# A scatter below this, at a table's length, is none that one would see.
LEAST_TOLD_M = 0.001
# Fewer lines are not counted out by what they were lost by.
LEAST_FOR_ACCOUNT = 5
# A spread that outcomes leave as wide as this is not told.
MOST_BY_OUTCOMES_RAD = 0.35
# The error of a mark is told by start where it differs by so much, degrees.
LEAST_BY_START_DEG = 0.1
# A loss is named from half a try on, if it is this much of all that is lost.
LEAST_LOSS, LEAST_LOSS_SHARE = 0.5, 0.25


def spread_words(spread: Spread) -> str:
    """``0.33° (95 %: 0.28 to 0.41°)``."""
    if not spread.known:
        return UNKNOWN
    sd = degrees(spread.sd_rad)
    low, high = told(degrees(spread.low_rad), sd, finest=3), told(degrees(spread.high_rad), sd, finest=3)
    return f"{told(degrees(spread.spread_rad), sd, finest=3)}° (95 %: {low} to {high}°)"


def expected_words(e: Expected) -> str:
    """``82 % (65 to 95 %)``; a dash where no margins are known."""
    if not e.tries:
        return UNKNOWN
    low, high = e.limits
    return f"{100 * e.rate:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def stroke_words(s: ShotStroke) -> list[str]:
    """Sentences on one player's stroke at one shot, the plainest first."""
    k = s.stroke
    if k.spread.freedom < LEAST_FOR_CHANCES:
        said = [_too_few(s)]
    else:
        said = [_plain(s), _spread(s)] if k.spread.known else [_hidden(s)]
    said += [
        _magnified(s),
        _aim(s),
        _mark(s),
        _mixed(s),
        _off_best(s),
        _rest(s),
        _account(s),
        verdict(s),
        _by_outcomes(s),
    ]
    return [sentence for sentence in said if sentence] + _left_out(s)


def verdict(s: ShotStroke) -> str:
    """Made against expected, and where they differ by more than chance what else it is."""
    e = s.expected
    if not e.tries:
        return _no_rate(s)
    borrowed = " (with the spread of all this player's shots)" if s.stroke.by is not s.stroke.spread else ""
    text = (
        f"{e.made} of {e.tries} made. With this spread{borrowed}, aimed at the best lines, {e.mean:.0f} are expected, "
        f"{e.low:.0f} to {e.high:.0f} by chance"
    )
    if e.differs == 0:
        return f"{text}: the stroke explains the rate."
    if e.differs > 0:
        return f"{text}: more are made than the margins explain. Pockets wider than assumed would do it."
    return f"{text}: fewer are made than the stroke explains. {_losses(s)}"


def _no_rate(s: ShotStroke) -> str:
    tries, by = int(s.told.sum()), s.stroke.by
    counted = f"{int(s.made[s.told].sum())} of {tries} made. " if tries else ""
    lacking = "the shot's margins are" if by.known and by.freedom >= LEAST_FOR_CHANCES else "the spread is"
    return f"{counted}No rate can be expected: {lacking} not known."


def _too_few(s: ShotStroke) -> str:
    n = len(s.stroke.lines)
    return f"{n} line{'' if n == 1 else 's'} measured: too few to tell a spread from where they were aimed."


def _hidden(s: ShotStroke) -> str:
    k = s.stroke
    each = told(degrees(float(np.median(k.basis.sd_rad))), nan, finest=2)
    return (
        f"The {len(k.basis)} lines differ by no more than the error to which each is known, {each}°: the spread of the "
        "stroke cannot be told from them yet. Lines that a camera measures tell it."
    )


def _plain(s: ShotStroke) -> str:
    """What a spread is on the table: of three lines two lie within one standard deviation."""
    wide_m = s.stroke.spread.spread_rad * s.table.length_m
    if wide_m < LEAST_TOLD_M:
        return "The lines agree as nearly as they can be measured."
    ball = wide_m / (2 * s.table.ball_radius_m)
    return (
        f"Of three strokes two send the cue ball within {rough_length(wide_m)} ({told(ball, nan, finest=2)} "
        "ball-widths) of where it was sent, a table's length away."
    )


def _spread(s: ShotStroke) -> str:
    k = s.stroke
    if k.spread.high_rad <= 0:
        return ""
    about = f"the line to {_aimed_at(s)}" if k.how == "aimed" else ROUND[k.how]
    text = f"The cue ball's line scatters by {spread_words(k.spread)} round {about}, from {len(k.basis)} lines"
    if k.how == "smooth":
        text += "; what was aimed at is not said, so a change of aim counts as spread"
    return f"{text}."


def _magnified(s: ShotStroke) -> str:
    if s.shot.kind != "bank":
        return ""
    turns = sorted(abs(p.magnified) for p in s.places if isfinite(p.magnified))
    if not turns:
        return ""
    few, many = (told(v, nan, finest=1) for v in (turns[0], turns[-1]))
    return f"A degree of the cue ball's line turns the object ball's by {few if few == many else f'{few} to {many}'}°."


def _aim(s: ShotStroke) -> str:
    offset = s.stroke.aim_error
    if offset is None or not isfinite(offset.mean_rad):
        return ""
    if abs(offset.mean_rad) < 2 * offset.sd_rad:
        return f"On the mean the lines go where they were aimed, to {told(degrees(offset.sd_rad), nan, finest=2)}°."
    return f"On the mean they pass {_offset(offset)} of the line to {_aimed_at(s)}."


def _mark(s: ShotStroke) -> str:
    offset = s.stroke.mark_error
    if offset is None or not isfinite(offset.mean_rad):
        return ""
    low, high = degrees(offset.least_rad), degrees(offset.most_rad)
    sd = degrees(offset.sd_rad)
    by_start = ""
    if high - low > max(4 * sd, LEAST_BY_START_DEG):
        by_start = f": {side_words(low, nan)} at one start, {side_words(high, nan)} at another"
    if abs(offset.mean_rad) < 2 * offset.sd_rad and not by_start:
        return f"The line to {_aimed_at(s)} is the one needed, to {told(sd, nan, finest=2)}°."
    return f"The line to {_aimed_at(s)} stands {_offset(offset)} of the one needed{by_start}."


def _mixed(s: ShotStroke) -> str:
    if not s.stroke.mixed_aim < SURE:
        return ""
    return (
        f"Tries from one place agree better than that: the aim changed from place to place other than the line to "
        f"{_aimed_at(s)} does (by chance with probability {chance_words(s.stroke.mixed_aim)})."
    )


def _off_best(s: ShotStroke) -> str:
    offset = s.stroke.off_best
    if not isfinite(offset.mean_rad) or abs(offset.mean_rad) < 2 * offset.sd_rad:
        return ""
    return f"On the mean the lines pass {_offset(offset)} of the best ones{_arrives(s, offset.mean_rad)}."


def _rest(s: ShotStroke) -> str:
    k = s.stroke
    if k.rest.freedom < LEAST_FOR_CHANCES:
        return ""
    wide, sd = degrees(k.rest.spread_rad), degrees(k.rest.sd_rad)
    if k.rest.high_rad <= 0:
        text = "From try to try the line needed stays the same, as nearly as it can be measured"
    elif k.rest.low_rad <= 0:
        text = f"From try to try the line needed stays the same, to {told(degrees(k.rest.high_rad), nan, finest=2)}°"
    else:
        both = degrees(hypot(k.spread.spread_rad, k.rest.spread_rad))
        text = f"From try to try the line needed moves by {told_with_sd(wide, sd, finest=3)}° (speed, english, rails)"
        if isfinite(both):
            text += f", {told(both, sd, finest=3)}° together with the stroke"
    if k.speed is not None and k.speed.chance < SURE:
        turn = told_with_sd(abs(degrees(k.speed.slope_rad)), degrees(k.speed.sd_rad), finest=2)
        text += f"; 1 m/s harder turns it {turn}° to the {'left' if k.speed.slope_rad > 0 else 'right'}"
    return f"{text}."


def _account(s: ShotStroke) -> str:
    """Stroke, aim, and what came after, counted: a line within the margins that missed was not lost by the line."""
    a = s.account
    if a.lines < LEAST_FOR_ACCOUNT:
        return ""
    others = a.lines - a.within
    beside = f" and {a.made - a.within_made} of the {others} others" if others else ""
    return (
        f"Of {a.lines} lines {a.steady} were steady enough for the margins if aimed at the best; as they were aimed "
        f"{a.within} were within them, and made were {a.within_made} of these{beside}."
    )


def _by_outcomes(s: ShotStroke) -> str:
    found = s.by_outcomes
    if found is None or (s.expected.tries and s.expected.differs == 0):
        return ""
    if not isfinite(found.high_rad) or found.high_rad > MOST_BY_OUTCOMES_RAD or found.low_rad <= 0:
        return ""
    value, low, high = (
        told(degrees(v), degrees(found.sd_rad), finest=2) for v in (found.spread_rad, found.low_rad, found.high_rad)
    )
    return f"As many would be made with a spread of {value}° (95 %: {low} to {high}°) round the best lines."


def _losses(s: ShotStroke) -> str:
    e = s.expected
    aim = e.mean - e.tries * s.aimed_rate if isfinite(s.aimed_rate) else 0.0
    rest = e.tries * (s.aimed_rate - s.all_rate) if isfinite(s.all_rate) else 0.0
    lost = e.mean - e.made
    causes = (
        (aim, f"where they are aimed{_arrives(s, s.stroke.off_best.mean_rad)}"),
        (rest, "what moves the ball besides its line: speed, english, rails"),
        (lost - aim - rest, "what neither explains, such as pockets tighter than assumed"),
    )
    named = [f"about {cost:.0f} by {why}" for cost, why in causes if cost >= max(LEAST_LOSS, LEAST_LOSS_SHARE * lost)]
    return f"Lost are {'; '.join(named)}." if named else "No one cause stands out."


def _left_out(s: ShotStroke) -> list[str]:
    by_reason: dict[str, list[LoggedAttempt]] = {}
    for logged, why in left_out(s.stroke):
        by_reason.setdefault(why, []).append(logged)
    said = []
    for why, those in by_reason.items():
        named = ", ".join(f"{a.number} of {a.at.day} {a.at:%B %Y}" for a in those[:MOST_NAMED])
        more = f" and {len(those) - MOST_NAMED} more" if len(those) > MOST_NAMED else ""
        one = len(those) == 1
        said.append(f"Attempt{'' if one else 's'} {named}{more} {'is' if one else 'are'} left out: {why}.")
    return said


def _aimed_at(s: ShotStroke) -> str:
    if s.aim is None or s.aim.family is not None:
        return "the point"
    return s.aim.name


def _offset(offset: Offset) -> str:
    return side_words(degrees(offset.mean_rad), degrees(offset.sd_rad), with_sd=True)


def side_words(value_deg: float, sd_deg: float, *, with_sd: bool = False, short: bool = False) -> str:
    """``0.12 ± 0.04° to the left``; ``0.12° left`` for a cell of a table."""
    if not isfinite(value_deg):
        return UNKNOWN
    size = told_with_sd(abs(value_deg), sd_deg, finest=3) if with_sd else told(abs(value_deg), sd_deg, finest=2)
    return f"{size}° {'' if short else 'to the '}{'left' if value_deg > 0 else 'right'}"


def _arrives(s: ShotStroke, off_rad: float) -> str:
    """``, which comes short``: what lines off to that side do at the target; nothing where it cannot be told."""
    if not isfinite(off_rad) or not s.places:
        return ""
    try:
        ideal = unfold(s.places[0].start_m, s.shot.target_point_m(s.table), s.shot.rails, s.table)
    except InputError:
        return ""
    turned = off_rad * (s.places[0].magnified if isfinite(s.places[0].magnified) else 1.0)
    side = side_of(turned * ideal.miss_per_rad_m, s.shot.rails[-1], ideal.arrival_bearing_rad)
    return f", which comes {side}" if side in ("long", "short") else ""
