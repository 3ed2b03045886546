"""What happened between attempts is told once each, in words, and never of an attempt."""

from collections.abc import Callable
from dataclasses import dataclass
from math import radians
from pathlib import Path

import numpy as np
import pytest

from calibration.camera import Setup
from calibration.table import STANDARD_TABLES
from tests.known_clips import KnownClip, footage_clips
from tests.rendering import Physics, overhead_camera, simulate
from tests.rendering.script import Place, Script, render_script
from vision.no_attempt.disturbances import RAKED, SET_UP, SEVERAL_MOVED
from vision.no_attempt.visits import ADDRESSED, NO_BALL_MOVED
from vision.read import read_clip
from vision.reading import Reading
from vision.shot import Shot

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(640, 360))
KICK = Shot("kick", "kick", ("left",), "pocketed", target_pocket="foot-right")
# A cue ball by itself, and three balls close to each other.
CUE_M = (0.7, 0.45)
STARTS: dict[str, Place] = {"cue": CUE_M, "red": (1.8, 0.8), "yellow": (1.87, 0.86), "blue": (1.75, 0.9)}
BEGINS_S = 3.0
Action = Callable[[Script], None]


def filmed(path: Path, action: Action, fps: float, until_s: float, **starts_m: Place) -> Reading:
    script = Script(TABLE, STARTS | starts_m)
    action(script)
    render_script(path, CAMERA, script, until_s=until_s, fps=fps)
    return read_clip(path, KICK, setup=Setup(TABLE, "left", CAMERA))


def strike(script: Script, at_s: float, bearing_deg: float, speed_mps: float = 1.6) -> None:
    """The cue ball is struck; it meets none of the other balls."""
    place = script.where("cue", at_s)
    assert place is not None
    start = {"cue": (float(place[0]), float(place[1]))}
    motion = simulate(start, "cue", radians(bearing_deg), speed_mps, TABLE, Physics(), follow=0.0, t_s=at_s)
    script.struck(motion, at_s, bearing_deg)


@dataclass(frozen=True)
class Scene:
    """Something that is no attempt, and what is to be told of it."""

    name: str
    does: Action
    why: str
    fps: float
    lasts_s: float = 8.0
    red_m: Place = STARTS["red"]
    cue_m: Place = CUE_M


def _swap(script: Script) -> None:
    script.carried("cue", BEGINS_S, (1.1, 0.3), 0.7)
    script.carried("red", BEGINS_S + 1.2, CUE_M, 0.8)
    script.carried("cue", BEGINS_S + 2.5, STARTS["red"], 0.7)


RACK = ("red", "yellow", "blue")
APART: Place = (1.3, 0.4)
SCENES = [
    Scene("arm rakes three", lambda s: s.swept(RACK, BEGINS_S, (-0.5, 0.0)), RAKED, 24.0),
    Scene("stick rakes three", lambda s: s.swept(RACK, BEGINS_S, (-0.5, 0.0), drawn="stick"), RAKED, 60.0),
    Scene("arm rakes all", lambda s: s.swept(("cue", *RACK), BEGINS_S, (0.4, 0.0)), RAKED, 60.0, cue_m=(1.6, 0.75)),
    Scene("arm rakes two", lambda s: s.swept(("red", "yellow"), BEGINS_S, (-0.5, 0.0)), SEVERAL_MOVED, 30.0),
    Scene("arm pushes one", lambda s: s.swept(("cue",), BEGINS_S, (0.5, 0.1)), "the cue ball was moved by hand", 24.0),
    Scene(
        "sleeve nudges one",
        lambda s: s.brushed("red", BEGINS_S, 20.0, 0.2),
        "the red ball was nudged: slower than 0.3 m/s",
        30.0,
        red_m=APART,
    ),
    Scene(
        "sleeve takes the cue ball along",
        lambda s: s.brushed("cue", BEGINS_S, 20.0, 0.4),
        "the cue ball was rolled by hand",
        60.0,
        11.0,
    ),
    Scene(
        "red rolled",
        lambda s: s.rolled("red", BEGINS_S, 170.0, 0.35),
        "the red ball was rolled by hand",
        60.0,
        10.0,
        red_m=APART,
    ),
    Scene(
        "cue ball rolled", lambda s: s.rolled("cue", BEGINS_S, 10.0, 0.45), "the cue ball was rolled by hand", 24.0, 11
    ),
    Scene(
        "red poked",
        lambda s: s.poked("red", BEGINS_S, 170.0, 0.45),
        "the red ball was knocked away by hand or stick",
        24.0,
        10.0,
        red_m=APART,
    ),
    Scene("practice strokes", lambda s: s.practised("cue", BEGINS_S, 6.0, 20.0), ADDRESSED, 60.0, 9.0),
    Scene("red carried", lambda s: s.carried("red", BEGINS_S, (1.2, 0.3)), "the red ball was moved by hand", 60.0),
    Scene("red taken", lambda s: s.carried("red", BEGINS_S, None), "the red ball was taken off the table", 30.0, 9.0),
    Scene("balls swapped", _swap, SEVERAL_MOVED, 30.0, 9.0),
    Scene("arm over the rack", lambda s: s.leaned(BEGINS_S, 6.0, (1.82, 0.85)), NO_BALL_MOVED, 24.0, 9.0),
    Scene("arm over the cue ball", lambda s: s.leaned(BEGINS_S, 6.0, CUE_M), NO_BALL_MOVED, 30.0, 9.0),
    Scene("arm over the rack for long", lambda s: s.leaned(BEGINS_S, 10.5, (1.82, 0.85)), NO_BALL_MOVED, 30.0, 24.0),
]


@pytest.mark.slow
@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.name)
def test_what_is_no_attempt_is_told_once(scene: Scene, tmp_path: Path) -> None:
    found = filmed(tmp_path / "film.mp4", scene.does, scene.fps, scene.lasts_s, red=scene.red_m, cue=scene.cue_m)
    assert found.attempts == ()
    assert [one.why for one in found.not_attempts] == [scene.why]
    assert found.not_attempts[0].t_s == pytest.approx(BEGINS_S, abs=0.8)


@pytest.mark.slow
def test_balls_set_up_between_two_attempts_are_told_once(tmp_path: Path) -> None:
    def act(script: Script) -> None:
        strike(script, 3.0, 60.0)
        script.carried("cue", 8.0, (0.8, 0.4))
        script.carried("red", 9.2, (2.0, 0.3))
        script.carried("blue", 10.4, (2.2, 0.5))
        strike(script, 14.5, 65.0)

    found = filmed(tmp_path / "film.mp4", act, 30.0, 18.0, red=(2.3, 0.3))
    assert [a.t_s for a in found.attempts] == pytest.approx([3.0, 14.5], abs=0.02)
    assert [one.why for one in found.not_attempts] == [SET_UP]
    assert found.not_attempts[0].t_s == pytest.approx(8.0, abs=0.2)


@pytest.mark.slow
def test_balls_rolled_by_hand_while_they_or_others_roll_are_told(tmp_path: Path) -> None:
    """After a stroke the red ball is sent on its way by hand, then the cue ball that still rolls."""

    def act(script: Script) -> None:
        strike(script, 3.0, 75.0)
        script.rolled("red", 4.5, 180.0, 0.4)
        script.rolled("cue", 6.5, 180.0, 0.5)

    found = filmed(tmp_path / "film.mp4", act, 30.0, 13.0, red=(1.3, 1.0))
    assert [a.t_s for a in found.attempts] == pytest.approx([3.0], abs=0.02)
    assert [one.why for one in found.not_attempts] == [f"the {ball} ball was rolled by hand" for ball in ("red", "cue")]
    assert [one.t_s for one in found.not_attempts] == pytest.approx([4.5, 6.5], abs=0.2)


def _practised(clip: KnownClip) -> list[tuple[float, float]]:
    return [(d["t0"], d["t1"]) for d in clip.truth.get("decoys", ()) if d["type"] == "practice_strokes_only"]


def _done_by_hand(clip: KnownClip) -> list[tuple[float, float]]:
    """From when to when hands held balls, or somebody practised; what lies a moment apart together."""
    pts = np.array(clip.truth["pts"])
    spans: list[tuple[float, float]] = []
    for ball in clip.truth["frames"].values():
        held = pts[[state == "h" for state in ball["state"]]]
        parts = np.split(held, np.flatnonzero(np.diff(held) > 0.5) + 1)
        spans += [(float(part[0]), float(part[-1])) for part in parts if len(part)]
    merged: list[tuple[float, float]] = []
    for begins_s, ends_s in sorted(spans):
        if merged and begins_s < merged[-1][1] + 0.5:
            merged[-1] = (merged[-1][0], max(merged[-1][1], ends_s))
        else:
            merged.append((begins_s, ends_s))
    return sorted([*merged, *_practised(clip)])


def _check(clip: KnownClip, found: Reading) -> None:
    spans = _done_by_hand(clip)
    assert len(found.not_attempts) == len(spans)
    for one, (begins_s, ends_s) in zip(found.not_attempts, spans, strict=True):
        assert begins_s - 0.5 < one.t_s < ends_s + 0.5
    practised = [one.t_s for one in found.not_attempts if one.why == ADDRESSED]
    assert len(practised) == len(_practised(clip))
    assert all(from_s < t_s < to_s for t_s, (from_s, to_s) in zip(practised, _practised(clip), strict=True))
    assert len(found.attempts) == len(clip.truth["shots"])


def test_hands_of_the_sample_clip_are_told_once(sample_reading: Reading, known_sample: KnownClip) -> None:
    _check(known_sample, sample_reading)


@pytest.mark.slow
@pytest.mark.parametrize("clip", [c for c in footage_clips() if c.truth.get("decoys")], ids=lambda clip: clip.name)
def test_hands_of_known_films_are_told_once(clip: KnownClip) -> None:
    _check(clip, read_clip(clip.path, clip.shot))
