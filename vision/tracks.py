"""Balls followed from frame to frame: at rest, moving, hidden, gone.

A ball at rest is one mean place; a ball in motion is a list of sightings. Which sighting is of which ball:
``vision.pairing``.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, nan

import numpy as np

from calibration.ball_plane import BallPlane
from calibration.table import Table
from vision.film.planes import BLACK
from vision.outlines.outline import BallView
from vision.pairing import far_pairs, has_left, near_pairs, rolling_pairs
from vision.sightings import REST_SIGHTINGS, Sighting, averaged, resting_place
from vision.table_view import Expected, TableView
from vision.track import Loss, Track

# A ball has moved when it is this far from its mean resting place (twice in a row), or that many standard deviations.
MOVED_M = 0.0035
# A ball that has stayed within MOVED_M for this long is at rest again.
SETTLE_S = 0.25
# A ball that is not seen for this long, with nothing over its place, is gone.
GONE_S = 0.6
# The same when something is over it: a hand may rest on a ball for a while.
HIDDEN_S = 6.0
# A film that shows nothing new for this long (it stands still, or pictures are missing) has a gap: what was under way
# before it is not followed across it.
GAP_S = 1.0
# These limits are for a well lit film, in which the brightest ball has this luma: in a darker one all
# colours lie nearer together, down to this share.
WELL_LIT, LEAST_LIGHT = 190.0, 0.5
# A ball this slow need not be seen in every frame of a film with many of them; one that is not seen is looked for in
# every frame for this long.
SLOW_MPS, LOOKED_FOR_S = 0.24, 0.1
# A new thing counts as a ball when it was seen in this many frames.
CONFIRM_FRAMES = 3


class Tracker:
    """Follows all balls of a clip. Feed it with ``update``; ``quiet`` says when nothing has moved for a while."""

    def __init__(self, plane: BallPlane, table: Table) -> None:
        self.plane = plane
        self.table = table
        self.tracks: list[Track] = []
        self._next = 0
        self._last_motion_s = float("-inf")
        self._now_s = float("nan")

    def expected(self, time_s: float) -> list[Expected]:
        """Where the known balls should be in the next frame."""
        return [
            # What was seen of a ball that is hidden now is not to be taken for what is seen there.
            Expected(
                t.predicted_m(time_s),
                t.colour,
                t.view if t.resting and not t.hidden and t.rests[-1].sightings > 10 else None,
                t.resting,
            )
            for t in self.tracks
            if not t.gone
        ]

    def update(self, seen: TableView) -> None:
        """Take in one frame's view of the table."""
        if seen.time_s - self._now_s > GAP_S:
            self._lose_those_under_way()
        self._now_s = seen.time_s
        light = self._light()
        views = list(range(len(seen.balls)))
        tracks = [t for t in self.tracks if not t.gone]
        for track, view in near_pairs(tracks, seen, views, light, self.table.ball_radius_m):
            if has_left(track, seen, view, views):
                # What is seen at its old place is a stick or a glove.
                views.remove(view)
                continue
            self._sight(track, seen.balls[view], seen, reused=seen.reused[view])
            views.remove(view)
            tracks.remove(track)
        for track, view in far_pairs(tracks, seen, views, light):
            self._sight(track, seen.balls[view], seen, reused=False)
            views.remove(view)
            tracks.remove(track)
        for track, view in rolling_pairs(tracks, seen, views):
            self._sight(track, seen.balls[view], seen, reused=False)
            views.remove(view)
            tracks.remove(track)
        for track in tracks:
            self._miss(track, seen)
        for view in views:
            self._begin(seen.balls[view], seen.time_s)
        # What was seen once or twice and vanished was a knuckle or a chalk mark.
        self.tracks = [t for t in self.tracks if t.frames >= CONFIRM_FRAMES or seen.time_s - t.seen_s < 0.2]

    def _light(self) -> float:
        """How well lit the film is, by the brightest ball: 1, or less in a darker film."""
        brightest = max((float(t.colour[0]) for t in self.tracks if t.frames >= CONFIRM_FRAMES), default=WELL_LIT)
        return min(max((brightest - BLACK) / (WELL_LIT - BLACK), LEAST_LIGHT), 1.0)

    def quiet(self, for_s: float) -> bool:
        """Whether no ball has moved for ``for_s`` seconds."""
        return self._now_s - self._last_motion_s >= for_s

    @property
    def last_motion_s(self) -> float:
        return self._last_motion_s

    def calm(self) -> bool:
        """Whether every known ball lies in view or rolls slowly, or has been out of sight for a while."""
        for track in self.tracks:
            unseen_s = self._now_s - track.seen_s
            if track.gone or unseen_s > LOOKED_FOR_S:
                continue
            # One that has just set off has no speed yet; one that turns back at a rail has little for a moment.
            slow = 0 < track.lately_mps() <= SLOW_MPS
            steady = track.suspects == 0 if track.resting else slow
            if track.frames < CONFIRM_FRAMES or track.hidden or not steady:
                return False
        return True

    def forget_history(self, as_taken: Sequence[Track] = ()) -> None:
        """Drop what happened before: keep where the balls rest now, since when by the tracks ``as_taken``."""
        since_s = {track.ident: track.rests[-1].first_s for track in as_taken if track.rests}
        for track in self.tracks:
            last = track.rests[-1:] if not track.gone else []
            track.rests = [replace(rest, first_s=since_s.get(track.ident, rest.first_s)) for rest in last]
            track.path = [] if track.resting else track.path[-2:]
            track.lost = []
        self.tracks = [t for t in self.tracks if not t.gone or self._now_s - t.gone_s < 60.0]

    def _sight(self, track: Track, view: BallView, seen: TableView, *, reused: bool) -> None:
        now = seen.time_s
        moved = hypot(*(view.at_m - track.at_m))
        crowd = seen.under_large(view.at_px)
        track.hidden = False
        if track.resting:
            rest = track.rests[-1]
            if moved < max(MOVED_M, min(5 * view.sd_m, 3 * MOVED_M)) or (crowd and moved < 3 * MOVED_M):
                track.rests[-1] = rest if reused and rest.sightings >= REST_SIGHTINGS else averaged(rest, view, now)
                if reused and rest.sightings >= REST_SIGHTINGS:
                    track.rests[-1] = replace(rest, last_s=now)
                unsure = not reused and view.sd_m > MOVED_M
                track.rests[-1] = replace(track.rests[-1], told_s=rest.surely_s if unsure else nan)
                track.suspects = 0
            else:
                track.suspects += 1
                track.path.append(Sighting.of(view, now, crowd))
                if track.suspects >= 2 or moved > 0.02:
                    track.resting = False
                    self._last_motion_s = now
        else:
            track.path.append(Sighting.of(view, now, crowd))
            self._settle(track, now)
        if not track.resting:
            self._last_motion_s = now
        track.view = view
        track.seen_s = now
        track.frames += 1
        if not crowd:
            track.colour = track.colour + (view.colour - track.colour) / min(track.frames, 50)

    def _settle(self, track: Track, now: float) -> None:
        """A ball whose last sightings lie together is at rest."""
        recent = [s for s in track.path if s.time_s >= now - SETTLE_S]
        if now - track.path[0].time_s < SETTLE_S * 0.8 or len(recent) < 3:
            return
        places = np.array([s.at_m for s in recent])
        spread = float(np.hypot(*(places - places.mean(axis=0)).T).max())
        drift = hypot(*(places[-1] - places[0]))
        if spread < MOVED_M and drift < 0.6 * MOVED_M:
            track.rests.append(resting_place(recent))
            track.resting = True
            track.suspects = 0

    def _miss(self, track: Track, seen: TableView) -> None:
        """The ball was not seen: hidden, or gone."""
        if track.frames < CONFIRM_FRAMES:
            return
        where = track.predicted_m(seen.time_s)
        where_px = self.plane.pixel(where)
        # Another ball that has come to lie there does not hide this one.
        taken = any(hypot(*(b.at_m - where)) < 2 * self.table.ball_radius_m for b in seen.balls)
        covered = not taken and seen.covered(where_px)
        elapsed = seen.time_s - track.seen_s
        if not track.hidden:
            track.hidden, track.hidden_s, track.crowded = True, seen.time_s, False
        radius_px = self.plane.radius_px(where)
        track.crowded = track.crowded or (elapsed < GONE_S and seen.crowded(where_px, radius_px))
        if not covered and track.resting and elapsed > 0.05:
            # The cloth is seen where the ball lay.
            track.resting = False
            self._last_motion_s = seen.time_s
        if elapsed > (HIDDEN_S if covered else GONE_S):
            track.gone, track.gone_s, track.resting = True, track.seen_s, False
            track.lost.append(Loss(track.seen_s, track.crowded, track.hidden_s))
            self._last_motion_s = max(self._last_motion_s, seen.time_s - GONE_S)

    def _lose_those_under_way(self) -> None:
        """What became of the balls that moved before a gap of the film nobody saw, but for what was missed before."""
        for track in self.tracks:
            if not track.resting and not track.gone and track.frames >= CONFIRM_FRAMES:
                track.gone, track.gone_s = True, track.seen_s
                missed_s = track.hidden_s if track.hidden else float("nan")
                track.lost.append(Loss(track.seen_s, track.hidden and track.crowded, missed_s))

    def _begin(self, view: BallView, time_s: float) -> None:
        """A ball that nobody expected: a new track; that it is an old ball come back is told later, by its colour."""
        self.tracks.append(Track(self._next, view.colour, view, time_s, path=[Sighting.of(view, time_s, False)]))
        self._next += 1
