"""A film of one kick at a ball that hangs over a corner, for tests of what is read from it and of what is done to films
afterwards: pictures turned, times altered."""

from collections.abc import Callable
from dataclasses import dataclass
from math import degrees
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.camera import Setup
from calibration.table import STANDARD_TABLES
from tests.rendering import Physics, Truth, Try, aim_rad, overhead_camera, render_clip
from vision.read import read_clip
from vision.reading import Attempt, Reading
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(640, 360))
HANGING = (2.452, 0.088)
KICK = Shot("kick", "kick", ("left",), "pocketed", target_ball=HANGING, target_pocket="foot-right")
FPS = 30
Turn = Callable[[NDArray[np.uint8]], NDArray[np.uint8]]


@dataclass(frozen=True)
class Film:
    """The film, what happened, and what is read from it."""

    path: Path
    truth: Truth
    reading: Reading

    @property
    def attempt(self) -> Attempt:
        assert len(self.reading.attempts) == 1
        return self.reading.attempts[0]


def film_kick(path: Path) -> Truth:
    """Film it, a little wide, from above at 640 x 360 and an even rate of ``FPS``; and what happened."""
    start, speed, physics = (0.9, 0.3), 2.2, Physics()
    ghost = KICK.target_point_m(TABLE)
    bearing = degrees(aim_rad(start, (float(ghost[0]), float(ghost[1])), ["left"], speed, TABLE, physics)) + 1.2
    attempt = Try({"cue": start, "red": HANGING}, bearing, speed, wait_s=1.5, watch_s=3.5)
    return render_clip(path, CAMERA, TABLE, [attempt], fps=FPS, physics=physics, sub_exposures=4, crf=14)


def read_kick(path: Path) -> Reading:
    """Read it, or what was made of it, with the true camera."""
    return read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA))


def rewritten(source: Path, goal: Path, turn: Turn | None = None, shift: int = 0) -> Path:
    """The film with every picture turned, or, left as it is, with all times later by ``shift`` of its time units."""
    with av.open(str(source)) as film, av.open(str(goal), "w", format="mp4") as out:
        inwards = film.streams.video[0]
        if turn is None:
            copy = out.add_stream_from_template(inwards)
            for packet in film.demux(inwards):
                if packet.dts is not None:
                    packet.pts, packet.dts = int(packet.pts or 0) + shift, packet.dts + shift
                    packet.stream = copy
                    out.mux(packet)
            return goal
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = inwards.width, inwards.height, "yuv420p"
        stream.options = {"crf": "10", "preset": "ultrafast", "threads": "1"}
        stream.time_base = stream.codec_context.time_base = inwards.time_base
        for picture in film.decode(inwards):
            frame = av.VideoFrame.from_ndarray(turn(picture.to_ndarray(format="bgr24")), format="bgr24")
            frame.pts, frame.time_base = picture.pts, picture.time_base
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return goal


def turn_degrees(a_rad: float, b_rad: float) -> float:
    return degrees(float(np.angle(np.exp(1j * (a_rad - b_rad)))))


def same_but_for_the_film(found: Attempt, before: Attempt) -> None:
    """Encoded anew, the film's noise is another: a tenth of a pixel (half a millimetre) and what follows from it."""
    assert found.t_s == pytest.approx(before.t_s, abs=0.002)
    assert found.start_m == pytest.approx(before.start_m, abs=0.0005)
    assert turn_degrees(found.bearing_rad, before.bearing_rad) == pytest.approx(0, abs=0.1)
    assert found.speed_mps == pytest.approx(before.speed_mps, rel=0.01)
    assert found.miss_m == pytest.approx(before.miss_m, abs=0.003)
    assert found.miss_per_rad_m == pytest.approx(before.miss_per_rad_m, abs=0.003)
    assert found.outcome == before.outcome
