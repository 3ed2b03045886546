"""A film of one patterned picture that is shifted, turned, dimmed and covered: which of it is a move of the camera."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import cast

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.table import STANDARD_TABLES
from tests.rendering import overhead_camera
from tests.vision.films import TIME_BASE
from vision.film.clip import Clip, Frame, open_clip
from vision.picture_shift import Shift, View, anchors_px, size_px
from vision.steadiness import (
    ELSEWHERE_PX,
    KNOCK_S,
    Glance,
    Move,
    Watch,
    find_moves,
    turned,
    when_moved,
)

Picture = NDArray[np.uint8]
WIDTH, HEIGHT, FPS, SECONDS = 480, 270, 10, 24
# What a film shows at a time: the shift in pixels and the turn in degrees of the picture, and what is done to it.
Place = Callable[[float], tuple[float, float, float]]
Disturb = Callable[[Picture, float], None]


def room() -> Picture:
    """A plain bed with dark holes at its corners, on a floor with a few things on it."""
    random = np.random.default_rng(4)
    picture = np.full((HEIGHT * 2, WIDTH * 2), 70, np.uint8)
    for x, y, w, h, level in random.integers(
        (0, 0, 10, 10, 20), (WIDTH * 2, HEIGHT * 2, 60, 60, 200), (60, 5)
    ).tolist():
        cv2.rectangle(picture, (x, y), (x + w, y + h), level, -1)
    cv2.rectangle(picture, (160, 120), (800, 420), 120, -1)
    for hole in ((165, 125), (480, 125), (795, 125), (165, 415), (480, 415), (795, 415)):
        cv2.circle(picture, hole, 16, 15, -1, cv2.LINE_AA)
    return cv2.GaussianBlur(picture, (0, 0), 1.5).astype(np.uint8)


def moved(picture: Picture, place: tuple[float, float, float]) -> Picture:
    x, y, turn = place
    matrix = cv2.getRotationMatrix2D((WIDTH - 0.5, HEIGHT - 0.5), turn, 0.5)
    matrix[:, 2] += [x - WIDTH / 2, y - HEIGHT / 2]
    return cv2.warpAffine(picture, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_AREA).astype(np.uint8)


def film(path: Path, place: Place, disturb: Disturb | None = None, gop: int = 10) -> list[Move]:
    """The moves found in a film of the room."""
    grain, whole = np.random.default_rng(1).normal(0, 2.0, (HEIGHT + 50, WIDTH, 3)).astype(np.float32), room()
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=FPS)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.time_base = stream.codec_context.time_base = TIME_BASE
        stream.codec_context.gop_size = gop
        stream.options = {"crf": "20", "preset": "ultrafast", "threads": "1"}
        for k in range(SECONDS * FPS):
            picture = moved(whole, place(k / FPS))
            if disturb is not None:
                disturb(picture, k / FPS)
            noisy = cv2.add(picture.astype(np.float32), grain[k % 50 : k % 50 + HEIGHT, :, k % 3])
            grey = np.clip(noisy, 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), format="bgr24")
            frame.pts, frame.time_base = round(k / FPS / TIME_BASE), TIME_BASE
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    with open_clip(path) as clip:
        return find_moves(clip)


def steady(time_s: float) -> tuple[float, float, float]:
    return 0.0, 0.0, 0.0


def walker(picture: Picture, time_s: float) -> None:
    """Somebody in a chequered shirt who goes through the picture, a quarter of it wide."""
    left = int((time_s / SECONDS * 1.5 - 0.25) * WIDTH)
    chequers = (np.indices((HEIGHT, WIDTH // 4)).sum(axis=0) // 6 % 2 * 120 + 40).astype(np.uint8)
    low, high = max(left, 0), min(left + WIDTH // 4, WIDTH)
    if high > low:
        picture[:, low:high] = chequers[:, low - left : high - left]


def dimmed(picture: Picture, time_s: float) -> None:
    if time_s > 11:
        picture[:] = (picture * 0.75).astype(np.uint8)


def covered(picture: Picture, time_s: float) -> None:
    """A hand before the lens for a moment."""
    if 9.5 < time_s < 11.5:
        picture[:] = 90


@pytest.mark.parametrize("disturb", [None, walker, dimmed, covered])
def test_nothing_is_said_of_a_steady_camera(disturb: Disturb | None, tmp_path: Path) -> None:
    assert film(tmp_path / "steady.mp4", steady, disturb) == []


@pytest.mark.parametrize(
    ("at_s", "to", "gop"),
    [
        (13.0, (1.0, -0.6, 0.0), 10),
        (12.7, (0.0, 0.0, 0.4), 10),  # a turn about the middle, which moves the picture's middle nowhere
        (5.3, (30.0, 12.0, 2.0), 10),
        (14.2, (2.0, -1.0, 0.1), 300),  # one key frame in all
        (23.4, (3.0, 1.0, 0.1), 10),  # between the last key frame and the end
        (0.4, (3.0, 1.0, 0.1), 10),
    ],
)
def test_knock_is_found_to_the_frame(at_s: float, to: tuple[float, float, float], gop: int, tmp_path: Path) -> None:
    moves = film(tmp_path / "knock.mp4", lambda t: to if t > at_s - 1e-6 else (0.0, 0.0, 0.0), walker, gop)
    assert len(moves) == 1
    assert not moves[0].slow
    assert moves[0].until_s == pytest.approx(at_s, abs=1e-3)
    assert moves[0].from_s == pytest.approx(at_s - 1 / FPS, abs=1e-3)
    anchors = anchors_px(WIDTH, HEIGHT)
    turn = cv2.getRotationMatrix2D(((WIDTH - 1) / 2, (HEIGHT - 1) / 2), to[2], 1.0)
    turn[:, 2] += to[:2]
    assert moves[0].shift_px == pytest.approx(anchors @ turn[:, :2].T + turn[:, 2] - anchors, abs=0.25)


def test_a_picture_far_away_that_is_placed_now_so_now_so_stays_where_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a turn by much its corners agree on one way to move or on another, as somebody goes through the view."""
    placed, pictures = View.shift_px, count()

    def unsure(view: View, luma: Picture) -> Shift | None:
        shift = placed(view, luma)
        far = shift is not None and size_px(shift) > 5
        return shift + 3.0 * (next(pictures) // 3 % 2) if shift is not None and far else shift

    monkeypatch.setattr(View, "shift_px", unsure)
    moves = film(tmp_path / "far.mp4", lambda t: (30.0, 12.0, 2.0) if t > 7 - 1e-6 else (0.0, 0.0, 0.0))
    assert [m.from_s for m in moves] == pytest.approx([6.9])
    assert [m.until_s for m in moves] == pytest.approx([7.0])


def test_small_knocks_are_noticed_when_they_add_up(tmp_path: Path) -> None:
    """Each is less than what counts as a move, of which 0.18 pixels are one at this size."""
    moves = film(tmp_path / "steps.mp4", lambda t: (0.14 * (t // 4), 0.0, 0.0))
    assert moves
    assert all(m.slow for m in moves)
    told_px = sum(m.shift_px[:, 0].mean() for m in moves)
    assert told_px == pytest.approx(0.14 * 5, abs=0.2)


def test_a_knock_that_cannot_be_looked_at_is_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Clip, "frames_between", lambda *_: iter(()))
    (move,) = film(tmp_path / "unseen.mp4", lambda t: (3.0 * (t > 12.95), 0.0, 0.0))
    assert move.slow
    assert move.from_s < 13.0 <= move.until_s
    assert move.shift_px[:, 0] == pytest.approx(3.0, abs=0.25)


def test_shaking_is_part_of_the_knock(tmp_path: Path) -> None:
    def place(t: float) -> tuple[float, float, float]:
        if t < 12.25:
            return 0.0, 0.0, 0.0
        shake = 6 * np.cos(12 * (t - 12.25)) if t < 13.05 else 0.0
        return 3.0 + shake, 0.0, 0.0

    moves = film(tmp_path / "shake.mp4", place)
    assert len(moves) == 1
    assert moves[0].from_s == pytest.approx(12.2, abs=0.01)
    assert moves[0].until_s == pytest.approx(13.1, abs=0.11)


@pytest.mark.parametrize("stray_s", [[2.35], [1.85], [2.2, 2.35], [1.7, 2.3]])
def test_frames_that_are_placed_badly_do_not_move_the_knock(stray_s: list[float]) -> None:
    """Somebody comes into the picture: where it lies is told half a pixel off for a frame."""
    times = np.arange(0, 4, 1 / 30)
    off = [0.6 if any(abs(t - s) < 0.017 for s in stray_s) else 0.1 for t in times]
    places = [np.full((4, 2), (10.0 if t > 2.0 else 0.0) + o) for t, o in zip(times, off, strict=True)]
    seen = [Glance(float(t), place) for t, place in zip(times, places, strict=True)]
    from_s, until_s = when_moved(seen, np.zeros((4, 2)), np.full((4, 2), 10.0), 0.5)
    assert (from_s, until_s) == pytest.approx((2.0, 2.0 + 1 / 30), abs=1e-6)


def test_two_knocks(tmp_path: Path) -> None:
    moves = film(tmp_path / "two.mp4", lambda t: (3.0 * (t >= 7) - 5.0 * (t >= 17), 0.0, 0.0))
    assert [m.until_s for m in moves] == pytest.approx([7.0, 17.0], abs=1e-3)


def test_sagging_is_noticed_whenever_it_adds_up(tmp_path: Path) -> None:
    moves = film(tmp_path / "sag.mp4", lambda t: (0.0, 1.0 * t / SECONDS, 0.0))
    assert all(m.slow for m in moves)
    assert 2 <= len(moves) <= 6


@pytest.mark.parametrize("px_a_second", [0.5, 2.0])
def test_a_drift_is_no_knock(px_a_second: float, tmp_path: Path) -> None:
    """Of what happens while a picture drifts by a few pixels (at 1920 across) no more than a moment is passed over."""
    rate = px_a_second * WIDTH / 1920
    moves = film(tmp_path / "drift.mp4", lambda t: (rate * min(max(t - 6, 0), 8), 0.0, 0.0))
    assert moves
    assert all(m.slow or m.until_s - m.from_s <= KNOCK_S for m in moves)
    assert moves[-1].until_s < 17


def test_a_picture_without_corners_tells_nothing() -> None:
    blank = np.full((HEIGHT, WIDTH), 90, np.uint8)
    assert View(blank).shift_px(blank) is None


def test_turned_camera_moves_the_picture_as_measured() -> None:
    table = STANDARD_TABLES["9ft"]
    camera = overhead_camera(table, size=(640, 360))
    knocked = camera.moved(np.array([0, 0, 0, 0, 0, 0.004, -0.003, 0.005, 0, 0, 0]))
    at = anchors_px(640, 360)
    points = np.column_stack([camera.to_plane(at, 0.0), np.zeros(4)])
    found = turned(camera, knocked.project(points) - at)
    assert found.rotation == pytest.approx(knocked.rotation, abs=1e-6)


@pytest.mark.parametrize("turn_deg", [(0.8, -1.4, 0.5), (2.0, 2.5, 2.0)])
def test_a_turn_by_much_moves_the_sides_otherwise_than_the_middle(turn_deg: tuple[float, float, float]) -> None:
    """A wide lens turned by a degree or three: the measure at the anchors follows the turn, not a shift and scale, of
    which there may be none that corners enough agree on."""
    width, height, focal = 960, 540, 620.0
    rough = np.random.default_rng(4).integers(0, 256, (height // 20, width // 20)).astype(np.uint8)
    picture = cv2.resize(rough, (width, height), interpolation=cv2.INTER_CUBIC)
    lens = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.radians(turn_deg))
    knock = lens @ turn @ np.linalg.inv(lens)
    moved = cv2.warpPerspective(picture, knock, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    at = anchors_px(width, height)
    true = cv2.perspectiveTransform(at[None], knock)[0] - at
    found = View(picture).shift_px(moved.astype(np.uint8))
    assert found is not None
    assert np.ptp(true, axis=0).max() > 2
    assert found == pytest.approx(true, abs=0.3)


@dataclass(frozen=True)
class Still:
    """What is asked of a frame."""

    time_s: float
    y: Picture


@dataclass(frozen=True)
class Stills:
    """What is asked of a clip."""

    frames: Sequence[Still]

    def frames_between(self, from_s: float, until_s: float) -> Iterator[Still]:
        return (frame for frame in self.frames if from_s <= frame.time_s <= until_s)


def ends(frames: Sequence[Still]) -> float:
    """How far the last of some frames lies from the first for all that is known, in pixels, by a glance at these."""
    watch = Watch()
    glances = [watch.place(cast(Frame, frame)) for frame in (frames[0], frames[-1])]
    told = [glance for glance in glances if glance is not None]
    assert [glance.view for glance in told] == [0, 1]
    first, last = watch.joined(cast(Clip, Stills(frames)), told)
    return float(np.hypot(*(last.shift_px - first.shift_px).T).max())


def coarse(picture: Picture, share: float) -> Picture:
    """A picture with so much of the blocks that are left of it where bits are few."""
    blocks = cv2.resize(picture, (WIDTH // 6, HEIGHT // 6), interpolation=cv2.INTER_AREA)
    blocks = cv2.resize(blocks, (WIDTH, HEIGHT), interpolation=cv2.INTER_NEAREST)
    return cv2.addWeighted(blocks, share, picture, 1 - share, 0).astype(np.uint8)


def test_a_picture_that_begins_too_coarse_to_be_found_again_is_joined_to_what_it_becomes() -> None:
    whole = moved(room(), steady(0.0))
    assert ends([Still(k / 30, coarse(whole, 1 - k / 30)) for k in range(31)]) < 1.0


def test_a_knock_to_where_nothing_is_found_again_stays_one() -> None:
    random = np.random.default_rng(8)
    frames = []
    for k in range(31):
        seen = room() if k < 14 else np.rot90(room()[:, : 2 * HEIGHT]).repeat(2, axis=1)
        picture = moved(np.ascontiguousarray(seen[: 2 * HEIGHT, : 2 * WIDTH]), steady(0.0))
        grain = random.normal(0, 1.0, picture.shape)
        frames.append(Still(k / 30, np.clip(picture + grain, 0, 255).astype(np.uint8)))
    assert ends(frames) > ELSEWHERE_PX / 2
