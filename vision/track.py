"""One ball as it was seen: where it lay still, its sightings on the way, how fast it was, when it was lost."""

from dataclasses import dataclass, field
from math import hypot

import numpy as np

from calibration.table import Vector
from vision.outlines.outline import BallView
from vision.sightings import Rest, Sighting

# A ball's speed lately is told by this much of its way, no more than so many sightings.
LATELY_S, LATELY_FRAMES = 0.2, 12


@dataclass(frozen=True)
class Loss:
    """A ball vanished: when it was last seen, whether something stood over or round the place then, and when a look
    first did not show it (NaN: not known)."""

    time_s: float
    crowded: bool
    missed_s: float = float("nan")


@dataclass
class Track:
    """One ball. ``rests`` and ``path`` hold what happened since the last quiet moment (see ``Tracker.quiet``)."""

    ident: int
    colour: Vector
    view: BallView
    seen_s: float
    rests: list[Rest] = field(default_factory=list)
    path: list[Sighting] = field(default_factory=list)
    resting: bool = False
    frames: int = 1
    gone: bool = False
    gone_s: float = float("nan")
    hidden: bool = False
    hidden_s: float = float("nan")
    lost: list[Loss] = field(default_factory=list)
    crowded: bool = False
    suspects: int = 0
    # The time of the last sighting, since when, and how fast it was lately.
    _lately: tuple[float, float, float] = (float("nan"), float("nan"), 0.0)

    @property
    def at_m(self) -> Vector:
        return self.rests[-1].at_m if self.resting else self.view.at_m

    def velocity_mps(self) -> Vector:
        """From the last sightings since it lay still; zero for a ball at rest or seen only once since."""
        if self.resting or len(self.path) < 2:
            return np.zeros(2)
        last = self.path[-1]
        rested_s = self.rests[-1].last_s if self.rests else float("-inf")
        for before in reversed(self.path[:-1]):
            if before.time_s <= rested_s:
                break
            if last.time_s - before.time_s > 0.025:
                return (last.at_m - before.at_m) / (last.time_s - before.time_s)
        return np.zeros(2)

    def lately_mps(self) -> float:
        """The greatest mean speed from any of its last sightings to the very last, since it lay still; 0 for a ball at
        rest. One that turns back at a rail seems slow for a moment, but is not."""
        if self.resting or not self.path:
            return 0.0
        last, since_s = self.path[-1], self.path[-1].time_s - LATELY_S
        if self.rests:
            since_s = max(since_s, self.rests[-1].last_s)
        # Asked several times a frame.
        if self._lately[:2] != (last.time_s, since_s):
            x, y = last.at_m.tolist()
            before = [(*s.at_m.tolist(), s.time_s) for s in self.path[-LATELY_FRAMES - 1 : -1] if s.time_s > since_s]
            fastest = max((hypot(x - u, y - v) / (last.time_s - t) for u, v, t in before), default=0.0)
            self._lately = last.time_s, since_s, fastest
        return self._lately[2]

    def first_step_mps(self) -> Vector:
        """From the resting place to the one sighting since; zero for any other ball. It was hit some time in between,
        so it is a little faster."""
        if self.resting or not self.rests or not self.path:
            return np.zeros(2)
        rest, last = self.rests[-1], self.path[-1]
        alone = last.time_s > rest.last_s and (len(self.path) == 1 or self.path[-2].time_s <= rest.last_s)
        return (last.at_m - rest.at_m) / (last.time_s - rest.last_s) if alone else np.zeros(2)

    def predicted_m(self, time_s: float) -> Vector:
        return self.at_m + self.velocity_mps() * (time_s - self.seen_s)
