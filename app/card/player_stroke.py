"""The stroke for which a card tells its chances: a stated spread, or that of the player whose attempts it rests on."""

from collections.abc import Callable, Sequence
from math import degrees, nan, radians

import numpy as np

from app.card.aim_card import CardStroke, CueBall
from app.store.logged import LoggedAttempt, LoggedShot
from app.stroke.analysis import ENOUGH_OF_ITS_OWN
from app.stroke.from_log import ShotStroke, strokes_of
from calibration.errors import InputError

LEAST_SPREAD_RAD, MOST_SPREAD_RAD = radians(0.01), radians(10)
# A spread told by fewer lines left over than this may be anything.
LEAST_FREEDOM = 3


def stated_stroke(spread_rad: float) -> CardStroke:
    """A stroke of which nothing but its spread is said. Raises InputError for one that cannot be."""
    if not LEAST_SPREAD_RAD <= spread_rad <= MOST_SPREAD_RAD:
        least, most = degrees(LEAST_SPREAD_RAD), degrees(MOST_SPREAD_RAD)
        raise InputError(f"a stroke spread of {degrees(spread_rad):g}° cannot be; give one of {least:g} to {most:g}°.")
    return CardStroke(None, spread_rad, nan, nan, np.array([spread_rad]))


def stroke_of_player(
    drilled: LoggedShot,
    chosen: Sequence[LoggedAttempt],
    others: Callable[[], tuple[Sequence[LoggedAttempt], Sequence[LoggedShot]]],
) -> CardStroke | None:
    """The stroke that the lines of ``chosen`` attempts at the shot tell; None for attempts of several players, or where
    they do not tell it.

    ``others`` gives the log's attempts and shots; it is asked only where these are too few, to borrow what the player's
    other shots tell. For banks the spread is that of the object ball's line: the cue ball's, magnified by the cut as in
    the middle one of the attempts, with what it takes to tell the one of any other line.
    """
    if len({one.player for one in chosen}) != 1:
        return None
    found = _at_shot(drilled, chosen, (drilled,))
    own = None if found is None else found.stroke.spread
    if own is None or not own.known or own.freedom < ENOUGH_OF_ITS_OWN:
        attempts, library = others()
        rest = [one for one in attempts if one.player == chosen[0].player and one.shot_name != drilled.shot.name]
        found = _at_shot(drilled, [*chosen, *rest], library)
    if found is None or not found.stroke.by.known or found.stroke.by.freedom < LEAST_FREEDOM:
        return None
    spread, magnified, cue = found.stroke.by, 1.0, None
    if drilled.shot.kind == "bank":
        known = np.abs(found.stroke.lines.magnified)
        if not np.isfinite(known).any():
            return None
        magnified = float(np.median(known[np.isfinite(known)]))
        lines = found.stroke.lines
        placed = np.array([one.attempt.cue_start_m for one in lines.attempts], dtype=float)
        cue = CueBall(lines.start_m, placed, spread.nodes_rad)
    return CardStroke(
        player=found.player,
        spread_rad=magnified * spread.spread_rad,
        low_rad=magnified * spread.low_rad,
        high_rad=magnified * spread.high_rad,
        nodes_rad=magnified * spread.nodes_rad,
        cue=cue,
    )


def _at_shot(
    drilled: LoggedShot, attempts: Sequence[LoggedAttempt], library: Sequence[LoggedShot]
) -> ShotStroke | None:
    strokes, _ = strokes_of(attempts, library)
    return next((one for one in strokes if one.shot.name == drilled.shot.name), None)
