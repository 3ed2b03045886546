"""Stretches that a film leaves out are told, however they came about."""

from pathlib import Path

import pytest

from tests.vision.films import FPS, even_times, packets_of, write_film
from vision.film.clip import Clip, open_clip
from vision.film.gaps import LEAST_GAP_S, Gaps
from vision.rhythm.film_warnings import film_warnings
from vision.rhythm.repeats import Repeats
from vision.rhythm.shown_again import ShownAgain


def read_through(path: Path) -> Clip:
    with open_clip(path) as clip:
        assert len(list(clip.frames())) == clip.frames_read
        return clip


def test_frames_dropped_now_and_then_are_no_gap() -> None:
    assert Gaps().after(1.0, 1.0 + 0.9 * LEAST_GAP_S) == Gaps()
    assert Gaps().told() == ""


def test_the_first_is_told_and_how_long_all_are() -> None:
    gaps = Gaps().after(1.0, 2.5).after(2.5, 2.53).after(4.0, 5.0)
    assert (gaps.count, gaps.first_s) == (2, (1.0, 2.5))
    assert gaps.together_s == pytest.approx(2.5)
    assert "2 stretches, 2.5 s together, the first from 1.0 to 2.5 s" in gaps.told()
    assert "from 1.0 to 2.5 s" in Gaps().after(1.0, 2.5).told()


def test_damage_that_a_container_passes_over_is_told(tmp_path: Path) -> None:
    """A Matroska file goes on at its next cluster: of the frames between none comes, nor is one counted as lost."""
    path = tmp_path / "film.mkv"
    write_film(path, pts=even_times(150), container="matroska", muxing={"cluster_time_limit": "1000"})
    assert read_through(path).gaps == Gaps()
    film = bytearray(path.read_bytes())
    from_byte, _ = packets_of(path)[50]
    until_byte, _ = packets_of(path)[80]
    film[from_byte - 8 : until_byte] = b"\xff" * (until_byte - from_byte + 8)
    path.write_bytes(film)
    clip = read_through(path)
    assert clip.gaps.count == 1
    assert clip.gaps.first_s[0] == pytest.approx(50 / FPS, abs=0.3)
    assert clip.gaps.together_s > 30 / FPS
    assert 0 < clip.frames_lost < 30
    assert clip.complete
    assert not clip.whole


def test_a_camera_that_paused_is_told_and_each_pass_counts_anew(tmp_path: Path) -> None:
    path = tmp_path / "film.mp4"
    write_film(path, pts=[time + (90000 if k >= 12 else 0) for k, time in enumerate(even_times(24))])
    with open_clip(path) as clip:
        for _ in range(2):
            list(clip.frames())
            assert clip.gaps.count == 1
            assert clip.whole
            assert clip.gaps.first_s == pytest.approx((11 / FPS, 12 / FPS + 1))
        assert clip.gaps.told() in film_warnings(clip, Repeats(), ShownAgain())
