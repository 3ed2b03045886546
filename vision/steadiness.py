"""Whether the camera stayed where it was: a glance at a key frame now and then, before a clip is read.

Each is placed against the first one (``vision.picture_shift``). Only where two glances disagree, and so do their
pictures held against each other, is the film between them looked at frame by frame: a steady film costs next to
nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from vision.film.clip import Clip, Frame
from vision.picture_shift import Shift, View, anchors_px, apart_px, size_px

GLANCE_S = 2.0
# Key frames further apart than this on average are too few; as many other frames are looked at then.
SPARSE_S, SPARE_GLANCES = 8.0, 16
# A picture that is off by more than this anywhere has moved, at 1920 pixels across (half a millimetre or so).
MOST_SHIFT_PX = 0.7
# A move that takes longer than this and is slower, at 1920 pixels across, is no knock but a drift, of a film that was
# steadied afterwards perhaps: what happens meanwhile is seen well enough, and would be lost if it were passed over.
KNOCK_S, DRIFT_PX_S = 1.5, 3.0
# A picture that stays for this long has come to rest, in so large a share of its frames: one may be placed badly for
# somebody who comes into it.
STAY_S, STAY_SHARE = 0.4, 0.75
# When nothing of the first picture is found again, another view begins, this far from it for all we know.
ELSEWHERE_PX = 1e4
MOST_VIEWS = 4
# A picture is found again by its time to this.
SAME_S = 0.0005
# Pictures no farther apart than this lie as far from each other whichever is held against the other.
NEAR_PX = 4.0
# So many frames in which two views are both found again tell that they are one, and how far one lies from the other:
# a frame or two may be blended of both at the very knock.
LEAST_JOINT = 5


@dataclass(frozen=True)
class Move:
    """The camera was moved between two times, or sagged until ``until_s`` by what can no longer be left alone.

    ``drift``: slowly, but by what is more than sagging within the time of a stroke.
    ``shift_px`` is by how much, at each of ``anchors_px``: (4, 2), NaN when the two views have nothing in common.
    """

    from_s: float
    until_s: float
    slow: bool
    shift_px: Shift
    drift: bool = False


@dataclass(frozen=True)
class Glance:
    """Where the picture lies at a time, against the first one of the film, and by which of the views that is told."""

    time_s: float
    shift_px: Shift
    view: int = 0


class Watch:
    """Places each picture of a film against the first one, or against a later one when the view is another."""

    def __init__(self) -> None:
        self._views: list[View] = []
        # Where each view lies against the first one: apart until it is joined.
        self._origins_px: list[Shift] = []
        self._compared: set[tuple[int, int]] = set()

    def place(self, frame: Frame) -> Glance | None:
        """Where a frame's picture lies; None when that cannot be told."""
        for k, view in enumerate(self._views):
            shift = view.shift_px(frame.y)
            if shift is not None:
                return Glance(frame.time_s, shift + self._origins_px[k], k)
        if len(self._views) == MOST_VIEWS:
            return None
        k = len(self._views)
        self._views.append(View(frame.y.copy()))
        self._origins_px.append(np.full((4, 2), k * ELSEWHERE_PX))
        return Glance(frame.time_s, self._origins_px[k], k)

    def joined(self, clip: Clip, glances: Sequence[Glance]) -> list[Glance]:
        """The glances, with views that frames between them show to be one placed against each other.

        A first picture that was coded too coarsely to be found again in later ones passes into them by degrees; so does
        a picture that is turned away slowly. After a knock no frame shows both.
        """
        placed: list[Glance] = []
        for after in glances:
            before = placed[-1] if placed else after
            apart = apart_px(self._origins_px[after.view], self._origins_px[before.view]) > ELSEWHERE_PX / 2
            if apart:
                self._join(clip, before, after)
            moved = self._origins_px[after.view] - after.view * ELSEWHERE_PX
            placed.append(replace(after, shift_px=after.shift_px + moved))
        return placed

    def _join(self, clip: Clip, before: Glance, after: Glance) -> None:
        """Place the later one of two glances' views against the earlier one, if frames between the glances show both.

        Two views are compared once, so that a film that goes to and fro between them is not decoded again each time.
        """
        first, second = sorted((before.view, after.view))
        if (first, second) in self._compared or self._views[first].blank or self._views[second].blank:
            return
        self._compared.add((first, second))
        apart = []
        for frame in clip.frames_between(before.time_s, after.time_s):
            there = self._views[second].shift_px(frame.y)
            here = self._views[first].shift_px(frame.y) if there is not None else None
            if here is not None and there is not None:
                apart.append(here - there)
        if len(apart) >= LEAST_JOINT:
            self._origins_px[second] = self._origins_px[first] + np.median(apart, axis=0)


@dataclass(frozen=True)
class Between:
    """A stretch of a film at whose ends its picture seems to lie in two places.

    Where a turn by much has parted pictures, how far they lie apart is told a pixel or two too large or too small, as
    more of their corners agree on one way to move or on another. So those between are held against the two ends, of
    which each is near to one.
    """

    from_s: float
    until_s: float
    first: View
    last: View
    # How far the last picture lies from the first one, as a ``Shift``.
    by_px: Shift

    @classmethod
    def of(cls, clip: Clip, before: Glance, after: Glance) -> "Between | None":
        """From one glance to another; None where one of the pictures cannot be had.

        Their own places are believed where the two pictures do not tell: somebody fills much of one of them.
        """
        first, last = (next(clip.frames_between(g.time_s, g.time_s + SAME_S), None) for g in (before, after))
        if first is None or last is None:
            return None
        views = View(first.y.copy()), View(last.y.copy())
        by_px = views[0].shift_px(last.y)
        if by_px is None:
            back_px = views[1].shift_px(first.y)
            near = back_px is not None and size_px(back_px) < NEAR_PX
            by_px = -back_px if near and back_px is not None else after.shift_px - before.shift_px
        return cls(before.time_s, after.time_s, *views, by_px)

    def moved(self, limit_px: float) -> bool:
        """Whether its ends differ by more than a limit, anywhere."""
        return size_px(self.by_px) > limit_px

    def glances(self, clip: Clip, limit_px: float) -> list[Glance]:
        """Where each picture lies against the first one: within a limit of that, or as the nearer end tells it."""
        found = [Glance(self.from_s, np.zeros_like(self.by_px))]
        for frame in clip.frames_between(self.from_s + SAME_S, self.until_s - SAME_S):
            by_first = self.first.shift_px(frame.y)
            places = [] if by_first is None else [(size_px(by_first), by_first)]
            if not places or places[0][0] > limit_px:
                by_last = self.last.shift_px(frame.y)
                places += [] if by_last is None else [(size_px(by_last), self.by_px + by_last)]
            if places:
                found.append(Glance(frame.time_s, min(places, key=lambda place: place[0])[1]))
        return [*found, Glance(self.until_s, self.by_px)]


def find_moves(clip: Clip) -> list[Move]:
    """When the camera of a clip was moved, in order of time; none for a camera that stood still.

    Slow moves are told by the glances alone, and those that add up by steps of which each is too small.
    """
    watch = Watch()
    glances = watch.joined(clip, _glances(clip, watch))
    limit = MOST_SHIFT_PX * max(clip.width, clip.height) / 1920
    small = 0.6 * limit
    moves = []
    for k, lay in changes(glances, limit):
        before, after, settled = glances[k - 1], glances[k], glances[min(k + 1, len(glances) - 1)]
        level = glances[lay].shift_px
        if apart_px(after.shift_px, before.shift_px) < small and apart_px(settled.shift_px, after.shift_px) < small:
            moves.append(Move(before.time_s, after.time_s, True, _difference(after.shift_px, level)))
            continue
        between = Between.of(clip, before, settled)
        if between is None:
            # What cannot be checked is believed.
            moves.append(Move(before.time_s, settled.time_s, True, _difference(settled.shift_px, level)))
            continue
        if not between.moved(limit):
            since = Between.of(clip, glances[lay], settled) if lay < k - 1 else None
            if since is not None and since.moved(limit):
                moves.append(Move(before.time_s, after.time_s, True, since.by_px))
            continue
        from_s, until_s = when_moved(between.glances(clip, limit), np.zeros((4, 2)), between.by_px, limit)
        # With no frame in between that lies neither here nor there, it went step by step.
        drift = _drifts(until_s - from_s, size_px(between.by_px) / limit * MOST_SHIFT_PX)
        shift_px = _difference(before.shift_px + between.by_px, level)
        moves.append(Move(from_s, until_s, drift or until_s <= from_s, shift_px, drift))
    return moves


def _drifts(lasts_s: float, by_px: float) -> bool:
    """Whether a move that takes so long, by so many pixels at 1920 across, is a drift and no knock."""
    return lasts_s > KNOCK_S and by_px < DRIFT_PX_S * lasts_s


def _glances(clip: Clip, watch: Watch) -> list[Glance]:
    """Where the picture lies now and then, the film's last frame included."""
    glances = [watch.place(frame) for frame in clip.glances(GLANCE_S)]
    if not np.isfinite(clip.duration_s):
        return [g for g in glances if g is not None]
    # With few key frames in the film, others have to be decoded on the way to them.
    extra = SPARE_GLANCES if len(glances) < clip.duration_s / SPARSE_S else 0
    later = clip.stills(extra) + clip.last_frames()
    times = {g.time_s for g in glances if g is not None}
    glances += [watch.place(frame) for frame in later if frame.time_s not in times]
    return sorted((g for g in glances if g is not None), key=lambda g: g.time_s)


def changes(glances: Sequence[Glance], limit_px: float) -> list[tuple[int, int]]:
    """Where a lasting move shows: the first glance that lies elsewhere, and one that lies where all lay until then.

    A single glance that disagrees (a lens covered for a moment) is no move, unless it is the film's last.
    """
    out = []
    lay, k = 0, 1
    while k < len(glances):
        level, last = glances[lay].shift_px, min(k + 1, len(glances) - 1)
        following = glances[last].shift_px
        moved = apart_px(glances[k].shift_px, level) > limit_px and apart_px(following, level) > limit_px
        another_view = k == len(glances) - 1 and apart_px(glances[k].shift_px, level) > ELSEWHERE_PX / 2
        if moved and not another_view:
            out.append((k, lay))
            sudden = apart_px(following, glances[k].shift_px) > limit_px
            lay = last if sudden else k
            # A move that is still going on at one glance is over by the next.
            k += sudden
        k += 1
    return out


def turned(camera: Camera, shift_px: Shift) -> Camera:
    """The camera turned about itself so that its picture moves by what was measured at ``anchors_px``."""
    at = anchors_px(camera.width, camera.height)
    points = np.column_stack([camera.to_plane(at, 0.0), np.zeros(len(at))])
    goal = at + shift_px
    for _ in range(4):
        columns = []
        for k in range(5, 8):
            step = np.zeros(11)
            step[k] = 1e-5
            columns.append(((camera.moved(step).project(points) - camera.project(points)) / 1e-5).ravel())
        turn = np.zeros(11)
        turn[5:8] = np.linalg.lstsq(np.column_stack(columns), (goal - camera.project(points)).ravel(), rcond=None)[0]
        camera = camera.moved(turn)
    return camera


def when_moved(between: Sequence[Glance], old: Shift, new: Shift, limit_px: float) -> tuple[float, float]:
    """The last time the picture lay where it had lain, and the first from which on it lies where it stays."""
    times = np.array([g.time_s for g in between])
    was = np.array([apart_px(g.shift_px, old) <= limit_px for g in between])
    stays = np.array([apart_px(g.shift_px, new) <= limit_px for g in between])
    # A picture that shakes comes by where it was, and where it will be, without staying there.
    rested = [k for k, t in enumerate(times) if was[k] and _mostly(was[(times >= t - STAY_S) & (times <= t)])]
    first = max(rested, default=0)
    for k in range(first, len(times)):
        if stays[k] and _mostly(stays[(times >= times[k]) & (times <= times[k] + STAY_S)]):
            return float(times[first]), float(times[k])
    return float(times[first]), float(times[-1])


def _mostly(there: NDArray[np.bool_]) -> bool:
    return bool(there.mean() >= STAY_SHARE)


def _difference(new: Shift, old: Shift) -> Shift:
    return new - old if apart_px(new, old) < ELSEWHERE_PX / 2 else np.full((4, 2), np.nan)
