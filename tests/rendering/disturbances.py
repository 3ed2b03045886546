"""What else happens while a table is filmed: people and lamps in front of it, its light, knocks, decoys between tries.

Everything is drawn over the finished picture, or changes its levels as a whole: balls and their shadows stay as they
are. Places are metres in the table frame, times seconds of the film.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, pi, sin
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Camera
from calibration.table import Table
from tests.rendering.light import GAMMA
from tests.rendering.props import SKIN, SLEEVE, fill, oval, tapering
from tests.rendering.scene import Array, Colour

CoverKind = Literal["body", "arm", "head", "hand", "lamp", "walker"]
DecoyKind = Literal["hand roll", "raked", "nudged", "practice strokes", "walker", "leaning"]
SHIRT: Colour = (52, 58, 84)
HAIR: Colour = (46, 34, 28)
SHADE: Colour = (34, 36, 34)
SWAY_S = 0.3  # how long somebody takes to come over the table, and to go again
# A camera's automatic exposure follows a change of light within about this (common practice, no source).
EXPOSURE_S = 0.5


@dataclass(frozen=True)
class Cover:
    """Something between camera and table: whole from ``from_s`` to ``to_s``, coming and going for ``SWAY_S`` more.

    ``at_m`` (2,) is what it stands over: an arm reaches there from the nearer long rail, a head and shoulders lean out
    to it, a hand lies on it. A walker's middle goes from there to ``to_m`` meanwhile.
    """

    kind: CoverKind
    at_m: tuple[float, float]
    from_s: float
    to_s: float
    to_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class LightChange:
    """The light, or the exposure, changes by a factor from ``at_s`` on, at once or as an automatic exposure does."""

    at_s: float
    factor: float
    at_once: bool = True


@dataclass(frozen=True)
class Decoy:
    """Something that is no attempt, done before the try of that number, once its balls lie ready.

    ``ball`` is rolled or touched; ``by_m`` (2,) is how far a raked or nudged ball is moved, ``velocity`` (2,) how fast
    a rolled one leaves the hand.
    """

    kind: DecoyKind
    before_try: int
    ball: str = "cue"
    velocity: tuple[float, float] = (0.0, 0.0)
    by_m: tuple[float, float] = (0.0, 0.0)
    lasts_s: float = 3.0


@dataclass(frozen=True)
class Disturbances:
    """All of a film's. ``flicker``: share of the light, and its frequency as the film shows it, hertz. ``knocks``: the
    camera from a time on. ``lamps``: corners (4, 3) of what always stays in the picture."""

    covers: Sequence[Cover] = ()
    decoys: Sequence[Decoy] = ()
    light: Sequence[LightChange] = ()
    flicker: tuple[float, float] = (0.0, 0.0)
    knocks: Sequence[tuple[float, Camera]] = ()
    lamps: Sequence[Array] = ()

    def camera(self, t_s: float) -> Camera | None:
        """The camera after the last knock; None before the first."""
        past = [camera for at_s, camera in self.knocks if at_s <= t_s]
        return past[-1] if past else None

    def gain(self, t_s: float) -> float:
        """What the linear light is multiplied by."""
        gain = 1 + self.flicker[0] * sin(2 * pi * self.flicker[1] * t_s)
        for change in self.light:
            if t_s >= change.at_s:
                done = 1.0 if change.at_once else 1 - exp(-(t_s - change.at_s) / EXPOSURE_S)
                gain *= change.factor**done
        return gain

    def dimmed(self, levels: NDArray[np.float32], t_s: float) -> NDArray[np.float32]:
        """Levels of 255 in the light of that time."""
        gain = self.gain(t_s)
        return levels if gain == 1 else np.minimum(levels * np.float32(gain ** (1 / GAMMA)), np.float32(255))

    def draw(self, levels: NDArray[np.float32], camera: Camera, table: Table, t_s: float) -> None:
        """Draw who and what is over the table at that time."""
        for cover in self.covers:
            draw_cover(levels, camera, table, cover, t_s)
        for lamp in self.lamps:
            fill(levels, camera, lamp, SHADE)


def draw_cover(levels: NDArray[np.float32], camera: Camera, table: Table, cover: Cover, t_s: float) -> None:
    """Draw what covers the table at a time, as far as it has come."""
    begin, end = cover.from_s - SWAY_S, cover.to_s + SWAY_S
    if not begin < t_s < end:
        return
    out = max(cover.from_s - t_s, t_s - cover.to_s, 0.0) / SWAY_S  # 0: all there, 1: away
    here = np.array(cover.at_m)
    if cover.kind == "walker" and cover.to_m is not None:
        here = here + (np.array(cover.to_m) - here) * (t_s - begin) / (end - begin)
    outwards = np.array([0.0, -1.0 if here[1] < table.width_m / 2 else 1.0, 0.0])
    across = np.array([1.0, 0.0, 0.0])
    # It comes from beyond the rail: the whole way in, along y.
    beyond = abs((0.0 if outwards[1] < 0 else table.width_m) - here[1]) + 0.7
    place = np.append(here, 0.0) + outwards * (out * beyond if cover.kind != "walker" else 0.0)
    if cover.kind == "hand":
        fill(levels, camera, tapering(place + [0, 0, 0.1], place + outwards * 0.9 + [0.1, 0, 0.3], 0.034, 0.06), SLEEVE)
        fill(levels, camera, oval(place + [0, 0, 0.09], outwards, 0.09, 0.055), SKIN)
    elif cover.kind == "arm":
        fill(levels, camera, tapering(place + [0, 0, 0.2], place + outwards * 1.1 + [0, 0, 0.4], 0.045, 0.07), SLEEVE)
        fill(levels, camera, oval(place + [0, 0, 0.2], outwards, 0.09, 0.05), SKIN)
    elif cover.kind == "head":
        neck = place + [0, 0, 0.35]
        fill(levels, camera, tapering(neck + outwards * 0.12, neck + outwards * 0.9, 0.22, 0.26), SHIRT)
        fill(levels, camera, oval(neck + [0, 0, 0.08], outwards, 0.12, 0.09), HAIR)
    elif cover.kind == "lamp":
        level = place + [0, 0, 0.9]
        fill(levels, camera, tapering(level - across * 0.35, level + across * 0.35, 0.09, 0.09), SHADE)
    else:
        hips, shoulders = place + [0, 0, 0.2], place + [0, 0, 0.65]
        fill(levels, camera, tapering(hips + outwards * 0.4, shoulders, 0.2, 0.24), SHIRT)
        fill(levels, camera, oval(shoulders, across, 0.25, 0.14), SHIRT)
        fill(levels, camera, oval(shoulders + [0, 0, 0.2], across, 0.09, 0.11), HAIR)
