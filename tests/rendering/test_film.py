"""The clips: times, truth against physics as published, and the balls where the truth says."""

import av
import numpy as np
import pytest

from calibration.table import STANDARD_TABLES
from tests.rendering import IDEAL, STRAIGHT, Ball, Look, Physics, Try, aim_rad, overhead_camera, render_clip, simulate
from tests.rendering.motion import Leg, heading_rad

NINE = STANDARD_TABLES["9ft"]
MOUTH = (float(NINE.mouth_m("foot-right")[0]), float(NINE.mouth_m("foot-right")[1]))


def test_sliding_then_rolling_as_in_the_textbook() -> None:
    """v0 = 2 m/s, mu 0.2: rolls at 5/7 v0 after 0.29125 s and 0.49928 m; at 0.01 stops 10.4017 m and 14.562 s on.

    Recomputed from Coriolis' closed forms with g = 9.81 m/s^2.
    """
    leg = Leg("cue", 0.0, np.zeros(2), np.array([2.0, 0.0]), np.zeros(2), Physics())
    assert leg.speed_at(0.29125) == pytest.approx(1.42857, abs=2e-5)
    assert leg.where(0.29125)[0] == pytest.approx(0.49928, abs=1e-5)
    assert leg.stop_s == pytest.approx(0.29125 + 14.562, abs=1e-3)
    assert leg.where(100.0)[0] == pytest.approx(0.49928 + 10.4017, abs=2e-4)
    for distance in (0.1, 0.499, 0.5, 5.0):
        assert leg.where(leg.crossing_s(0, distance, 1))[0] == pytest.approx(distance, abs=1e-9)
    assert leg.crossing_s(0, 11.0, 1) == float("inf")
    assert leg.crossing_s(0, 0.5, -1) == float("inf")


@pytest.mark.parametrize(("restitution", "apart_deg"), [(1.0, 90.0), (0.98, 89.01), (0.95, 87.52), (0.92, 86.04)])
def test_balls_part_as_published(restitution: float, apart_deg: float) -> None:
    """Half-ball hit, cut angle 30 degrees (D. G. Alciatore, the 90-degree rule; angles from its formulas)."""
    red = (1.5, 0.6)
    ghost = np.array(red) - 2 * NINE.ball_radius_m * np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    start = (float(ghost[0]) - 0.5, float(ghost[1]))
    motion = simulate({"cue": start, "red": red}, "cue", 0.0, 2.0, NINE, Physics(ball_restitution=restitution))
    when = motion.balls[0].t_s
    legs = {leg.ball: leg for leg in motion.legs if leg.t_s == when}
    assert motion.balls[0].at_m[0] == pytest.approx(ghost, abs=1e-6)
    assert np.degrees(heading_rad(legs["red"].velocity)) == pytest.approx(30, abs=0.01)
    apart = np.degrees(heading_rad(legs["red"].velocity) - heading_rad(legs["cue"].velocity))
    assert apart == pytest.approx(apart_deg, abs=0.02)


@pytest.mark.parametrize(("cut_deg", "deflection_deg"), [(48.59, 27.27), (30.0, 33.67), (14.48, 27.63)])
def test_a_rolling_cue_ball_follows_the_thirty_degree_rule(cut_deg: float, deflection_deg: float) -> None:
    """Quarter-, half- and three-quarter-ball hits with natural roll (D. G. Alciatore, the 30-degree rule)."""
    red, cut = (1.5, 0.6), np.radians(cut_deg)
    ghost = np.array(red) - 2 * NINE.ball_radius_m * np.array([np.cos(cut), np.sin(cut)])
    start = (float(ghost[0]) - 0.5, float(ghost[1]))
    motion = simulate({"cue": start, "red": red}, "cue", 0.0, 2.0, NINE, Physics(ball_restitution=1.0), follow=1.0)
    leg = next(leg for leg in motion.legs if leg.ball == "cue" and leg.t_s == motion.balls[0].t_s)
    assert abs(np.degrees(heading_rad(leg.settled))) == pytest.approx(deflection_deg, abs=0.02)


def test_a_rolling_ball_off_a_rail_agrees_with_the_published_model() -> None:
    """Mathavan, Jackson and Parkin's cushion (Proc. IMechE C 224(9), 2010; equations from memory, integrated anew).

    A rolling ball at 45 degrees to the rail leaves with .954 and .727 of its speeds towards and along the rail, and
    rolls again at 39.9 degrees with .670 of its speed.
    """
    physics = Physics(rail_restitution=0.954, rail_tangential=0.727, roll=1e-9)
    start = (0.6, float(NINE.track_coordinate("left")[1] - 0.3))
    motion = simulate({"cue": start}, "cue", np.pi / 4, 2.0, NINE, physics, follow=1.0)
    hit = motion.rails[0]
    leg = motion.leg_at("cue", hit.t_s)
    assert leg is not None
    assert -np.degrees(hit.bearing_settled_rad) == pytest.approx(39.9, abs=1.0)
    assert np.hypot(*leg.settled) / 2.0 == pytest.approx(0.670, abs=0.01)


def test_straight_legs_on_demand() -> None:
    hit = simulate({"cue": (0.3, 0.4)}, "cue", 1.0, 3.0, NINE, STRAIGHT).rails[0]
    assert hit.bearing_settled_rad == pytest.approx(hit.bearing_out_rad)
    bent = simulate({"cue": (0.3, 0.4)}, "cue", 1.0, 3.0, NINE, Physics(), follow=1.0).rails[0]
    assert abs(bent.bearing_settled_rad) < abs(bent.bearing_out_rad) - np.radians(5)


def test_a_lone_ball_drops_where_it_is_aimed() -> None:
    bearing = aim_rad((1.0, 0.5), MOUTH, ["left"], 3.0, NINE, Physics())
    motion = simulate({"cue": (1.0, 0.5)}, "cue", bearing, 3.0, NINE, Physics())
    assert [c.rail for c in motion.rails] == ["left"]
    assert [p.pocket for p in motion.pockets] == ["foot-right"]
    assert motion.where("cue", motion.pockets[0].t_s + 0.1) is None


def test_nothing_leaves_the_table() -> None:
    random = np.random.default_rng(5)
    for _ in range(30):
        starts = {"cue": (0.5, 0.4), "red": (1.8, 0.7), "blue": (2.2, 0.3)}
        motion = simulate(starts, "cue", random.uniform(0, 2 * np.pi), random.uniform(1, 6), NINE, Physics())
        for t in np.arange(0, 12, 0.05):
            places = {name: motion.where(name, t) for name in starts}
            free = [p for p in places.values() if p is not None]
            falling = [p for p in free if not (0.027 < p[0] < 2.513 and 0.027 < p[1] < 1.243)]
            for place in falling:
                mouths = [np.hypot(*(NINE.mouth_m(leg) - place)) for leg in ("foot-left", "foot-right", "head-left")]
                mouths += [np.hypot(*(NINE.mouth_m(p) - place)) for p in ("head-right", "side-left", "side-right")]
                assert min(mouths) < 0.12
            for i, a in enumerate(free):
                for b in free[i + 1 :]:
                    assert np.hypot(*(a - b)) > 2 * NINE.ball_radius_m - 1e-4


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    """Two short tries at a varying frame rate: made, then a bearing a degree too far to the left."""
    path = tmp_path_factory.mktemp("clip") / "two.mp4"
    start, red = (0.9, 0.3), (2.464, 0.075)
    ghost = np.array(red) + 2 * NINE.ball_radius_m * (np.array(red) - MOUTH) / np.hypot(*(np.array(red) - MOUTH))
    needed = float(np.degrees(aim_rad(start, (ghost[0], ghost[1]), ["left"], 3.0, NINE, Physics())))
    tries = [
        Try({"cue": start, "red": red}, needed, 3.0, wait_s=0.5, watch_s=2.6),
        Try({"cue": (1.0, 0.3), "red": red}, needed + 1.0, 3.0, wait_s=0.5, watch_s=1.0),
    ]
    steps = np.random.default_rng(1).uniform(0.025, 0.045, 1000)
    pts = np.concatenate([[0.0], np.cumsum(steps)])
    pts = pts[pts < 0.5 + 2.6 + 2 * 1.6 + 1.5]
    camera = overhead_camera(NINE, size=(480, 270))
    truth = render_clip(path, camera, NINE, tries, look=Look(noise_sd=1.0), pts_s=pts, physics=Physics(), seed=3)
    with av.open(str(path)) as container:
        frames = [(float(f.pts * f.time_base), f.to_ndarray(format="bgr24")) for f in container.decode(video=0)]
    return camera, truth, frames, ghost


def test_times_are_kept(clip) -> None:  # type: ignore[no-untyped-def]
    _, truth, frames, _ = clip
    assert len(frames) == len(truth.pts_s)
    assert [t for t, _ in frames] == pytest.approx(truth.pts_s, abs=1e-5)


def test_the_truth_of_a_made_shot(clip) -> None:  # type: ignore[no-untyped-def]
    _, truth, _, ghost = clip
    made = truth.tries[0]
    assert made.t_s == 0.5
    assert made.miss_m("cue", ["left"], ghost) == pytest.approx(0, abs=1e-6)
    assert [p.ball for p in made.pocketed][:1] == ["red"]
    assert np.isnan(made.miss_m("cue", ["right"], ghost))


def test_balls_are_seen_where_the_truth_says(clip) -> None:  # type: ignore[no-untyped-def]
    """The white ball's brightness-weighted middle stays within a pixel of the truth, at rest and on the move."""
    camera, truth, frames, _ = clip
    quiet = np.median([f for _, f in frames[:12]], axis=0)
    checked = 0
    for (t, frame), place in zip(frames, truth.positions_m["cue"], strict=True):
        # Before the stick comes, and between stick and rail.
        if not 0.75 < t < 1.0 or np.isnan(place).any():
            continue
        seen = camera.project(np.array([[*place, NINE.ball_radius_m]]))[0]
        u, v = np.rint(seen).astype(int)
        window = np.s_[v - 9 : v + 10, u - 9 : u + 10]
        bright = np.maximum((frame[window].astype(float) - quiet[window]).min(axis=2) - 20, 0)
        rows, columns = np.mgrid[window]
        middle = [(bright * columns).sum() / bright.sum(), (bright * rows).sum() / bright.sum()]
        assert middle == pytest.approx(list(seen), abs=1.0)
        checked += 1
    assert checked >= 4


def test_carried_balls_are_not_free(clip) -> None:  # type: ignore[no-untyped-def]
    _, truth, _, _ = clip
    held = np.isnan(truth.positions_m["cue"]).any(axis=1)
    assert held.any()
    # Dropped or in a hand: neither before the balls have met.
    assert truth.pts_s[held].min() > truth.tries[0].ball_contacts[0].t_s
    after = truth.pts_s > truth.tries[1].t_s - 0.3
    assert truth.positions_m["cue"][after][0] == pytest.approx([1.0, 0.3])


def test_ideal_cushions_keep_the_speed() -> None:
    motion = simulate({"cue": (0.5, 0.5)}, "cue", 1.0, 3.0, NINE, IDEAL)
    assert motion.rails[0].speed_out_mps == pytest.approx(motion.rails[0].speed_in_mps)


def test_a_ball_knows_its_height() -> None:
    assert Ball(1.0, 0.5).centre_m(NINE)[2] == NINE.ball_radius_m
