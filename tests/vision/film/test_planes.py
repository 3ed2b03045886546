"""Pictures of any format as eight-bit planes; the curve of absolute brightness against published values."""

import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.vision.films import COUNT, HEIGHT, WIDTH, write_film
from tests.vision.films import picture as bar_at
from vision.film.clip import open_clip
from vision.film.containers import HLG, PQ
from vision.film.decoding import Decoder
from vision.film.decoding_process import put_converted
from vision.film.limits import Limits
from vision.film.planes import _from_pq, of_one_moment, planes_in
from vision.film.slots import colour_size, frame_bytes, put


def pq_of_screen(shown: NDArray[np.uint8]) -> NDArray[np.float64]:
    """What a PQ film holds of a scene that looks so on an ordinary screen (SMPTE ST 2084, formula from memory)."""
    light = 203 * (shown / 255 / 0.75) ** 2.4 / 10_000
    power = light ** (2610 / 16384)
    return np.asarray(255 * ((0.8359375 + 18.8515625 * power) / (1 + 18.6875 * power)) ** (2523 / 32))


@pytest.mark.parametrize(("signal", "light_cd_m2"), [(0.508, 100.0), (0.58, 203.0)])
def test_levels_of_the_absolute_curve(signal: float, light_cd_m2: float) -> None:
    """ITU-R BT.2408-7, table 1 and section 2.1: PQ signals of 100 and 203 cd/m2; the latter is reference white.

    Up to white the program's table must be what an ordinary screen (exponent 2.4) shows of that light.
    """
    luma, _ = _from_pq()
    shown = (int(luma[round(64 + 876 * signal)]) - 16) / 219
    assert shown == pytest.approx(0.75 * (light_cd_m2 / 203) ** (1 / 2.4), abs=0.01)


def test_curve_rises_and_ends_at_the_top_of_the_scale() -> None:
    luma, gain = _from_pq()
    assert (np.diff(luma.astype(int)) >= 0).all()
    assert luma[64] == 16
    assert 225 < luma[940] <= 235
    assert (gain >= 0).all()


@pytest.mark.parametrize("size", [(4, 4), (5, 3), (97, 65)])
def test_planes_lie_one_after_another(size: tuple[int, int]) -> None:
    width, height = size
    memory = np.arange(frame_bytes(width, height)).astype(np.uint8)
    y, u, v = planes_in(memory, width, height)
    assert y.shape == (height, width)
    assert u.shape == v.shape == colour_size(width, height)[::-1]
    assert np.array_equal(np.concatenate([y.ravel(), u.ravel(), v.ravel()]), memory)


@pytest.mark.parametrize(("transfer", "word"), [(PQ, "PQ"), (HLG, "HLG"), (1, "")])
def test_high_range_is_said_and_read(transfer: int, word: str, tmp_path: Path) -> None:
    """Film marked so is read, and looks as it should; the reading says what was done."""
    path = tmp_path / "film.mov"
    coded = pq_of_screen if transfer == PQ else None
    write_film(
        path, codec="libx265", pix_fmt="yuv420p10le", container="mov", transfer=transfer, coded=coded, size=(192, 128)
    )
    with open_clip(path) as clip:
        assert len(clip.warnings) == bool(word)
        assert all(word in warning for warning in clip.warnings)
        frame = next(clip.frames())
        shown = frame.bgr().astype(int)
    # A bluish ground, and a yellow bar in the first of a dozen places, brighter than white paper and so dimmed.
    bar, ground = shown[:, 4:12].mean(axis=(0, 1)), shown[:, 40:].mean(axis=(0, 1))
    assert ground == pytest.approx([150, 90, 60], abs=12)
    assert bar == pytest.approx([40, 200, 240], abs=45 if transfer == PQ else 12)
    assert bar[2] > bar[1] > bar[0] + 100


def test_interlaced_film_shows_one_moment_in_each_picture(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, woven=True)
    with open_clip(path) as clip:
        (warning,) = clip.warnings
        assert warning.startswith("the film is interlaced:")
        seen = [frame.y.copy() for frame in clip.frames()]
    assert len(seen) == COUNT
    for k, y in enumerate(seen):
        wanted = av.VideoFrame.from_ndarray(bar_at(k), format="bgr24").reformat(format="yuv420p").to_ndarray()
        assert np.abs(y.astype(int) - wanted[:HEIGHT]).mean() < 3


def test_what_stands_still_keeps_all_its_lines() -> None:
    slope = np.repeat(np.arange(0, 250, 10)[:, None], 5, axis=1).astype(np.uint8)
    assert np.array_equal(of_one_moment(slope), slope)


@pytest.mark.parametrize("height", [1, 2, 3, 6, 7])
def test_lines_of_the_other_moment_stay_within_their_neighbours(height: int) -> None:
    woven = np.random.default_rng(5).integers(0, 256, (height, 4)).astype(np.uint8)
    made = of_one_moment(woven).astype(int)
    for line in range(height):
        if line % 2 == 0:
            wanted = woven[line].astype(int)
        elif line + 1 < height:
            wanted = np.median(woven[line - 1 : line + 2], axis=0).astype(int)
        else:
            wanted = woven[line - 1].astype(int)
        assert np.array_equal(made[line], wanted)


def test_odd_sizes_keep_their_last_line(tmp_path: Path) -> None:
    path = tmp_path / "film.mkv"
    size = (WIDTH + 1, HEIGHT + 1)
    write_film(path, size=size, codec="mjpeg", pix_fmt="yuvj420p", container="matroska")
    with open_clip(path) as clip:
        frame = next(clip.frames())
        assert frame.bgr().shape == (*size[::-1], 3)
        assert frame.y[-1].mean() == pytest.approx(frame.y[-2].mean(), abs=3)


@pytest.mark.parametrize(("size", "ordinary"), [((256, 128), True), ((150, 98), False)])
def test_lines_with_and_without_padding_come_the_same(size: tuple[int, int], ordinary: bool, tmp_path: Path) -> None:
    """A decoder pads lines of odd lengths; either way the slot holds the planes one after another."""
    path = tmp_path / "film.mp4"
    write_film(path, size=size)
    with Decoder(path, Limits()) as film:
        picture = next(film.pictures())
        slot = memoryview(bytearray(frame_bytes(*size)))
        assert put(picture, slot) == ordinary
        if not ordinary:
            put_converted(film, picture, slot)
        seen = film.planes(picture)
        for here, there in zip(planes_in(np.frombuffer(slot, np.uint8), *size), seen, strict=True):
            assert np.array_equal(here, there)


def test_ordinary_film_is_decoded_without_numpy() -> None:
    """Loading it takes as long as all else that starting the decoding process does."""
    loaded = "import sys, vision.film.decoding_process; print('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True).stdout == "False\n"
