"""Rolling shutter: films whose rows were seen one after the other, read with the read-out time given and without."""

from dataclasses import dataclass, field, replace
from math import degrees
from pathlib import Path

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.camera import Camera, Setup
from tests.rendering import Physics, Try, TryTruth, overhead_camera, render_clip
from tests.vision.films import turned
from tests.vision.one_kick import HANGING, KICK, TABLE
from vision.read import read_clip
from vision.reading import Attempt
from vision.rhythm.readout import timed_by_rows
from vision.sightings import Rest, Sighting
from vision.strokes import Ball
from vision.track import Loss

READOUT_S = 0.02
ABOVE = overhead_camera(TABLE, size=(640, 360))
PLANE = BallPlane(ABOVE, TABLE.ball_radius_m)


def quarter_turned(camera: Camera) -> Camera:
    """The camera that stores the same picture turned to the right by a quarter."""
    cx, cy = camera.centre_px
    return replace(
        camera,
        width=camera.height,
        height=camera.width,
        centre_px=(camera.height - 1 - cy, cx),
        rotation=np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]) @ camera.rotation,
    )


@dataclass(frozen=True)
class Case:
    """A film with its truth, and what its rows do to times and speed when nothing is corrected."""

    path: Path
    setup: Setup
    true: TryTruth
    attempts: dict[float | None, Attempt] = field(default_factory=dict)

    def read(self, readout_s: float | None) -> Attempt:
        if readout_s not in self.attempts:
            (self.attempts[readout_s],) = read_clip(self.path, KICK, setup=self.setup, readout_s=readout_s).attempts
        return self.attempts[readout_s]

    def later_s(self, at_m: np.ndarray) -> float:
        """How much later than the first row a ball is seen at a place."""
        v = BallPlane(self.setup.camera, TABLE.ball_radius_m).pixel(at_m)[1]
        return float(READOUT_S * v / (self.setup.camera.height - 1))

    @property
    def speed_share(self) -> float:
        """By what share of itself the time from one sighting to the next is longer than from one frame to the next."""
        way = np.array([np.cos(self.true.bearing_rad), np.sin(self.true.bearing_rad)])
        start = self.true.cue_start_m
        return self.true.speed_mps * (self.later_s(start + 0.05 * way) - self.later_s(start)) / 0.05


@pytest.fixture(scope="module", params=["as filmed", "by a phone held upright"])
def case(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Case:
    path = tmp_path_factory.mktemp("films") / "rows.mp4"
    upright = request.param == "as filmed"
    camera, bearing = (ABOVE, 55.0) if upright else (quarter_turned(ABOVE), 25.0)
    attempt = Try({"cue": (0.9, 0.3), "red": HANGING}, bearing, 2.2, wait_s=0.9, watch_s=1.2)
    truth = render_clip(
        path, camera, TABLE, [attempt], fps=30, readout_s=READOUT_S, physics=Physics(), sub_exposures=4, crf=14
    )
    if not upright:
        path.write_bytes(turned(path.read_bytes(), 90))
    return Case(path, Setup(TABLE, "left" if upright else "top", camera), truth.tries[0])


def test_without_the_read_out_time_speed_and_times_are_off(case: Case) -> None:
    found, true = case.read(None), case.true
    assert abs(case.speed_share) > 0.01
    assert found.speed_mps == pytest.approx(true.speed_mps / (1 - case.speed_share), rel=0.005)
    assert true.t_s - found.t_s == pytest.approx(case.later_s(true.cue_start_m), abs=0.002)
    hit = true.contacts[0]
    assert hit.t_s - found.contacts[0].t_s == pytest.approx(case.later_s(hit.at_m), abs=0.002)


def test_with_the_read_out_time_speed_and_times_are_right(case: Case) -> None:
    found, true = case.read(READOUT_S), case.true
    assert found.speed_mps == pytest.approx(true.speed_mps, rel=0.004)
    assert found.t_s == pytest.approx(true.t_s, abs=0.001)
    assert found.contacts[0].t_s == pytest.approx(true.contacts[0].t_s, abs=0.0015)


def test_the_path_stays_where_it_is(case: Case) -> None:
    with_it, without = case.read(READOUT_S), case.read(None)
    assert with_it.start_m == pytest.approx(without.start_m, abs=1e-9)
    assert degrees(with_it.bearing_rad - without.bearing_rad) == pytest.approx(0, abs=0.01)
    assert with_it.contacts[0].at_m == pytest.approx(without.contacts[0].at_m, abs=0.0005)
    assert degrees(with_it.bearing_rad - case.true.bearing_rad) == pytest.approx(0, abs=0.25)


def test_a_camera_file_keeps_the_read_out_time(case: Case, tmp_path: Path) -> None:
    replace(case.setup, readout_s=READOUT_S).save(tmp_path / "camera.json")
    saved = Setup.load(tmp_path / "camera.json")
    kept = read_clip(case.path, KICK, setup=saved)
    assert kept.attempts[0].speed_mps == case.read(READOUT_S).speed_mps
    assert kept.to_json()["camera"]["readout_ms"] == 20.0
    # What is said now counts before what was said then.
    assert read_clip(case.path, KICK, setup=saved, readout_s=0.0).attempts[0].speed_mps == case.read(None).speed_mps


def test_every_time_of_a_ball_goes_by_its_own_row() -> None:
    top, bottom = np.array([1.2, 1.2]), np.array([1.3, 0.1])
    ball = Ball(
        "cue",
        (Rest(top, 0.001, 0.0, 1.0, 9),),
        (Sighting(1.1, top, 0.001, False), Sighting(1.2, bottom, 0.001, False)),
        (Loss(1.2, crowded=False, missed_s=1.3), Loss(1.0, crowded=False)),
    )
    (later,) = timed_by_rows([ball], PLANE, READOUT_S)
    shares = [PLANE.pixel(place)[1] / 359 for place in (top, bottom)]
    assert shares[0] < 0.25
    assert shares[1] > 0.75
    high, low = READOUT_S * np.array(shares)
    assert (later.rests[0].first_s, later.rests[0].last_s) == pytest.approx((high, 1.0 + high))
    assert [s.time_s for s in later.path] == pytest.approx([1.1 + high, 1.2 + low])
    # A ball is lost when it was seen last, to the last digit.
    assert later.lost[0].time_s == later.path[1].time_s
    assert later.lost[0].missed_s == pytest.approx(1.3 + low)
    assert later.lost[1].time_s == later.rests[0].last_s
    assert np.isnan(later.lost[1].missed_s)
    assert timed_by_rows([ball], PLANE, 0.0) == [ball]
