"""Someone at the table who moves no ball: practice strokes without a shot, or a lean over the cloth.

Something that is no ball comes over the table, a stick, a hand or a body, and goes again. Where a ball moved, its own
path tells what happened; where none did, the visit itself is no attempt.
"""

from dataclasses import dataclass, field
from math import pi

import cv2
import numpy as np

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.colours import whiteness
from vision.pairing import SAME_COLOUR
from vision.reading import NotAttempt
from vision.table_view import TableView, colour_distance
from vision.track import Track
from vision.tracks import Tracker

ADDRESSED = "the cue ball was addressed and not struck"
NO_BALL_MOVED = "someone came over the table and no ball moved"
# Besides the balls, each with its shadow so many discs, at least so many discs of a ball are covered by a stick.
SHADOWED_DISCS, LEAST_DISCS = 1.6, 3.0
# A visit lasts at least so long, and is over when nothing has been over the table for so long.
LEAST_VISIT_S, OVER_AFTER_S = 1.2, 0.6
# The balls lie still for the end of it; before a ball is addressed one may have rolled out, or been put down.
STILL_S = 1.0
# A stick at the cue ball covers something at each of these distances from its centre, farther than its shadow reaches;
# in practice strokes it is drawn back and brought up again, and is there in at least this share of the looks.
STICK_M, AT_BALL_SHARE = (0.10, 0.13, 0.16), 0.3
# A ball that lies this near to where it lay has stayed; one this fast rolls.
STAYED_M, ROLLS_MPS = 0.01, 0.1
_TURNS = np.linspace(0, 2 * pi, 120, endpoint=False)
_CIRCLE = np.column_stack([np.cos(_TURNS), np.sin(_TURNS)])


@dataclass(frozen=True)
class Visit(NotAttempt):
    """A visit that moved no ball, and when it was over."""

    until_s: float


@dataclass
class Visits:
    """Follows what comes over the table, look by look; ``told`` grows with each visit that moved no ball."""

    tracker: Tracker
    told: list[Visit] = field(default_factory=list)
    _from_s: float = float("nan")
    _last_s: float = float("nan")
    _looks: int = 0
    _at_ball: int = 0
    _rolled: bool = False
    _lay: tuple[tuple[Vector, Vector], ...] = ()
    # The camera by which balls were last sized, and how large one in the middle of the table is seen.
    _plane: BallPlane | None = None
    _radius_px: float = float("nan")

    def take(self, seen: TableView) -> None:
        """Take in a look, after the tracker has."""
        if self._somebody(seen):
            if not np.isfinite(self._from_s):
                self._from_s, self._looks, self._at_ball, self._rolled = seen.time_s, 0, 0, False
                self._lay = tuple((track.at_m, track.colour) for track in self._lying())
            self._last_s = seen.time_s
            self._looks += 1
            self._at_ball += self._stick_at_cue_ball(seen)
            self._rolled |= any(t.lately_mps() > ROLLS_MPS for t in self.tracker.tracks if not t.gone)
        elif seen.time_s - self._last_s > OVER_AFTER_S:
            self._end()

    def forget(self) -> None:
        """Drop what has begun: the camera has moved, and all that is seen with it."""
        self._from_s = self._last_s = float("nan")

    def _end(self) -> None:
        from_s, until_s = self._from_s, self._last_s
        self.forget()
        moved_s = self.tracker.last_motion_s
        # Balls that an arm hid for long are found anew; they lie where they lay.
        as_before = self._as_before()
        if until_s - from_s < LEAST_VISIT_S or (moved_s >= until_s - STILL_S and not as_before):
            return
        if self._at_ball >= AT_BALL_SHARE * self._looks:
            self.told.append(Visit(from_s, ADDRESSED, until_s))
        elif moved_s < from_s or as_before:
            self.told.append(Visit(from_s, NO_BALL_MOVED, until_s))

    def _lying(self) -> list[Track]:
        return [track for track in self.tracker.tracks if track.resting]

    def _as_before(self) -> bool:
        """Whether all balls, no more and no fewer, lie where they lay as the visit began, and none was seen to roll."""
        now = self._lying()
        under_way = self._rolled or any(not t.resting and not t.gone for t in self.tracker.tracks)
        return (
            not under_way
            and 0 < len(self._lay) == len(now)
            and all(
                any(
                    float(np.hypot(*(t.at_m - at_m))) < STAYED_M and colour_distance(t.colour, colour) < SAME_COLOUR
                    for t in now
                )
                for at_m, colour in self._lay
            )
        )

    def _somebody(self, seen: TableView) -> bool:
        plane = self.tracker.plane
        if plane is not self._plane:
            self._plane = plane
            self._radius_px = plane.radius_px(self.tracker.table.centre_m)
        discs = cv2.countNonZero(seen.everywhere) / (pi * (self._radius_px / seen.reduction.factor) ** 2)
        return discs > LEAST_DISCS + SHADOWED_DISCS * len(seen.balls)

    def _stick_at_cue_ball(self, seen: TableView) -> bool:
        """Whether something runs up to the whitest ball at rest."""
        resting = self._lying()
        if not resting:
            return False
        cue = max(resting, key=lambda t: whiteness(t.colour))
        if cue.hidden:
            # A stick leaves the ball in view; a hand or an arm lies over it.
            return False
        circles = np.vstack([cue.at_m + away_m * _CIRCLE for away_m in STICK_M])
        height = np.full((len(circles), 1), self.tracker.table.ball_radius_m)
        pixels = self.tracker.plane.pixels(np.hstack([circles, height]))
        rows, columns = seen.everywhere.shape
        # Beyond the picture's edge its last pixels stand for what is there.
        at = np.rint(seen.reduction.reduced_px(pixels)).clip(0, (columns - 1, rows - 1)).astype(int)
        covered = seen.everywhere[at[:, 1], at[:, 0]].reshape(len(STICK_M), -1)
        return bool(covered.any(axis=1).all())
