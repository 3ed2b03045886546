"""The program's conventions against clips with exact truth, made by a renderer and physics that are not ours.

Needs the folder of such clips in the environment variable RAILPOINT_FOOTAGE; skipped without.
"""

import numpy as np
import pytest

from calibration.sphere import outline_centre_px
from calibration.table import POCKETS
from tests.known_clips import KnownClip, footage_clips

CLIPS = list(footage_clips())
pytestmark = pytest.mark.skipif(not CLIPS, reason="RAILPOINT_FOOTAGE names no folder with clips of known truth")


@pytest.fixture(params=CLIPS, ids=lambda clip: clip.name)
def clip(request: pytest.FixtureRequest) -> KnownClip:
    return request.param


def test_table_measures(clip: KnownClip) -> None:
    truth = clip.truth
    table = clip.table
    assert table.track_offset_m == pytest.approx(truth["table"]["contact_centre_offset"], abs=1e-9)
    for pocket in POCKETS:
        # Their mouths are cut to another width within the specification: half a mouth's tolerance.
        assert table.mouth_m(pocket) == pytest.approx(truth["table"]["pockets_mouth_xy"][pocket], abs=0.002)


def test_camera_puts_balls_where_they_are_seen(clip: KnownClip) -> None:
    truth = clip.truth
    checked = 0
    for ball in truth["frames"].values():
        for frame in range(0, len(ball["x"]), 37):
            if ball["x"][frame] is None or ball["state"][frame] not in "rm":
                continue
            centre = np.array([[ball["x"][frame], ball["y"][frame], ball["z"][frame]]])
            camera = clip.camera(frame)
            pixel = np.array([ball["u"][frame], ball["v"][frame]])
            assert camera.project(centre)[0] == pytest.approx(pixel, abs=0.01)
            assert camera.to_plane(pixel[None], float(centre[0, 2]))[0] == pytest.approx(centre[0, :2], abs=3e-5)
            # The outline's middle lies outwards of the centre's picture, by less than a fifth of a pixel.
            offset = outline_centre_px(camera, centre, truth["table"]["ball_radius"])[0] - pixel
            assert np.hypot(*offset) < 0.2
            checked += 1
    assert checked > 20


def test_target_point(clip: KnownClip) -> None:
    truth, shot = clip.truth, clip.shot
    for attempt in truth["shots"]:
        assert list(shot.rails) == attempt["intended_rails"]
        assert shot.target_pocket == attempt["target_pocket"]
        resting = None
        if shot.kind == "kick":
            frame = int(np.searchsorted(truth["pts"], attempt["t_strike"])) - 1
            waiting = truth["frames"]["obj"]
            resting = np.array([waiting["x"][frame], waiting["y"][frame]])
        target = shot.target_point_m(clip.table, resting)
        # Their mouths differ within the specification, which moves a ghost ball or a mouth's middle by a few mm.
        assert target == pytest.approx(attempt["target_xy"], abs=0.004)


def test_side_of_the_miss(clip: KnownClip) -> None:
    """Ours is positive when the path passes left of the target, theirs when the target lies left of the path."""
    truth, shot = clip.truth, clip.shot
    rails = shot.rails
    for attempt in truth["shots"]:
        met = [c for c in attempt["contacts"] if c["ball"] == attempt["rail_ball"]][: len(rails)]
        if [c["rail"] for c in met] != list(rails):
            continue
        hits = [c for c in attempt["ball_contacts"] if c["a"] == attempt["rail_ball"] and c["t"] > met[-1]["t"]]
        if not hits:
            continue
        # From the last rail to where the balls met: on which side of that line does the target lie?
        ahead = np.subtract(hits[0]["a_xy"], [met[-1]["x"], met[-1]["y"]])
        gap = np.subtract(attempt["target_xy"], hits[0]["a_xy"])
        if abs(attempt["signed_miss_m"]) > 0.003:
            assert np.sign(ahead[0] * gap[1] - ahead[1] * gap[0]) == np.sign(attempt["signed_miss_m"])
