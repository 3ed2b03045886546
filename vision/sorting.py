"""One film with several drills: which shot each stroke was a try at, by what happened, or none.

A stroke is measured by every shot's own definition, and each shot gets a *doubt*: how much less likely (in natural
logarithms) what happened is of a try at that shot than of a perfect one. Doubt grows with the miss against the spread
of a player's strokes, with rails not taken or taken by the wrong ball, and with a target ball that is not in its place;
one that lies where the shot wants it lowers the doubt. The least doubt takes the stroke, if it is small enough and well
apart from the next. What is left is held against where the balls lay in the attempts that each shot has got by then.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, isfinite, log, log1p, nan, radians
from typing import Literal

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.run import Run
from vision.mixed_reading import MixedReading, Unassigned
from vision.outcome import TARGET_REACH_M, attempt
from vision.place_error import PlaceError
from vision.placement import Lay, lay_of, nearest_ball
from vision.reading import Attempt, BallHit, RailHit, Reading
from vision.shot import SPEED_WORDS_MPS, Shot
from vision.strokes import Stroke

# The spread of a player's lines round the one needed, as wide as a beginner's: common practice, no source.
SPREAD_RAD = radians(2.0)
# Doubts, natural logarithms. A miss of unknown size; no rail of those named taken, the ball short of them or on its way
# elsewhere, less when some were; the rails taken by another ball than the shot's.
MISS_UNKNOWN, SHORT, WRONG_RAILS, WRONG_KIND = 1.5, 5.0, 6.0, 8.0
RAILS_TAKEN = 1.5
# A target ball in its place, the most that its distance takes back of that, the distance that counts; and none there.
IN_PLACE, MOST_OFF, OFF_PLACE_M, NOT_THERE = -2.0, 2.0, 0.05, 3.0
# Balls that lay elsewhere than in a shot's other attempts: the distance that counts, the most, and without others.
ELSEWHERE_M, MOST_ELSEWHERE, NO_OTHERS = 0.10, 3.0, 2.5
# Speeds against the intended one: spread of their logarithm, and the most that it says.
SPEED_SPREAD, MOST_SPEED = 0.25, 3.0
# More doubt than this and the stroke fits no shot: of one that took all its rails (a miss of about 15 degrees, without
# a target ball in its place), and of one that did not, where the balls lay included.
MOST_DOUBT, MOST_DOUBT_OFF_WAY = 4.0, 7.5
# Five to one is a clear choice between two shots, less is none.
CLEAR = log(5.0)
FITS_NONE = "it fits none of the shots"
# Flags that hold whatever was drilled.
OF_ANY_SHOT = ("start_hidden", "camera_moved", "pictures_missing", "few_sightings", "scratch")
# A stroke that fits no shot is told as the cue ball's path; what this shot asks for is left out of it. It asks for
# nothing that a table may not have: one for carom has no pockets.
NO_SHOT = Shot("none", "kick", ("left",), "hit", target_ball="any")


@dataclass(frozen=True)
class Tried:
    """A stroke as an attempt at each of the shots, in their order; ``plain`` at none of them, if that was asked for.

    ``cue_end_m`` (2,) is where the cue ball was last seen under way.
    """

    lay: Lay
    cue_end_m: Vector
    met_first: Literal["rail", "ball"] | None
    by_shot: tuple[Attempt, ...]
    plain: Attempt | None = None


@dataclass(frozen=True)
class Choice:
    """Index of the shot that a stroke was a try at; None when it fits none, or the ``rivals`` equally well."""

    shot: int | None
    rivals: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Doubt:
    """``way`` what the balls did, ``place`` where the target lay, ``speed`` which only ever decides between shots."""

    way: float
    place: float
    speed: float
    last_leg: bool


def try_shots(stroke: Stroke, shots: Sequence[Shot], errors: PlaceError, *, or_none: bool) -> Tried:
    """A stroke measured by the definition of every shot; ``or_none``, where it may be at none of them, plainly too."""
    return Tried(
        lay=lay_of(stroke, errors),
        cue_end_m=stroke.cue_path.xy[-1],
        met_first=_met_first(stroke.cue),
        by_shot=tuple(attempt(stroke, shot, errors) for shot in shots),
        plain=_plain(stroke, errors) if or_none else None,
    )


def _plain(stroke: Stroke, errors: PlaceError) -> Attempt:
    """A stroke that is at no shot: the cue ball's path, and nothing that only a shot defines."""
    found = attempt(stroke, NO_SHOT, errors)
    return replace(
        found,
        outcome="unclear",
        miss_m=nan,
        miss_sd_m=nan,
        miss_per_rad_m=nan,
        flags=tuple(flag for flag in found.flags if flag in OF_ANY_SHOT),
    )


def sort_tries(tries: Sequence[Tried], shots: Sequence[Shot], table: Table) -> list[Choice]:
    """Which of the shots each stroke was a try at. The order of the shots does not matter, nor that of the strokes."""
    doubts = [[_doubt(t, t.by_shot[k], shot, table) for k, shot in enumerate(shots)] for t in tries]
    first = [_choose(row, [0.0] * len(row)) for row in doubts]
    sure = [
        c.shot if c.shot is not None and row[c.shot].last_leg else None for c, row in zip(first, doubts, strict=True)
    ]
    others = {k: [t for t, is_of in zip(tries, sure, strict=True) if is_of == k] for k in range(len(shots))}
    return [
        Choice(is_of)
        if is_of is not None
        else _choose(row, [_elsewhere(t, t.by_shot[k], others[k], k) for k in range(len(row))])
        for t, row, is_of in zip(tries, doubts, sure, strict=True)
    ]


def sorted_reading(
    whole: Reading, tries: Sequence[Tried], choices: Sequence[Choice], shots: Sequence[Shot]
) -> tuple[MixedReading, list[list[Lay]]]:
    """The reading of a clip taken apart by shot, and the lay of the balls at each attempt of each shot.

    ``whole`` holds what all have in common; the tries are measured plainly too. Strokes that fit several shots equally
    well are named in the warnings.
    """
    mine = [[t for t, c in zip(tries, choices, strict=True) if c.shot == k] for k in range(len(shots))]
    left = [(t, c) for t, c in zip(tries, choices, strict=True) if c.shot is None]
    unassigned = tuple(Unassigned(t.plain, _why(c, shots)) for t, c in left if t.plain is not None)
    torn = tuple(
        f"the stroke at {u.attempt.t_s:.1f} s is at none of the shots: {u.why}"
        for u, (_, c) in zip(unassigned, left, strict=True)
        if c.rivals
    )
    readings = tuple(
        replace(whole, shot=shot, attempts=tuple(t.by_shot[k] for t in mine[k]), warnings=(*whole.warnings, *torn))
        for k, shot in enumerate(shots)
    )
    return MixedReading(readings, unassigned), [[t.lay for t in tried] for tried in mine]


def _why(choice: Choice, shots: Sequence[Shot]) -> str:
    if not choice.rivals:
        return FITS_NONE
    return f"it fits {' and '.join(repr(shots[k].name) for k in choice.rivals)} equally well"


def _choose(doubts: Sequence[_Doubt], elsewhere: Sequence[float]) -> Choice:
    fitting = {
        k: d.way + d.place + d.speed + away
        for k, (d, away) in enumerate(zip(doubts, elsewhere, strict=True))
        # A ball that took all its rails says enough by itself, wherever it came from.
        if (d.way + d.place < MOST_DOUBT if d.last_leg else d.way + d.place + away < MOST_DOUBT_OFF_WAY)
    }
    if not fitting:
        return Choice(None)
    least = min(fitting.values())
    near = tuple(k for k, doubt in fitting.items() if doubt < least + CLEAR)
    return Choice(near[0]) if len(near) == 1 else Choice(None, near)


def _doubt(tried: Tried, found: Attempt, shot: Shot, table: Table) -> _Doubt:
    way, last_leg = _way(tried, found, shot, table)
    return _Doubt(way, _place(tried, found, shot), _speed(found, shot), last_leg)


def _way(tried: Tried, found: Attempt, shot: Shot, table: Table) -> tuple[float, bool]:
    """Doubt for what the balls did, and whether the shot's ball got onto the leg after the last rail."""
    if shot.kind == "bank" and tried.met_first != "ball":
        # The cue ball met nothing at all, or went to rails as a kick's does.
        return SHORT if tried.met_first is None else WRONG_RAILS, False
    if shot.kind == "kick" and tried.met_first == "ball":
        return WRONG_KIND, False
    taken = 0
    for contact, rail in zip(found.contacts, shot.rails, strict=False):
        if contact.rail != rail:
            break
        taken += 1
    spared = RAILS_TAKEN * taken / len(shot.rails)
    if {"wrong_rails", "wrong_ball_first"} & set(found.flags):
        return WRONG_RAILS - spared, False
    if taken < len(shot.rails):
        return SHORT - spared, False
    if found.outcome == "made":
        return 0.0, True
    if not isfinite(found.miss_m):
        return MISS_UNKNOWN, True
    usual_m = hypot(SPREAD_RAD * found.miss_per_rad_m, _margin_m(shot, table), found.miss_sd_m)
    return log1p((found.miss_m / usual_m) ** 2), True


def _margin_m(shot: Shot, table: Table) -> float:
    """About how far a path may pass from its target and still make the shot, metres."""
    if shot.made == "hit" or shot.target_pocket is None:
        return 2 * table.ball_radius_m
    mouth_m = table.side_mouth_m if shot.target_pocket.startswith("side") else table.corner_mouth_m
    return max(mouth_m / 2 - table.ball_radius_m, 0.0)


def _place(tried: Tried, found: Attempt, shot: Shot) -> float:
    if not isinstance(shot.target_ball, tuple):
        return 0.0
    _, off_m = nearest_ball(tried.lay, shot.target_ball, but=found.ball)
    return IN_PLACE + min((off_m / OFF_PLACE_M) ** 2 / 2, MOST_OFF) if off_m < TARGET_REACH_M else NOT_THERE


def _speed(found: Attempt, shot: Shot) -> float:
    said = shot.stroke.speed
    intended = SPEED_WORDS_MPS[said] if isinstance(said, str) else said
    if intended is None or not (isfinite(found.speed_mps) and found.speed_mps > 0):
        return 0.0
    return min((log(found.speed_mps / intended) / SPEED_SPREAD) ** 2 / 2, MOST_SPEED)


def _elsewhere(tried: Tried, found: Attempt, others: Sequence[Tried], k: int) -> float:
    """Doubt for balls that lay elsewhere than in the nearest of a shot's other attempts."""
    away_m = min((_apart_m(tried, found, other.by_shot[k]) for other in others if other is not tried), default=nan)
    return min(log1p((away_m / ELSEWHERE_M) ** 2), MOST_ELSEWHERE) if isfinite(away_m) else NO_OTHERS


def _apart_m(tried: Tried, found: Attempt, other: Attempt) -> float:
    """How far the ball that was to take the rails lay from where it lay in another attempt."""
    if other.ball == "cue":
        return _distance_m(found.cue_start_m, other.start_m)
    if found.ball != "cue" and tried.met_first == "ball":
        return _distance_m(found.start_m, other.start_m)
    # A bank whose cue ball met no ball, or a rail first: it was one only if both balls lay as they did before.
    start = (float(other.start_m[0]), float(other.start_m[1]))
    return hypot(nearest_ball(tried.lay, start, but="cue")[1], _distance_m(found.cue_start_m, other.cue_start_m))


def _distance_m(a: Vector, b: Vector) -> float:
    return float(np.hypot(*(a - b)))


def _met_first(run: Run) -> Literal["rail", "ball"] | None:
    for junction in run.junctions:
        if isinstance(junction, RailHit):
            return "rail"
        if isinstance(junction, BallHit):
            return "ball"
    return None
