"""Clips of known truth: tries at a shot one after the other, filmed through a camera and written as MP4."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table
from tests.rendering.acts import CARRY_S, COME_S, REACH, RELEASE, Act, DecoyTruth, Try, TryTruth, plan
from tests.rendering.balls import RED, WHITE, Ball
from tests.rendering.disturbances import Disturbances, draw_cover
from tests.rendering.light import encode
from tests.rendering.motion import Physics
from tests.rendering.picture import Box, Stage, clusters
from tests.rendering.props import draw_hand, draw_stick, swing_gap_m, tip_gap_m
from tests.rendering.scene import Array, Colour, Look

TIME_BASE = Fraction(1, 90000)
ROWS_AT_ONCE = 3  # rows that are drawn as they are seen at one moment when a sensor reads row after row
DRESS: dict[str, tuple[Colour, str]] = {"cue": (WHITE, "plain"), "red": (RED, "disc")}


@dataclass(frozen=True)
class Truth:
    """A clip's truth. ``positions_m``: ball -> (frames, 2), NaN when gone or carried by a hand."""

    pts_s: Array
    tries: tuple[TryTruth, ...]
    positions_m: dict[str, Array]
    decoys: tuple[DecoyTruth, ...] = ()


def render_clip(
    path: Path,
    camera: Camera,
    table: Table,
    tries: Sequence[Try],
    *,
    look: Look | None = None,
    fps: float = 60.0,
    pts_s: Array | None = None,
    exposure_s: float = 1 / 150,
    readout_s: float = 0.0,
    physics: Physics | None = None,
    dress: Mapping[str, tuple[Colour, str]] = DRESS,
    stick: bool = True,
    sub_exposures: int = 8,
    crf: int = 18,
    preset: str = "ultrafast",
    seed: int = 0,
    disturbances: Disturbances | None = None,
    clock: Callable[[float], Array] | None = None,
    turn_deg: int = 0,
) -> Truth:
    """Film tries and write an MP4 (H.264). ``pts_s``, mid-exposure times, replace the even ones of ``fps``.

    ``clock`` gives such times for a film of so many seconds. Stored pictures are turned to the left by ``turn_deg``, as
    those of a phone held upright are; the flag that turns them back is the caller's to write. With ``readout_s`` times
    are those of the first row as drawn, before that turn, and of the balls the last row is seen so much later.
    """
    look, physics, disturbances = look or Look(), physics or Physics(), disturbances or Disturbances()
    acts = plan(tries, table, physics, disturbances.decoys)
    if clock is not None:
        pts_s = clock(acts[-1].ends_s)
    times = np.arange(0, acts[-1].ends_s, 1 / fps) if pts_s is None else np.asarray(pts_s, dtype=float)
    stage = Stage.build(camera, table, look)
    camera_crew = Crew(stage, acts, dress, stick, exposure_s, readout_s, sub_exposures, seed, disturbances)
    positions = {name: np.full((len(times), 2), np.nan) for name in tries[0].starts_m}

    def pictures() -> Iterator[NDArray[np.uint8]]:
        for k, time_s in enumerate(times):
            picture = camera_crew.frame(float(time_s))
            for name, place in camera_crew.free(float(time_s)).items():
                positions[name][k] = place
            yield np.ascontiguousarray(np.rot90(picture, turn_deg // 90))

    size = (camera.width, camera.height) if turn_deg % 180 == 0 else (camera.height, camera.width)
    write_frames(path, pictures(), size, times, fps, crf=crf, preset=preset)
    tried = tuple(act.truth for act in acts if act.truth is not None)
    return Truth(times, tried, positions, tuple(act.decoy for act in acts if act.decoy is not None))


def write_frames(
    path: Path,
    pictures: Iterable[NDArray[np.uint8]],
    size: tuple[int, int],
    times_s: Array,
    fps: float,
    *,
    crf: int = 18,
    preset: str = "ultrafast",
) -> None:
    """Write pictures (height, width, 3) blue green red of a ``size`` (width, height), each with its time, as H.264."""
    with av.open(str(path), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=round(fps))
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.time_base = stream.codec_context.time_base = TIME_BASE
        stream.options = {"crf": str(crf), "preset": preset, "threads": "1"}
        for picture, time_s in zip(pictures, times_s, strict=True):
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts, frame.time_base = round(time_s / TIME_BASE), TIME_BASE
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


class Crew:
    """Draws frame after frame of planned acts; what does not move is drawn once."""

    def __init__(
        self,
        stage: Stage,
        acts: list[Act],
        dress: Mapping[str, tuple[Colour, str]],
        stick: bool,
        exposure_s: float,
        readout_s: float,
        sub_exposures: int,
        seed: int,
        disturbances: Disturbances,
    ) -> None:
        self.disturbances = disturbances
        self.stage, self.acts, self.dress, self.stick = stage, acts, dress, stick
        self.exposure_s, self.readout_s, self.sub_exposures = exposure_s, readout_s, sub_exposures
        self.random = np.random.default_rng(seed)
        self.empty = stage.empty()
        height, width = self.empty.shape[:2]
        grain = self.random.standard_normal((height + 64, width + 64, 3), dtype=np.float32)
        self.grain = grain * np.float32(stage.look.noise_sd)
        self.turns = {name: np.eye(3) for name in dress}
        self.last: dict[str, Array] = {}
        self.kept: dict[tuple[object, ...], NDArray[np.float32]] = {}

    def _act(self, t_s: float) -> Act:
        return next((act for act in self.acts if t_s < act.ends_s), self.acts[-1])

    def _placed(self, act: Act, name: str, t_s: float) -> tuple[Array | None, tuple[Array, float] | None, bool]:
        """Where a ball is (None: gone), the hand over it (its place, how far it is drawn back), whether it holds."""
        for push in act.pushes:
            if push.ball != name:
                continue
            away = max(push.from_s - t_s, t_s - push.to_s)
            hand = (push.where(t_s), 0.5 * max(away, 0.0) / COME_S) if away < COME_S else None
            if t_s < push.to_s:
                return push.where(t_s), hand, away < 0
            if hand is not None:
                return act.motion.where(name, t_s), hand, False
        place = act.motion.where(name, t_s)
        for carried, start_s, source, goal in act.carries:
            part = (t_s - start_s) / CARRY_S
            if carried != name or part < 0:
                continue
            if part < REACH:
                return place, (source, 0.5 * (1 - part / REACH)), False
            if part < RELEASE:
                now = source + (goal - source) * (part - REACH) / (RELEASE - REACH)
                return now, (now, 0.0), True
            return goal, (goal, 0.5 * (part - RELEASE) / (1 - RELEASE)) if part < 1 else None, False
        return place, None, False

    def free(self, t_s: float) -> dict[str, Array]:
        """Balls that lie or roll by themselves."""
        act = self._act(t_s)
        placed = {name: self._placed(act, name, t_s) for name in act.motion.starts_m}
        return {name: place for name, (place, _, held) in placed.items() if place is not None and not held}

    def balls(self, t_s: float) -> dict[str, Ball]:
        act = self._act(t_s)
        balls = {}
        for name in act.motion.starts_m:
            place = self._placed(act, name, t_s)[0]
            if place is not None:
                colour, pattern = self.dress[name]
                balls[name] = Ball(float(place[0]), float(place[1]), colour, pattern, self.turns[name])
        return balls

    def _roll(self, t_s: float) -> None:
        """Turn each ball by the way it has run since the last frame, as if it always rolled."""
        for name, ball in self.balls(t_s).items():
            place = np.array([ball.x_m, ball.y_m])
            step = place - self.last.get(name, place)
            if np.hypot(*step) > 1e-9:
                axis = np.array([-step[1], step[0], 0.0]) / self.stage.table.ball_radius_m
                self.turns[name] = cv2.Rodrigues(axis)[0] @ self.turns[name]
            self.last[name] = place

    def frame(self, t_s: float) -> NDArray[np.uint8]:
        self._knocked(t_s)
        self._roll(t_s)
        levels = self.empty.copy()
        height = levels.shape[0]
        self._draw(levels, (0, height), t_s)
        first, last = self._changing_rows(t_s)
        for top in range(first, last, ROWS_AT_ONCE):
            rows = (top, min(top + ROWS_AT_ONCE, last))
            levels[rows[0] : rows[1]] = self.empty[rows[0] : rows[1]]
            self._draw(levels, rows, t_s + self.readout_s * (sum(rows) - 1) / 2 / (height - 1))
        self.draw_people(levels, t_s)
        self.disturbances.draw(levels, self.stage.camera, self.stage.table, t_s)
        levels = self.disturbances.dimmed(levels, t_s)
        shift_y, shift_x = self.random.integers(0, 64, size=2)
        grain = self.grain[shift_y : shift_y + levels.shape[0], shift_x : shift_x + levels.shape[1]]
        return np.asarray(cv2.add(levels, grain, dtype=cv2.CV_8U))

    def _changing_rows(self, t_s: float) -> tuple[int, int]:
        """Rows, up to the second one, not included, in which something is not as at first while they are read."""
        if self.readout_s == 0:
            return (0, 0)
        half = self.exposure_s / 2
        before, after = self.balls(t_s - half), self.balls(t_s + self.readout_s + half)
        moved = [balls[n] for balls in (before, after) for n in balls if before.get(n) != after.get(n)]
        boxes = [box for ball in moved for box in [self.stage.box(ball)] if box is not None]
        return (min(box[1] for box in boxes), max(box[3] for box in boxes)) if boxes else (0, 0)

    def _draw(self, levels: NDArray[np.float32], rows: tuple[int, int], t_s: float) -> None:
        """Draw the balls as they are seen at a moment into rows of the picture, up to the second one, not included."""
        exposures = self._exposures(t_s)
        names = sorted({name for balls in exposures for name in balls})
        spans = []
        for name in names:
            boxes = [self.stage.box(balls[name]) for balls in exposures if name in balls]
            seen = [box for box in boxes if box is not None]
            if seen:
                corners = np.array(seen)
                low, high = corners.min(axis=0), corners.max(axis=0)
                box: Box = (int(low[0]), max(int(low[1]), rows[0]), int(high[2]), min(int(high[3]), rows[1]))
                if box[1] < box[3]:
                    spans.append((name, box))
        stand_in = {name: Ball(float(k), 0.0) for k, (name, _) in enumerate(spans)}
        back = {ball.x_m: name for name, ball in stand_in.items()}
        for members, box in clusters([(stand_in[name], box) for name, box in spans]):
            left, top, right, bottom = box
            levels[top:bottom, left:right] = self._patch([back[m.x_m] for m in members], exposures, box)

    def _knocked(self, t_s: float) -> None:
        """See the table anew when the camera was knocked."""
        camera = self.disturbances.camera(t_s)
        if camera is not None and camera is not self.stage.camera:
            self.stage = Stage.build(camera, self.stage.table, self.stage.look)
            self.empty = self.stage.empty()
            self.kept.clear()

    def _exposures(self, t_s: float) -> list[dict[str, Ball]]:
        """The balls at moments spread over the exposure, as many as the longest way on the picture asks for."""
        half = self.exposure_s / 2
        ways = [0.0]
        for earlier, later in ((t_s - half, t_s), (t_s, t_s + half)):
            before, after = self.balls(earlier), self.balls(later)
            ways += [np.hypot(after[n].x_m - b.x_m, after[n].y_m - b.y_m) for n, b in before.items() if n in after]
        way_px = 2 * max(ways) * 1000 / self.stage.camera.mm_per_px(self.stage.table)
        count = int(np.clip(np.ceil(way_px / 1.2), 1, self.sub_exposures))
        return [self.balls(t_s + (2 * (k + 0.5) / count - 1) * half) for k in range(count)]

    def _patch(self, names: list[str], exposures: list[dict[str, Ball]], box: Box) -> NDArray[np.float32]:
        """A box in levels of 255, averaged over the exposure; kept when nothing in it moves."""
        first = exposures[0]
        still = all(balls.get(name) == first.get(name) for balls in exposures for name in names)
        if not still:
            total = np.zeros((box[3] - box[1], box[2] - box[0], 3), dtype=np.float32)
            for balls in exposures:
                total += self.stage.patch(
                    [balls[n] for n in names if n in balls], box, samples=2 if len(exposures) > 2 else 3
                )
            return encode(total / len(exposures))
        shown = [first[name] for name in names if name in first]
        key = (box, *((ball, ball.turn.tobytes()) for ball in shown))
        if key not in self.kept:
            self.kept.clear() if len(self.kept) > 20 else None
            self.kept[key] = encode(self.stage.patch(shown, box))
        return self.kept[key]

    def draw_people(self, levels: NDArray[np.float32], t_s: float) -> None:
        act, stage = self._act(t_s), self.stage
        for name in act.motion.starts_m:
            hand = self._placed(act, name, t_s)[1]
            if hand is not None:
                draw_hand(levels, stage.camera, stage.table, hand[0], hand[1])
        for cover in act.covers:
            draw_cover(levels, stage.camera, stage.table, cover, t_s)
        if act.addressed is not None:
            place, bearing, from_s, to_s = act.addressed
            if from_s < t_s < to_s:
                draw_stick(levels, stage.camera, stage.table, place, bearing, swing_gap_m(t_s))
        truth = act.truth
        gap = tip_gap_m(t_s - truth.t_s, truth.speed_mps) if self.stick and truth is not None else None
        if truth is not None and gap is not None:
            draw_stick(levels, stage.camera, stage.table, truth.cue_start_m, truth.bearing_rad, gap)
