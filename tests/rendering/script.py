"""Films of what somebody does at a table between attempts: balls moved by a script, with hands, sleeves and sticks."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import cos, pi, radians, sin
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table
from tests.rendering.balls import BLUE, RED, WHITE, YELLOW, Ball
from tests.rendering.disturbances import Disturbances
from tests.rendering.film import Crew, write_frames
from tests.rendering.motion import GRAVITY_MPS2, Motion
from tests.rendering.picture import Stage
from tests.rendering.props import draw_arm, draw_hand, draw_stick
from tests.rendering.scene import Array, Colour, Look

Place = tuple[float, float]
DRESS: dict[str, tuple[Colour, str]] = {
    "cue": (WHITE, "plain"),
    "red": (RED, "plain"),
    "yellow": (YELLOW, "plain"),
    "blue": (BLUE, "plain"),
}
ROLL_MPS2 = 0.010 * GRAVITY_MPS2
# A hand comes before it takes a ball and goes after it let go, each in this time.
REACH_S, DRAWN_BACK_M = 0.4, 0.5


@dataclass
class Script:
    """Who moves what, when. Where a ball is at a time: ``where``; what else is in the picture: ``draw``.

    Times are in seconds, places in metres; whatever moves a ball takes it from where it was then.
    """

    table: Table
    starts_m: Mapping[str, Place]
    _moves: list[tuple[str, float, Callable[[float], Array | None]]] = field(default_factory=list)
    _props: list[tuple[float, float, Callable[[NDArray[np.float32], Camera, float], None]]] = field(
        default_factory=list
    )

    def where(self, name: str, t_s: float) -> Array | None:
        """Centre (2,) of a ball; None while it is off the table."""
        made = [(begins_s, place) for ball, begins_s, place in self._moves if ball == name and begins_s <= t_s]
        return max(made, key=lambda move: move[0])[1](t_s) if made else np.array(self.starts_m[name])

    def draw(self, levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
        for begins_s, ends_s, prop in self._props:
            if begins_s <= t_s < ends_s:
                prop(levels, camera, t_s)

    def carried(self, name: str, begins_s: float, to_m: Place | None, lasts_s: float = 1.0) -> None:
        """A hand takes a ball and puts it elsewhere, or off the table (None)."""
        source = self._at(name, begins_s)
        side = -0.3 if source[1] < self.table.width_m / 2 else self.table.width_m + 0.3
        goal = np.array([source[0], side]) if to_m is None else np.array(to_m)

        def place(t_s: float) -> Array | None:
            part = (t_s - begins_s) / lasts_s
            if to_m is None and part >= 1:
                return None
            return np.asarray(source + (goal - source) * min(part, 1.0))

        self._moves.append((name, begins_s, place))
        self._hand(begins_s, begins_s + lasts_s, lambda t_s: source + (goal - source) * (t_s - begins_s) / lasts_s)

    def rolled(self, name: str, begins_s: float, bearing_deg: float, speed_mps: float, held_s: float = 0.3) -> None:
        """A hand takes a ball, swings it for a moment, and lets it roll to where it stops; no rail is met."""
        source = self._at(name, begins_s)
        along = _towards(bearing_deg)
        swing_m = speed_mps * held_s / 2

        def place(t_s: float) -> Array:
            since = t_s - begins_s
            if since < held_s:
                return np.asarray(source + along * swing_m * (since / held_s) ** 2)
            return np.asarray(source + along * (swing_m + _rolled_m(since - held_s, speed_mps)))

        self._moves.append((name, begins_s, place))
        self._hand(begins_s, begins_s + held_s, place)

    def swept(
        self, names: Sequence[str], begins_s: float, way_m: Place, lasts_s: float = 1.0, *, drawn: str = "arm"
    ) -> None:
        """An arm or a stick lies down behind balls, pushes them by ``way_m``, and is lifted where they lie then."""
        way = np.array(way_m)
        along = way / np.hypot(*way)
        sources = {name: self._at(name, begins_s) for name in names}
        behind = min(float(place @ along) for place in sources.values())
        across = np.array([-along[1], along[0]])
        middle = float(np.mean([place @ across for place in sources.values()]))

        def gone_m(t_s: float) -> float:
            part = min(max((t_s - begins_s) / lasts_s, 0.0), 1.0)
            return float(np.hypot(*way)) * (1 - cos(pi * part)) / 2

        for name, source in sources.items():
            # The arm first comes to the last of them, and takes up each one as it gets there.
            lead = float(source @ along) - behind

            def place(t_s: float, source: Array = source, lead: float = lead) -> Array:
                return np.asarray(source + along * max(gone_m(t_s) - lead / 2, 0.0))

            self._moves.append((name, begins_s, place))

        def prop(levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
            front = along * (behind + gone_m(t_s)) + across * middle
            lifted = max(begins_s - t_s, t_s - begins_s - lasts_s, 0.0) / REACH_S
            foot = front - along * (self.table.ball_radius_m + 0.045 + 0.6 * lifted)
            draw_arm(levels, camera, self.table, foot, across, stick=drawn == "stick")

        self._props.append((begins_s - REACH_S, begins_s + lasts_s + REACH_S, prop))

    def brushed(self, name: str, begins_s: float, bearing_deg: float, speed_mps: float) -> None:
        """A sleeve passes over a ball, as fast as the ball rolls off then, and goes on over the table."""
        source = self._at(name, begins_s)
        along = _towards(bearing_deg)
        self._moves.append((name, begins_s, lambda t_s: source + along * _rolled_m(t_s - begins_s, speed_mps)))

        def prop(levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
            middle = source + along * 1.5 * speed_mps * (t_s - begins_s)
            draw_arm(levels, camera, self.table, middle, np.array([-along[1], along[0]]))

        self._props.append((begins_s - 1.0, begins_s + 1.0, prop))

    def poked(self, name: str, begins_s: float, bearing_deg: float, speed_mps: float) -> None:
        """A stick sends a ball off that rolls to where it stops; no rail is met."""
        source = self._at(name, begins_s)
        along = _towards(bearing_deg)
        self.practised(name, begins_s - 1.0, begins_s, bearing_deg)
        self._moves.append((name, begins_s, lambda t_s: source + along * _rolled_m(t_s - begins_s, speed_mps)))

    def practised(self, name: str, begins_s: float, ends_s: float, bearing_deg: float) -> None:
        """A stick is drawn back and brought up to a ball again and again."""
        place = self._at(name, begins_s)

        def prop(levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
            gap_m = 0.07 + 0.04 * sin(2 * pi * 1.5 * (t_s - begins_s))
            draw_stick(levels, camera, self.table, place, radians(bearing_deg), gap_m)

        self._props.append((begins_s, ends_s, prop))

    def leaned(self, begins_s: float, ends_s: float, over_m: Place) -> None:
        """An arm is laid over a place and taken away again."""
        place = np.array(over_m)
        outwards = np.array([0.0, -1.0 if place[1] < self.table.width_m / 2 else 1.0])

        def prop(levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
            out_m = DRAWN_BACK_M * max((begins_s - t_s) / REACH_S, (t_s - ends_s) / REACH_S, 0.0)
            draw_hand(levels, camera, self.table, place, out_m)
            draw_arm(levels, camera, self.table, place + outwards * out_m + [0.1, 0.0], outwards)

        self._props.append((begins_s - REACH_S, ends_s + REACH_S, prop))

    def struck(self, motion: Motion, begins_s: float, bearing_deg: float) -> None:
        """A stroke, or what else sets balls off by themselves: their motion, and the stick before it."""
        for name in motion.starts_m:
            self._moves.append((name, begins_s, lambda t_s, name=name: motion.where(name, t_s)))
        self.practised("cue", begins_s - 1.5, begins_s, bearing_deg)

    def _hand(self, takes_s: float, lets_go_s: float, over: Callable[[float], Array | None]) -> None:
        def prop(levels: NDArray[np.float32], camera: Camera, t_s: float) -> None:
            place = over(min(max(t_s, takes_s), lets_go_s))
            out_m = DRAWN_BACK_M * max(takes_s - t_s, t_s - lets_go_s, 0.0) / REACH_S
            if place is not None:
                draw_hand(levels, camera, self.table, place, out_m)

        self._props.append((takes_s - REACH_S, lets_go_s + REACH_S, prop))

    def _at(self, name: str, t_s: float) -> Array:
        place = self.where(name, t_s)
        if place is None:
            raise ValueError(f"{name} is off the table at {t_s} s")
        return place


def _towards(bearing_deg: float) -> Array:
    return np.array([cos(radians(bearing_deg)), sin(radians(bearing_deg))])


def _rolled_m(since_s: float, speed_mps: float) -> float:
    """How far a ball has rolled that began at a speed."""
    rolling_s = min(since_s, speed_mps / ROLL_MPS2)
    return speed_mps * rolling_s - ROLL_MPS2 * rolling_s**2 / 2


class _ScriptCrew(Crew):
    """Draws frame after frame of a script."""

    def __init__(self, script: Script, stage: Stage, exposure_s: float, sub_exposures: int, seed: int) -> None:
        super().__init__(stage, [], DRESS, False, exposure_s, 0.0, sub_exposures, seed, Disturbances())
        self.script = script

    def balls(self, t_s: float) -> dict[str, Ball]:
        found = {}
        for name in self.script.starts_m:
            place = self.script.where(name, t_s)
            if place is not None:
                colour, pattern = self.dress[name]
                found[name] = Ball(float(place[0]), float(place[1]), colour, pattern, self.turns[name])
        return found

    def draw_people(self, levels: NDArray[np.float32], t_s: float) -> None:
        self.script.draw(levels, self.stage.camera, t_s)


def render_script(
    path: Path,
    camera: Camera,
    script: Script,
    *,
    until_s: float,
    fps: float = 30.0,
    look: Look | None = None,
    exposure_s: float = 1 / 150,
    seed: int = 0,
) -> None:
    """Film what a script says from 0 to ``until_s`` and write an MP4 (H.264)."""
    stage = Stage.build(camera, script.table, look or Look())
    crew = _ScriptCrew(script, stage, exposure_s, 4, seed)
    times = np.arange(0, until_s, 1 / fps)
    size = (camera.width, camera.height)
    write_frames(path, (crew.frame(float(t)) for t in times), size, times, fps, crf=14)
