"""Altered films show what their altered truth says: cameras, places, pictures and their times."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.head import place_head
from tests.benchmarks.altered_films import DEFAULT_HEAD, PLAIN, VARIANTS, altered
from tests.known_clips import KnownClip, sample_clip
from tests.vision.films import COUNT, HEIGHT, WIDTH, write_film
from vision.shot import Shot

SHOT = Shot("kick", "kick", ("left",), "pocketed", target_ball=(2.4, 0.1), target_pocket="foot-right")
Luma = NDArray[np.uint8]
Turn = Callable[[Luma], Luma]
FLIPS = {"mirrored": (-1, 1), "turned": (-1, -1), "turned-flag": (-1, -1)}


def truth_of(variant: str) -> tuple[KnownClip, KnownClip]:
    clip = sample_clip()
    change = VARIANTS[variant]
    return clip, replace(clip, truth=change.truth(clip.truth), shot=change.shot(clip.shot, clip.table.width_m))


@pytest.mark.parametrize("variant", VARIANTS)
def test_true_camera_sees_each_ball_where_its_pixels_went(variant: str) -> None:
    clip, changed = truth_of(variant)
    radius = clip.table.ball_radius_m
    for frame in (0, 40, 100):
        before = clip.camera().project(np.array([[*clip.place_m("cue", frame), radius]]))[0]
        after = changed.camera().project(np.array([[*changed.place_m("cue", frame), radius]]))[0]
        size = np.array([clip.camera().width, clip.camera().height])
        flip = np.array(FLIPS.get(variant, (1, 1)))
        wanted = np.where(flip > 0, before, size - 1 - before)
        if variant == "720p":
            wanted = (before + 0.5) * 2 / 3 - 0.5
        assert after == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize("variant", VARIANTS)
def test_head_is_where_the_altered_truth_has_it(variant: str) -> None:
    _, changed = truth_of(variant)
    change = VARIANTS[variant]
    camera, _ = place_head(changed.camera(), changed.table, change.flag_turn_deg, change.head(0))
    assert camera.position_m == pytest.approx(changed.camera().position_m)
    assert np.allclose(camera.rotation, changed.camera().rotation)


def test_default_heads_are_the_programs() -> None:
    clip = sample_clip()
    for rotation, side in DEFAULT_HEAD.items():
        camera = clip.camera()
        assert place_head(camera, clip.table, rotation, None)[1] == side


def test_mirrored_shots_run_the_other_way() -> None:
    clip, changed = truth_of("mirrored")
    for before, after in zip(clip.truth["shots"], changed.truth["shots"], strict=True):
        assert after["rail_ball_line_dir"] == -before["rail_ball_line_dir"]
        assert [c["rail"] for c in after["contacts"] if c["rail"] in changed.shot.rails][:1] == ["right"]
        assert changed.miss_m(after) == pytest.approx(-clip.miss_m(before))
    assert changed.shot.target_pocket == "foot-left"
    again = VARIANTS["mirrored"].truth(changed.truth)
    assert np.allclose(again["camera"]["poses"][0]["R"], clip.truth["camera"]["poses"][0]["R"])


def little_clip(folder: Path) -> KnownClip:
    """A film whose bar goes from left to right, at uneven times, and as much truth as altering it takes."""
    path = folder / "little.mp4"
    pts = write_film(path, pts=[3000 * k + 700 * (k % 3) for k in range(COUNT)])
    camera = {"width": WIDTH, "height": HEIGHT, "fx": 90.0, "fy": 90.0, "cx": 40.0, "cy": 30.0}
    pose = {"from_frame": 0, "R": np.eye(3).tolist(), "position": [1.0, 0.5, 3.0]}
    truth = {"table": {"width": 1.27}, "camera": {**camera, "poses": [pose]}, "pts": [p / 90000 for p in pts]}
    return KnownClip(path, SHOT, {**truth, "frames": {}, "shots": []})


def pictures(path: Path) -> tuple[list[int], list[Luma], int]:
    """Times in units of a 90000th of a second, luma planes, the clockwise turn that is asked for."""
    with av.open(str(path)) as film:
        frames = list(film.decode(video=0))
        times = [round(float(f.pts * f.time_base) * 90000) for f in frames if f.pts is not None and f.time_base]
        return times, [f.to_ndarray(format="gray").astype(np.uint8) for f in frames], -frames[0].rotation % 360


def test_pictures_are_altered_at_their_own_times(tmp_path: Path) -> None:
    clip = little_clip(tmp_path)
    times, plain, _ = pictures(clip.path)
    changes: dict[str, tuple[Turn, int]] = {
        "mirrored": (lambda y: y[:, ::-1], 0),
        "turned": (lambda y: y[::-1, ::-1], 0),
        "turned-flag": (lambda y: y[::-1, ::-1], 180),
        "dimmed": (lambda y: y // 2, 0),
        "dark": (lambda y: y // 10 * 3, 0),
    }
    for variant, (change, turn) in changes.items():
        found_times, found, rotation = pictures(altered(clip, variant, tmp_path).clip.path)
        assert (found_times, rotation) == (times, turn)
        for before, after in zip(plain, found, strict=True):
            off = change(before).astype(float) - after
            # 'gray' stretches 16..235 to 0..255; what is left is what encoding anew costs.
            assert np.abs(off).mean() < 3.0


def test_plain_clip_is_read_as_it_is(tmp_path: Path) -> None:
    clip = little_clip(tmp_path)
    assert altered(clip, PLAIN, tmp_path).clip is clip
