"""Pictures that a film shows once more, and the times of the others.

A film that was brought from 24 or 25 pictures a second to 30 or 60 shows some of them twice, and so does a camera that
cannot keep up in poor light. A ball then seems to stop for a frame and to leap in the next. What is shown again is not
looked at again; where it comes round regularly the times of the others were rounded to the film's frames, and are put
back to the even rate at which the pictures were taken, if balls then roll on more evenly: a picture shown again may as
well stand for one that was lost, and then the others' times are true. Films that show every picture several times over
are told by ``shown_again``, before their balls are looked at.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import isnan

import numpy as np

from calibration.table import Vector
from vision.rhythm.leaps import LEAST_LEAPS, Step
from vision.rhythm.left_out import beat_of, turns_of
from vision.rhythm.put_back import put_back
from vision.table_view import TableView
from vision.track import Loss, Track
from vision.tracks import Tracker

# A ball that has rolled at least this far since the last picture is not seen within that of where it was; pictures of
# one and the same ball, coded twice, put it within that.
MUST_HAVE_ROLLED_M, SAME_PLACE_M = 0.006, 0.0015
# More in a row are no repeats: a hand has stopped the ball. Only where nothing else in the picture changes either the
# film stands still, and what goes on meanwhile is not seen.
MOST_IN_A_ROW, MOST_STOOD_S = 4, 0.15
# So many in one stretch, among so many other pictures, show a rate. Fewer are hiccups, and the others' times are true.
LEAST_REPEATS, LEAST_PICTURES = 3, 6
# Times rounded to the film's frames are no more than half a frame off an even rate, and a little.
MOST_OFF_FRAMES = 0.6


@dataclass
class Repeats:
    """Which of the pictures looked at are repeats. ``count`` is of the whole film; ``times`` forgets with the tracker.

    ``left_out`` says that the film was found, in some stretch, to leave out pictures by turns, ``steps`` what single
    steps of the balls tell of that; ``stood`` from when to when it stood still while a ball rolled.

    ``_runs`` holds stretches in which a ball was under way fast enough to tell: times of pictures, and whether each is
    a repeat.
    """

    count: int = 0
    left_out: bool = False
    steps: list[Step] = field(default_factory=list)
    stood: list[tuple[float, float]] = field(default_factory=list)
    _runs: list[list[tuple[float, bool]]] = field(default_factory=list)
    _before_s: float = float("nan")
    _fast: bool = False
    _in_a_row: int = 0
    _all_same: bool = False

    def take(self, seen: TableView, tracker: Tracker) -> bool:
        """Whether a picture, about to be taken in, shows the one before once more."""
        rolling = [t for t in tracker.tracks if _must_have_rolled(t, seen.time_s)]
        there = bool(rolling) and all(_still_there(t, seen) for t in rolling) and _none_moved(seen, tracker.tracks)
        self._all_same = seen.same and (self._all_same or not self._in_a_row)
        few = self._in_a_row < MOST_IN_A_ROW and seen.time_s - rolling[0].seen_s < MOST_STOOD_S if there else False
        again = there and (few or self._all_same)
        if again and not few:
            self._stands(rolling[0].seen_s, seen.time_s)
        if rolling and not there and self._in_a_row <= MOST_IN_A_ROW:
            # The ball rolls on: it had not been stopped.
            self.count += self._in_a_row
        self._in_a_row = self._in_a_row + 1 if again else 0
        if rolling:
            if not self._fast:
                # The picture before was the first that showed a ball under way.
                self._runs.append([(self._before_s, False)] if np.isfinite(self._before_s) else [])
            self._runs[-1].append((seen.time_s, again))
        self._fast, self._before_s = bool(rolling), seen.time_s
        return again

    def pass_over(self, time_s: float) -> None:
        """Note a picture that is known, without a look, to show the one before once more."""
        if self._fast:
            self._runs[-1].append((time_s, True))

    def _stands(self, since_s: float, now_s: float) -> None:
        """Note that the film has stood still since a moment; the last note goes on if it is of the same."""
        if self.stood and self.stood[-1][0] == since_s:
            self.stood.pop()
        self.stood.append((since_s, now_s))

    def evened(self, tracks: Sequence[Track]) -> list[Track]:
        """The tracks with the times of their sightings put back to an even rate where the film's repeats show one, or
        to when the pictures were taken of which it leaves some out, by turns or now and again."""
        times = {old: new for run in self._runs for old, new in even_times(run).items()}
        if times and not _roll_evener(tracks, times):
            # Each repeat stands for a picture that was lost: no other is missing.
            return list(tracks)
        if times:
            return [_retimed(track, lambda time_s: times.get(time_s, time_s)) for track in tracks]
        turns = turns_of(tracks, self.steps)
        if turns is not None:
            self.left_out = True
            return [_retimed(track, turns.taken_s) for track in tracks]
        shown_s = beat_of(tracks) if self.leaps else None
        back = put_back(tracks, shown_s) if shown_s is not None else None
        return list(tracks) if back is None else [_retimed(track, back.taken_s) for track in tracks]

    @property
    def leaps(self) -> tuple[float, ...]:
        """When balls leapt as if pictures were missing there, if they did so now and again and not by turns."""
        leaps = sorted({step.time_s for step in self.steps if step.leapt})
        return tuple(leaps) if len(leaps) >= LEAST_LEAPS and not self.left_out else ()

    def missing(self, since_s: float = float("-inf")) -> float:
        """The share of a film's pictures that may be missing now and again: what is told of them, and so much more as
        chance may hide; 0 if none are missing since a moment."""
        if not any(leap_s >= since_s for leap_s in self.leaps):
            return 0.0
        pictures = dict.fromkeys((step.time_s for step in self.steps), 1)
        pictures |= {step.time_s: step.pictures for step in self.steps if step.leapt}
        taken = sum(pictures.values())
        lacking = taken - len(pictures)
        return (lacking + lacking**0.5) / taken

    def forget(self) -> None:
        """Drop what is past; what the repeats counted stays."""
        self._runs = [self._runs[-1]] if self._fast else []


def _must_have_rolled(track: Track, now_s: float) -> bool:
    """Whether a ball, by its speed until now, is no more where it was seen last."""
    if track.gone or track.hidden:
        return False
    if track.resting:
        # One that was seen a little out of its place, in the last picture alone, has just been hit.
        rest, since_s = track.rests[-1], track.seen_s - track.rests[-1].last_s
        left = track.suspects == 1 and since_s > 0
        speed = float(np.hypot(*(track.view.at_m - rest.at_m))) / since_s if left else 0.0
    else:
        speed = max(track.lately_mps(), float(np.hypot(*track.first_step_mps())))
    return speed * (now_s - track.seen_s) > MUST_HAVE_ROLLED_M


def _still_there(track: Track, seen: TableView) -> bool:
    return any(float(np.hypot(*(ball.at_m - track.view.at_m))) < SAME_PLACE_M for ball in seen.balls)


def _none_moved(seen: TableView, tracks: Sequence[Track]) -> bool:
    """Whether every ball is seen where it was: a stick's tip that was followed as a ball may well stop by itself."""
    last_m = np.array([track.view.at_m for track in tracks if not track.gone])
    return all(float(np.hypot(*(last_m - ball.at_m).T).min()) < SAME_PLACE_M for ball in seen.balls)


def even_times(run: Sequence[tuple[float, bool]]) -> dict[float, float]:
    """Times of a stretch's pictures, as the film states them and as they were taken, where a rate shows.

    A picture too many, or one that the film left out, ends what one rate is fitted to.
    """
    shown = np.array([time_s for time_s, _ in run])
    again = np.array([repeat for _, repeat in run])
    if again.sum() < LEAST_REPEATS:
        return {}
    most_off_s = MOST_OFF_FRAMES * float(np.median(np.diff(shown)))
    taken, repeats = shown[~again], shown[again]
    times: dict[float, float] = {}
    first = 0
    while len(taken) - first >= LEAST_PICTURES:
        until, even = first + 2, taken[first : first + 2]
        while until < len(taken):
            fitted = _evenly(taken[first : until + 1])
            if np.abs(fitted - taken[first : until + 1]).max() > most_off_s:
                break
            until, even = until + 1, fitted
        within = ((repeats > taken[first]) & (repeats < taken[until - 1])).sum()
        if within >= LEAST_REPEATS and until - first >= LEAST_PICTURES:
            times |= dict(zip(taken[first:until].tolist(), even.tolist(), strict=True))
        first = until
    return times


def _roll_evener(tracks: Sequence[Track], times: Mapping[float, float]) -> bool:
    """Whether balls roll on more evenly by the new times of pictures than by those that the film states."""
    stated, new = 0.0, 0.0
    for track in tracks:
        seen = [s for s in track.path if s.time_s in times]
        if len(seen) < 3:
            continue
        at_m = np.array([s.at_m for s in seen])
        stated += _unevenness(np.array([s.time_s for s in seen]), at_m)
        new += _unevenness(np.array([times[s.time_s] for s in seen]), at_m)
    return new < stated


def _unevenness(times_s: Vector, at_m: Vector) -> float:
    """By how much a ball at places (n, 2) seems to change its velocity from step to step, as shares of its square.

    What it meets changes it by no more than all of it, whatever the times.
    """
    velocity = np.diff(at_m, axis=0) / np.diff(times_s)[:, None]
    change = (np.diff(velocity, axis=0) ** 2).sum(axis=1)
    fast = (velocity**2).sum(axis=1)
    return float(np.minimum(change / np.maximum(fast[1:] + fast[:-1], 1e-12), 1.0).sum())


def _evenly(times_s: Vector) -> Vector:
    """The times (n,) of an even rate nearest to some times (n,) one after the other."""
    count = np.arange(len(times_s)) - (len(times_s) - 1) / 2
    return np.asarray(times_s.mean() + count * (count @ times_s) / (count @ count))


def _retimed(track: Track, at: Callable[[float], float]) -> Track:
    def shown(time_s: float) -> float:
        # Some times are not known.
        return time_s if isnan(time_s) else at(time_s)

    return replace(
        track,
        rests=[replace(r, first_s=at(r.first_s), last_s=at(r.last_s), told_s=shown(r.told_s)) for r in track.rests],
        path=[replace(s, time_s=at(s.time_s)) for s in track.path],
        lost=[Loss(at(x.time_s), x.crowded, shown(x.missed_s)) for x in track.lost],
    )
