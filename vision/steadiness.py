"""Whether the camera stayed where it was: a glance at a key frame now and then, before a clip is read.

A few hundred corners of what stands still (pockets, sights, the room) are followed from the first glance to each later
one (pyramidal Lucas-Kanade), and the turn, shift and scale that most of them share is the picture's move. People and
balls cover some corners, and those are outvoted. Only where two glances disagree is the film between them looked at
frame by frame, so that a steady film costs next to nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from vision.film.clip import Clip, Frame

Picture = NDArray[np.uint8]
Corners = NDArray[np.float32]
# One row for each of ``anchors_px``: how far the picture moved there, in pixels of the frame.
Shift = NDArray[np.float64]

GLANCE_S = 2.0
# Key frames further apart than this on average are too few; as many other frames are looked at then.
SPARSE_S, SPARE_GLANCES = 8.0, 16
# A picture that is off by more than this anywhere has moved, at 1920 pixels across (half a millimetre or so).
MOST_SHIFT_PX = 0.7
# A move that takes longer than this and is slower, at 1920 pixels across, is no knock but a drift, of a film that was
# steadied afterwards perhaps: what happens meanwhile is seen well enough, and would be lost if it were passed over.
KNOCK_S, DRIFT_PX_S = 1.5, 3.0
# Pictures are compared at this size at most.
COMPARED_PX = 1000
MOST_CORNERS, LEAST_CORNERS = 300, 12
CORNER_QUALITY = 0.004
LEAST_SHARE = 0.3
# Light that changes by less than this does not disturb the comparison.
LEAST_GAIN = 0.03
# Corners that go with the whole picture do so within this, and within this share of its move (a lens bends it).
AGREE_PX, AGREE_SHARE = 0.5, 0.04
LEAST_MISFIT_PX = 0.4
# A picture that moved by more than this (in the size compared) may have been turned so far that its sides moved
# otherwise than its middle: then so many times as many corners agree on that as on a turn, shift and scale.
LARGE_PX, BENT_SHARE = 4.0, 1.2
# A picture that stays for this long has come to rest, in so large a share of its frames: one may be placed badly for
# somebody who comes into it.
STAY_S, STAY_SHARE = 0.4, 0.75
# When nothing of the first picture is found again, another view begins, this far from it for all we know.
ELSEWHERE_PX = 1e4
MOST_VIEWS = 4
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


def anchors_px(width: int, height: int) -> NDArray[np.float64]:
    """The places in the frame, (4, 2), at which a move is measured: a turn shows there as well as a shift."""
    return np.array([(0.2, 0.2), (0.8, 0.2), (0.2, 0.8), (0.8, 0.8)]) * [width - 1, height - 1]


class View:
    """One picture that later ones are compared with."""

    def __init__(self, luma: Picture) -> None:
        self._factor = max(1, round(max(luma.shape) / COMPARED_PX))
        self._anchors = anchors_px(luma.shape[1], luma.shape[0])
        self._picture = self._reduced(luma)
        self._coarse = _coarse(self._picture)
        found = cv2.goodFeaturesToTrack(self._picture, MOST_CORNERS, CORNER_QUALITY, max(self._picture.shape) / 60)
        self._corners = np.zeros((0, 1, 2), np.float32) if found is None else found.astype(np.float32)

    @property
    def blank(self) -> bool:
        """Whether the picture has too few corners to be found again."""
        return len(self._corners) < LEAST_CORNERS

    def shift_px(self, luma: Picture) -> Shift | None:
        """How far another picture has moved against this one; None when they share too little to tell."""
        if self.blank:
            return None
        picture = self._reduced(luma)
        gain = float(np.clip(np.median(self._coarse / np.maximum(_coarse(picture), 1.0)), 0.4, 2.5))
        if abs(gain - 1) > LEAST_GAIN:
            picture = cv2.convertScaleAbs(picture, alpha=gain).astype(np.uint8)
        there, found, _ = cv2.calcOpticalFlowPyrLK(self._picture, picture, self._corners, None, winSize=(21, 21))
        followed = found.ravel() > 0
        here, there = self._corners[followed, 0], there[followed, 0]
        if len(here) < LEAST_CORNERS:
            return None
        usual = float(np.median(np.hypot(*(there - here).T)))
        reach = AGREE_PX + AGREE_SHARE * usual
        # Pixel (0, 0) is the centre of the top-left pixel, in the reduced picture too.
        at = (self._anchors + 0.5) / self._factor - 0.5
        enough = max(LEAST_CORNERS, LEAST_SHARE * len(self._corners))
        alike = _alike(here, there, reach, enough)
        if usual > LARGE_PX:
            # A turn by much may leave too few corners that agree on anything simpler.
            least = enough if alike is None else max(enough, BENT_SHARE * alike.agree)
            knock = _knock(here, there, reach)
            if knock is not None and _agree(knock, here, there) > least:
                return (cv2.perspectiveTransform(at[None].astype(float), knock)[0] - at) * self._factor
        return None if alike is None else np.asarray((at @ alike.slopes.T + alike.offset - at) * self._factor)

    def _reduced(self, luma: Picture) -> Picture:
        size = luma.shape[1] // self._factor, luma.shape[0] // self._factor
        cut = luma[: size[1] * self._factor, : size[0] * self._factor]
        return cv2.resize(cut, size, interpolation=cv2.INTER_AREA).astype(np.uint8) if self._factor > 1 else cut


@dataclass(frozen=True)
class _Alike:
    """The turn, shift and scale that most corners share, (2, 2) and (2,), and how many corners are where it says."""

    slopes: Shift
    offset: NDArray[np.float64]
    agree: int


def _alike(here: Corners, there: Corners, reach_px: float, enough: float) -> _Alike | None:
    """What most corners share in how they moved; None when fewer than ``enough`` do."""
    matrix, agreeing = cv2.estimateAffinePartial2D(here, there, method=cv2.RANSAC, ransacReprojThreshold=reach_px)
    if matrix is None or agreeing.sum() < enough:
        return None
    chosen = agreeing.ravel() > 0
    slopes, offset = _similarity(here[chosen], there[chosen])
    # Once more without the outskirts of those that agree: after a large move the limit above is wide.
    misfit = np.hypot(*(here @ slopes.T + offset - there).T)
    agree = int((misfit < AGREE_PX).sum())
    chosen = misfit <= max(2 * float(np.median(misfit[chosen])), LEAST_MISFIT_PX)
    return _Alike(*_similarity(here[chosen], there[chosen]), agree)


def _knock(here: Corners, there: Corners, reach_px: float) -> NDArray[np.float64] | None:
    """How a picture moved that was turned by much: a homography (3, 3), which a turn of the camera is whatever its size
    (Hartley & Zisserman 2004, Multiple View Geometry; the lens's distortion left aside). None when corners do not tell.
    """
    matrix, agreeing = cv2.findHomography(here, there, cv2.RANSAC, reach_px)
    if matrix is None or agreeing.sum() < LEAST_CORNERS:
        return None
    matrix, _ = cv2.findHomography(here[agreeing.ravel() > 0], there[agreeing.ravel() > 0], 0)
    return None if matrix is None else np.asarray(matrix, dtype=float)


def _agree(matrix: NDArray[np.float64], here: Corners, there: Corners) -> int:
    """How many corners a homography brings where they were found."""
    brought = cv2.perspectiveTransform(here[None].astype(float), matrix)[0]
    return int((np.hypot(*(brought - there).T) < AGREE_PX).sum())


def _similarity(here: NDArray[np.float32], there: NDArray[np.float32]) -> tuple[Shift, NDArray[np.float64]]:
    """Least squares: turn and scale (2, 2), and shift (2,), that carry points (n, 2) to others."""
    middle, goal = here.mean(axis=0, dtype=float), there.mean(axis=0, dtype=float)
    (x, y), (u, v) = (here - middle).T, (there - goal).T
    size = max(float((x * x + y * y).sum()), 1e-9)
    along, across = float((x * u + y * v).sum()) / size, float((x * v - y * u).sum()) / size
    slopes = np.array([[along, -across], [across, along]])
    return slopes, goal - slopes @ middle


def _coarse(picture: Picture) -> NDArray[np.float64]:
    """Brightness field by field: the median over fields takes no notice of somebody who stands in the picture."""
    return cv2.resize(picture, (16, 9), interpolation=cv2.INTER_AREA).astype(float)


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
            apart = _apart(self._origins_px[after.view], self._origins_px[before.view]) > ELSEWHERE_PX / 2
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


def find_moves(clip: Clip) -> list[Move]:
    """When the camera of a clip was moved, in order of time; none for a camera that stood still."""
    watch = Watch()
    glances = watch.joined(clip, _glances(clip, watch))
    limit = MOST_SHIFT_PX * max(clip.width, clip.height) / 1920
    moves = []
    for k, level in changes(glances, limit):
        before, after = glances[k - 1], glances[k]
        settled = glances[min(k + 1, len(glances) - 1)].shift_px
        if _apart(after.shift_px, before.shift_px) < 0.6 * limit and _apart(settled, after.shift_px) < 0.6 * limit:
            moves.append(Move(before.time_s, after.time_s, True, _difference(after.shift_px, level)))
            continue
        until_s = glances[min(k + 1, len(glances) - 1)].time_s
        between = [watch.place(frame) for frame in clip.frames_between(before.time_s, until_s)]
        seen = [before, *(g for g in between if g is not None)]
        from_s, until_s = when_moved(seen, before.shift_px, settled, limit)
        # With no frame in between that lies neither here nor there, it went step by step.
        drift = _drifts(until_s - from_s, _apart(settled, before.shift_px) / limit * MOST_SHIFT_PX)
        moves.append(Move(from_s, until_s, drift or until_s <= from_s, _difference(settled, level), drift))
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


def changes(glances: Sequence[Glance], limit_px: float) -> list[tuple[int, Shift]]:
    """Where a lasting move shows: the first glance that lies elsewhere, and where the picture lay until then.

    A single glance that disagrees (a lens covered for a moment) is no move, unless it is the film's last.
    """
    out = []
    level = glances[0].shift_px if glances else np.zeros((4, 2))
    k = 1
    while k < len(glances):
        following = glances[min(k + 1, len(glances) - 1)].shift_px
        moved = _apart(glances[k].shift_px, level) > limit_px and _apart(following, level) > limit_px
        another_view = k == len(glances) - 1 and _apart(glances[k].shift_px, level) > ELSEWHERE_PX / 2
        if moved and not another_view:
            out.append((k, level))
            sudden = _apart(following, glances[k].shift_px) > limit_px
            level = following if sudden else glances[k].shift_px
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
    was = np.array([_apart(g.shift_px, old) <= limit_px for g in between])
    stays = np.array([_apart(g.shift_px, new) <= limit_px for g in between])
    # A picture that shakes comes by where it was, and where it will be, without staying there.
    rested = [k for k, t in enumerate(times) if was[k] and _mostly(was[(times >= t - STAY_S) & (times <= t)])]
    first = max(rested, default=0)
    for k in range(first, len(times)):
        if stays[k] and _mostly(stays[(times >= times[k]) & (times <= times[k] + STAY_S)]):
            return float(times[first]), float(times[k])
    return float(times[first]), float(times[-1])


def _mostly(there: NDArray[np.bool_]) -> bool:
    return bool(there.mean() >= STAY_SHARE)


def _apart(first: Shift, second: Shift) -> float:
    """The largest distance between two shifts."""
    return float(np.hypot(*(first - second).T).max())


def _difference(new: Shift, old: Shift) -> Shift:
    return new - old if _apart(new, old) < ELSEWHERE_PX / 2 else np.full((4, 2), np.nan)
