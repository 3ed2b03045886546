"""Where colour samples stand, told from pictures that have them in the middle, on the left, and on the upper left."""

from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.films import TIME_BASE
from vision.film.clip import Frame, open_clip
from vision.film.planes import Planes
from vision.film.siting import colour_place

SIZE = (640, 480)
PLACES = [(0.5, 0.5), (0.0, 0.5), (0.0, 0.0)]


def scene(seed: int = 1) -> NDArray[np.float32]:
    """Y, U, V at full size, (3, h, w): discs of many colours on a cloth, a little out of focus."""
    rng = np.random.default_rng(seed)
    width, height = SIZE
    picture = np.empty((height, width, 3), np.uint8)
    picture[:] = (110, 100, 60)
    for _ in range(90):
        at = (int(rng.integers(width)), int(rng.integers(height)))
        cv2.circle(
            picture, at, int(rng.integers(8, 18)), tuple(int(c) for c in rng.integers(20, 235, 3)), -1, cv2.LINE_AA
        )
    yuv = av.VideoFrame.from_ndarray(cv2.GaussianBlur(picture, (0, 0), 1.0), format="bgr24").reformat(format="yuv444p")
    return np.asarray(yuv.to_ndarray(), np.float32)


def sampled(yuv: NDArray[np.float32], place: tuple[float, float], noise: float = 0.0) -> Planes:
    """Planes of 4:2:0 film: each colour sample the mean of what is round its place."""
    rng = np.random.default_rng(2)
    middle, side = np.array([0, 0.5, 0.5]), np.array([0.25, 0.5, 0.25])
    across, down = (side + (middle - side) * at / 0.5 for at in place)
    planes = [yuv[0], *(cv2.sepFilter2D(plane, -1, across, down)[::2, ::2] for plane in yuv[1:])]
    y, u, v = (np.clip(np.rint(p + rng.normal(0, noise, p.shape)), 0, 255).astype(np.uint8) for p in planes)
    return y, u, v


@pytest.mark.parametrize("noise", [0.0, 2.0])
@pytest.mark.parametrize("place", PLACES)
def test_place_is_told(place: tuple[float, float], noise: float) -> None:
    yuv = scene()
    assert colour_place([sampled(yuv, place, noise)]) == place
    # A picture lying on its side has its samples where that puts them.
    y, u, v = (np.ascontiguousarray(plane.T) for plane in sampled(yuv, place, noise))
    assert colour_place([(y, u, v)]) == place[::-1]


@pytest.mark.parametrize(("stands", "told"), [(0.28, 0.5), (0.2, 0.0)])
def test_place_is_the_nearer_one(stands: float, told: float) -> None:
    """A coded film may shift what is seen by a fifth of a pixel: that is no reason to move all colours by a half."""
    assert colour_place([sampled(scene(), (stands, 0.5))]) == (told, 0.5)
    assert colour_place([sampled(scene(), (0.5, stands))]) == (0.5, told)


def test_picture_without_colour_tells_nothing() -> None:
    yuv = scene()
    yuv[1:] = 128
    assert colour_place([sampled(yuv, (0.0, 0.0), 1.0)]) == (0.5, 0.5)
    assert colour_place([]) == (0.5, 0.5)


def test_small_picture_tells_nothing() -> None:
    y, u, v = sampled(scene(), (0.0, 0.5))
    assert colour_place([(y[:16, :16], u[:8, :8], v[:8, :8])]) == (0.5, 0.5)


@pytest.mark.parametrize("glanced", [False, True])
@pytest.mark.parametrize("place", PLACES)
def test_film_knows_its_place(place: tuple[float, float], glanced: bool, tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    planes = sampled(scene(), place)
    with av.open(str(path), "w") as film:
        stream = film.add_stream("libx264", rate=30)
        stream.width, stream.height = SIZE
        stream.pix_fmt = "yuv420p"
        stream.gop_size = 1
        stream.options = {"crf": "18", "preset": "ultrafast", "threads": "1"}
        flat = np.concatenate([plane.ravel() for plane in planes]).reshape(SIZE[1] * 3 // 2, SIZE[0])
        for k in range(4):
            frame = av.VideoFrame.from_ndarray(flat, format="yuv420p")
            frame.pts, frame.time_base = round(k / 30 / TIME_BASE), TIME_BASE
            film.mux(stream.encode(frame))
        film.mux(stream.encode())
    with open_clip(path) as clip:
        if glanced:
            assert len([g.pts for g in clip.glances(1 / 30)]) == 4
            assert {s.colour_at_px for s in clip.stills(4)} == {place}
        assert clip.colour_at_px == place
        assert next(clip.frames()).colour_at_px == place


@pytest.mark.parametrize("place", PLACES[1:])
def test_colours_of_the_picture_are_moved_to_their_place(place: tuple[float, float]) -> None:
    """As BGR, film with samples on the side looks like film with samples in the middle."""
    yuv = scene()

    def shown(planes: Planes, said: tuple[float, float]) -> NDArray[np.int_]:
        return Frame(0, TIME_BASE, *planes, colour_at_px=said).bgr().astype(int)

    wanted = shown(sampled(yuv, (0.5, 0.5)), (0.5, 0.5))
    sided = sampled(yuv, place)
    right, wrong = (np.abs(shown(sided, said) - wanted).mean() for said in (place, (0.5, 0.5)))
    assert right < 0.75 * wrong
