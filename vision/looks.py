"""Which frames are looked at: all of them while a ball moves, fewer while none does or one only creeps.

What was passed over is kept for a moment: when a ball at rest turns out to have set off meanwhile, it is looked at
after all, so that no sighting of a ball under way is lost.
"""

from vision.balls import BallFinder
from vision.film.clip import Frame
from vision.no_attempt.visits import Visits
from vision.rhythm.repeats import Repeats
from vision.tracks import Tracker

# While all is calm a frame is looked at so often, and no more than so many are passed over in a row.
CALM_EVERY_S, MOST_PASSED = 1 / 15, 3
# Times of frames are exact to this.
SLACK_S = 0.002


class Looks:
    """Feeds the tracker with the frames that are worth a look."""

    def __init__(self, tracker: Tracker) -> None:
        self.repeats = Repeats()
        self.visits = Visits(tracker)
        self._tracker = tracker
        self._passed: list[Frame] = []
        self._looked_s = float("-inf")

    def take(self, frame: Frame, finder: BallFinder) -> None:
        """Take in the next frame: look at it, and at those passed over before it if need be, or pass it over."""
        soon = frame.time_s - self._looked_s < CALM_EVERY_S - SLACK_S
        if soon and len(self._passed) < MOST_PASSED and self._tracker.calm():
            self._passed.append(frame)
            return
        passed, self._passed = self._passed, []
        if passed and finder.stirred(frame, self._tracker.expected(frame.time_s)):
            for earlier in passed:
                self._look(earlier, finder)
        self._look(frame, finder)

    def forget(self) -> None:
        """Drop what was passed over, and who came over the table: the camera has moved since."""
        self._passed = []
        self.visits.forget()

    def _look(self, frame: Frame, finder: BallFinder) -> None:
        seen = finder.find(frame, self._tracker.expected(frame.time_s))
        if not self.repeats.take(seen, self._tracker):
            self._tracker.update(seen)
            self.visits.take(seen)
        self._looked_s = frame.time_s
