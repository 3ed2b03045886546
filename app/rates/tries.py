"""The log's attempts as tries to be counted: where from, made or not, a first try or a repeat, how a bank was cut.

A **repeat** is a try at the same shot, from the same place, that follows right on another of the same session: what
the player learnt from the first is in it. The same place is one within a ball's width for every ball whose start was
measured, as near as a ball is put back by hand (common practice, no source).

**Cut classes** of banks, by the turn from the cue ball's line to the object ball's:

- *straight*: up to STRAIGHT_RAD either way. There the aim is off full by less than a tenth of a ball's width, which
  players call straight (common practice, no source).
- *cut in*: the object ball leaves squarer to the first rail than the cue ball came; of the object ball's line, drawn
  back, the cue ball lies on the side away from the target.
- *back cut*: it leaves flatter than the cue ball came, which lies on the target's side of that line.

Players part the two because the spin that the cut passes on makes the one bank come longer and the other shorter; where
the words' limit lies is our own reading of them (common practice, no source). Which side is which is taken from the
ideal path, so that the class does not depend on the error; banks square to the rail have neither.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import cos, isfinite, nan, radians, sin
from typing import Literal

import numpy as np

from app.store.logged import LoggedAttempt
from app.telling.words import SQUARE_RAD, counting_corner, miss_side
from calibration.errors import InputError
from calibration.table import Corner, Table, Vector
from calibration.unfold import unfold
from vision.reading import Attempt
from vision.shot import Shot

CutClass = Literal["straight", "cut in", "back cut"]
Which = Literal["all", "first", "repeat"]
CUT_CLASSES: tuple[CutClass, ...] = ("straight", "cut in", "back cut")
STRAIGHT_RAD = radians(5)
# A start that is known no better than this belongs to no cell.
PLACED_SD_SIGHTS = 0.5
COMMON_CORNER: Corner = "foot-right"


@dataclass(frozen=True)
class Try:
    """One try. ``along`` and ``across`` in sights from the counting corner, NaN where the start was not measured, or
    only told as lying somewhere on a line.

    ``repeat`` and ``cut`` are None where they cannot be told, ``cut`` for kicks as well. ``side`` is long, short, left,
    right, on line or not known; ``id`` the log's number of the attempt.
    """

    shot: str
    player: str
    at: datetime
    along: float
    across: float
    outcome: str
    side: str
    repeat: bool | None
    cut: CutClass | None
    id: int = 0


def counted_from(shots: Sequence[Shot], table: Table) -> Corner:
    """The corner from which sights are counted: that of the shots, if they share one."""
    corners = {counting_corner(shot, table) for shot in shots}
    return corners.pop() if len(corners) == 1 else COMMON_CORNER


def gather_tries(attempts: Iterable[LoggedAttempt], shots: Mapping[str, Shot], corner: Corner) -> list[Try]:
    """All ``attempts`` in order of session and time, those of other shots between them: repeats are told by these."""
    tries: list[Try] = []
    last: LoggedAttempt | None = None
    end, side = corner.split("-")
    for logged in sorted(attempts, key=lambda a: (a.session_id, a.at, a.id)):
        attempt, table, shot = logged.attempt, logged.table, shots[logged.shot_name]
        # NaN, a start whose error is not stated, is no larger.
        placed = (
            bool(np.isfinite(attempt.start_m).all()) and not attempt.start_sd_m > PLACED_SD_SIGHTS * table.diamond_m
        )
        tries.append(
            Try(
                shot=logged.shot_name,
                player=logged.player,
                at=logged.at,
                along=table.diamonds_along(attempt.start_m, side, corner) if placed else nan,  # type: ignore[arg-type]
                across=table.diamonds_along(attempt.start_m, end, corner) if placed else nan,  # type: ignore[arg-type]
                outcome=outcome_of(logged),
                side=miss_side(attempt, shot, table),
                repeat=_repeats(last, logged),
                cut=cut_class(attempt, shot, table),
                id=logged.id,
            )
        )
        last = logged
    return tries


def select_tries(
    tries: Iterable[Try],
    *,
    shot: str | None = None,
    player: str | None = None,
    since: date | None = None,
    until: date | None = None,
    which: Which = "all",
) -> list[Try]:
    """Those of a shot, a player, a period (both days within it), and first tries or repeats alone."""
    return [
        t
        for t in tries
        if (shot is None or t.shot == shot)
        and (player is None or t.player == player)
        and (since is None or t.at.date() >= since)
        and (until is None or t.at.date() <= until)
        and (which == "all" or t.repeat is (which == "repeat"))
    ]


def outcome_of(logged: LoggedAttempt) -> str:
    """As measured, or as a person put it right last."""
    put_right = [value for field, value in logged.corrections if field == "outcome"]
    return str(put_right[-1]) if put_right else logged.attempt.outcome


def cut_class(attempt: Attempt, shot: Shot, table: Table) -> CutClass | None:
    """How a bank was cut; None for a kick, and where it cannot be told."""
    if shot.kind != "bank" or not isfinite(attempt.cut_rad):
        return None
    if abs(attempt.cut_rad) <= STRAIGHT_RAD:
        return "straight"
    bearing = _ideal_bearing_rad(attempt, shot, table)
    out = np.array({"head": (-1.0, 0.0), "foot": (1.0, 0.0), "right": (0.0, -1.0), "left": (0.0, 1.0)}[shot.rails[0]])
    # Turning left from the way out to the rail leads along this; its part in the line says where the ball travels.
    leftward = np.array([-out[1], out[0]])
    travel = float(leftward @ np.array([cos(bearing), sin(bearing)])) if isfinite(bearing) else nan
    if not abs(travel) > sin(SQUARE_RAD):
        return None
    return "back cut" if attempt.cut_rad * travel > 0 else "cut in"


def _ideal_bearing_rad(attempt: Attempt, shot: Shot, table: Table) -> float:
    if np.isfinite(attempt.start_m).all():
        try:
            return unfold(attempt.start_m, shot.target_point_m(table), shot.rails, table).bearing_rad
        except InputError:
            pass
    return attempt.bearing_rad


def _repeats(last: LoggedAttempt | None, now: LoggedAttempt) -> bool | None:
    if last is None or (last.session_id, last.shot_name) != (now.session_id, now.shot_name):
        return False
    near_m = 2 * now.table.ball_radius_m
    before, after = last.attempt, now.attempt
    apart = [_apart_m(before.start_m, after.start_m), _apart_m(before.cue_start_m, after.cue_start_m)]
    if any(a > near_m for a in apart):
        return False
    return True if isfinite(apart[0]) else None


def _apart_m(one: Vector, other: Vector) -> float:
    return float(np.hypot(*(np.asarray(one) - np.asarray(other))))
