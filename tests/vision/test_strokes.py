"""Strokes told from balls moved by hand; balls named; what dropped where."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.table import Vector
from tests.vision.seen import NOISE_M, REST_SD_M, STRUCK_S, TABLE, motion_of, only_stroke, seen
from vision.contacts.run import follow
from vision.contacts.sent_into_rail import Sent
from vision.dropped import dropped as vanished
from vision.legs import Line, Path
from vision.outlines.outline import BallView
from vision.sightings import Rest, Sighting
from vision.strokes import LEAST_SPEED_MPS, Ball, find_strokes, name_balls
from vision.track import Loss, Track

START = (0.6, 0.4)


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("speed_mps", [0.5, 1.2, 2.2, 4.0])
def test_stroke_is_found_and_timed(speed_mps: float, fps: float) -> None:
    motion = motion_of({"cue": START}, 40.0, speed_mps)
    stroke = only_stroke(seen(motion, fps=fps))
    assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.006)
    assert stroke.launch.speed_mps == pytest.approx(speed_mps, rel=0.05)
    assert stroke.rest.at_m == pytest.approx(START)


def test_two_strokes_in_one_stretch() -> None:
    first = seen(motion_of({"cue": START}, 20.0, 0.7))[0]
    rest = first.rests[-1]
    again = seen(motion_of({"cue": (float(rest.at_m[0]), float(rest.at_m[1]))}, 95.0, 0.8))[0]
    later = 12.0
    joined = Ball(
        "cue",
        (
            first.rests[0],
            replace(rest, last_s=later + again.rests[0].last_s),
            replace(again.rests[1], first_s=later + again.rests[1].first_s, last_s=later + again.rests[1].last_s),
        ),
        (*first.path, *(replace(s, time_s=later + s.time_s) for s in again.path)),
        (),
    )
    strokes, others = find_strokes([joined], TABLE, 24.0)
    assert others == []
    assert [s.launch.time_s for s in strokes] == pytest.approx([STRUCK_S, later + STRUCK_S], abs=0.006)


def test_nudge_is_no_attempt() -> None:
    balls = seen(motion_of({"cue": START}, 40.0, 0.8 * LEAST_SPEED_MPS))
    strokes, others = find_strokes(balls, TABLE, 12.0)
    assert strokes == []
    assert [o.why.split(":")[0] for o in others] == ["the cue ball was nudged"]


def test_the_speed_that_is_told_is_the_one_that_makes_a_nudge(monkeypatch: pytest.MonkeyPatch) -> None:
    """A ball may seem fast at first, where pictures are missing, that all of its way tells to be slow."""
    balls = seen(motion_of({"cue": START}, 40.0, 2.0))
    slow = replace(only_stroke(balls).launch, speed_mps=0.9 * LEAST_SPEED_MPS)
    monkeypatch.setattr("vision.contacts.run.Run.launch", slow)
    strokes, others = find_strokes(balls, TABLE, 12.0)
    assert strokes == []
    assert [o.why for o in others] == ["the cue ball was nudged: slower than 0.3 m/s"]


def test_finger_breadth_is_not_worth_a_word() -> None:
    place = np.array(START)
    path = tuple(Sighting(1 + k / 60, place + [0.0005 * k, 0], NOISE_M, False) for k in range(40))
    ball = Ball("cue", (Rest(place, REST_SD_M, 0, 1, 40), Rest(path[-1].at_m, REST_SD_M, 1.6, 9, 40)), path, ())
    assert find_strokes([ball], TABLE, 12.0) == ([], [])


def test_ball_rolled_by_hand_is_no_attempt() -> None:
    """A hand over the ball as it starts, and no stroke's speed."""
    balls = seen(motion_of({"cue": START}, 40.0, 0.6, follow=1.0), in_crowd_until_s=STRUCK_S + 0.3)
    strokes, others = find_strokes(balls, TABLE, 12.0)
    assert strokes == []
    assert "by hand" in others[0].why


def test_ball_carried_by_hand_is_no_attempt() -> None:
    """It is taken up, out of sight, and appears somewhere else."""
    rest, goal = np.array(START), np.array([1.7, 0.9])
    path = tuple(
        Sighting(2.0 + k / 30, goal + [0.10 - 0.10 * min(k / 15, 1), 0.05 * np.sin(k)], 0.001, True) for k in range(20)
    )
    ball = Ball("cue", (Rest(rest, REST_SD_M, 0, 1, 40), Rest(goal, REST_SD_M, 2.6, 9, 40)), path, ())
    strokes, others = find_strokes([ball], TABLE, 12.0)
    assert strokes == []
    assert [o.why for o in others] == ["the cue ball was moved by hand"]


def test_ball_under_a_hand_all_the_way_is_no_attempt() -> None:
    """It is carried fast and straight from where it lay: as a struck ball goes, but for the hand that goes with it."""
    balls = seen(motion_of({"cue": START}, 40.0, 1.8, follow=1.0), in_crowd_until_s=STRUCK_S + 0.6)
    strokes, others = find_strokes(balls, TABLE, 12.0)
    assert strokes == []
    assert [o.why for o in others] == ["the cue ball was moved by hand"]


@pytest.mark.parametrize("fps", [24.0, 60.0])
def test_stroke_beside_stick_and_hand_is_one(fps: float) -> None:
    only_stroke(seen(motion_of({"cue": START}, 40.0, 1.8), fps=fps, in_crowd_until_s=STRUCK_S + 0.2))


def test_stroke_whose_first_frames_the_stick_hid() -> None:
    balls = seen(motion_of({"cue": START}, 40.0, 2.0))
    cue = balls[0]
    hidden = replace(
        cue,
        rests=(replace(cue.rests[0], last_s=STRUCK_S - 0.1), *cue.rests[1:]),
        path=tuple(s for s in cue.path if s.time_s > STRUCK_S + 0.08),
    )
    stroke = only_stroke([hidden])
    assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.012)
    assert stroke.hidden_s == pytest.approx(0.18, abs=0.02)


@pytest.mark.parametrize("strays", [1, 2])
def test_first_sightings_of_something_far_off_are_left_out(strays: int) -> None:
    """A stick's end across the table was taken for the ball as a hand was drawn off it."""
    (cue,) = seen(motion_of({"cue": START}, 40.0, 2.0))
    far = [replace(s, at_m=np.array(START) + [0.9 * (1 - 2 * (k % 2)), 0.5]) for k, s in enumerate(cue.path[:strays])]
    stroke = only_stroke([replace(cue, path=(*far, *cue.path[strays:]))])
    assert stroke.launch.time_s == pytest.approx(STRUCK_S, abs=0.006)
    assert stroke.launch.speed_mps == pytest.approx(2.0, rel=0.03)


def test_nothing_without_a_cue_ball() -> None:
    balls = [replace(b, name="red") for b in seen(motion_of({"cue": START}, 40.0, 2.0))]
    assert find_strokes(balls, TABLE, 12.0) == ([], [])


def test_all_balls_follow_their_paths() -> None:
    """Straight into the red ball, which goes up the table and comes back off the foot rail."""
    motion = motion_of({"cue": (0.6, 0.6), "red": (1.3, 0.61), "blue": (2.2, 1.0)}, 0.0, 2.0)
    stroke = only_stroke(seen(motion))
    assert set(stroke.resting) == {"red", "blue"}
    assert "blue" not in stroke.others
    assert stroke.others["red"].rail_hits[0].rail == "foot"
    assert stroke.cue.ball_hits[0].balls == ("cue", "red")
    assert stroke.cue.ball_hits[0].t_s == pytest.approx(motion.balls[0].t_s, abs=0.004)


def corner_shot(*, from_pocket_m: float = 0.25, speed_mps: float = 1.5, fps: float = 60.0) -> list[Ball]:
    """The red ball hangs at the foot-right corner; the cue ball sends it in, straight."""
    mouth = TABLE.mouth_m("foot-right")
    red = mouth + from_pocket_m * np.array([-1, 1]) / np.sqrt(2)
    cue = mouth + 0.9 * np.array([-1, 1]) / np.sqrt(2)
    motion = motion_of({"cue": tuple(cue.tolist()), "red": tuple(red.tolist())}, -45.0, speed_mps)  # type: ignore[dict-item]
    assert [(p.ball, p.pocket) for p in motion.pockets][:1] == [("red", "foot-right")]
    return seen(motion, fps=fps)


def test_ball_that_dropped() -> None:
    pocketed = only_stroke(corner_shot()).pocketed
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in pocketed]


@pytest.mark.parametrize("fps", [15.0, 30.0])
@pytest.mark.parametrize("from_pocket_m", [0.05, 0.11, 0.18])
def test_ball_that_dropped_in_few_pictures(from_pocket_m: float, fps: float) -> None:
    """It is seen under way once or twice, or last well before the pocket."""
    pocketed = only_stroke(corner_shot(from_pocket_m=from_pocket_m, speed_mps=2.0, fps=fps)).pocketed
    assert ("red", "foot-right") in [(p.ball, p.pocket) for p in pocketed]


@pytest.mark.parametrize("more_s", [0.0, 0.02, 0.04])
def test_ball_that_seems_to_lie_there_still_just_after_it_was_hit(more_s: float) -> None:
    """The cue ball is where it lay. Three pictures show it on its way, beside the middle of the mouth."""
    hit_s, place = 1.39, np.array([TABLE.length_m - 0.076, 0.073])
    rest = Rest(place, REST_SD_M, 0.0, hit_s + more_s, 40)
    under_way = [(0.076, (0.047, -0.034)), (0.109, (0.064, -0.047)), (0.142, (0.080, -0.058))]
    path = [Sighting(hit_s + t_s, place + by_m, NOISE_M, False) for t_s, by_m in under_way]
    lost = [Loss(path[-1].time_s, False, path[-1].time_s + 1 / 30)]
    sent = Sent(hit_s, Line(place, np.radians(-36.0), 0.02, 1e-3), 0.8)
    found = vanished("red", [rest], path, lost, 0.0, 5.0, TABLE, sent)
    assert found is not None
    assert found.pocket == "foot-right"


@pytest.mark.parametrize("fps", [25.0, 60.0])
@pytest.mark.parametrize(
    ("start_m", "bearing_deg", "pocket"),
    [
        ((2.45, 0.7), 88.0, "foot-left"),
        ((2.0, 0.08), -2.0, "foot-right"),
        ((1.1, 0.8), 66.0, "side-left"),
        ((1.5, 0.6), 245.0, "side-right"),
    ],
)
def test_ball_that_dropped_beside_the_middle_of_the_mouth(
    start_m: tuple[float, float], bearing_deg: float, pocket: str, fps: float
) -> None:
    """Near a jaw, and aslant: it is last seen behind the nose line."""
    motion = motion_of({"cue": start_m}, bearing_deg, 1.6)
    assert [p.pocket for p in motion.pockets] == [pocket]
    dropped = only_stroke(seen(motion, fps=fps)).pocketed
    assert [(p.ball, p.pocket) for p in dropped] == [("cue", pocket)]


def test_ball_that_vanishes_at_a_nose_did_not_drop() -> None:
    """Beside the pocket's jaws, on its way to the rail."""
    motion = motion_of({"cue": (1.9, 0.7)}, 80.0, 1.6)
    (cue,) = seen(motion)
    path = tuple(s for s in cue.path if s.time_s < motion.rails[0].t_s)
    lost = (Loss(path[-1].time_s, False, path[-1].time_s + 1 / 24),)
    assert only_stroke([replace(cue, path=path, lost=lost, rests=cue.rests[:1])]).pocketed == ()


@pytest.mark.parametrize(("speed_mps", "dropped"), [(0.15, False), (0.3, True), (1.0, True)])
def test_ball_taken_up_in_a_pockets_throat_did_not_drop(speed_mps: float, dropped: bool) -> None:
    """At the nose line the bed still carries it: one that crept there could not have come to the lip by then."""
    foot, right = TABLE.length_m - 0.013, 0.0
    path = [
        (1.2 + k / 15, np.array([foot, right]) - (8 - k) / 15 * speed_mps * np.array([0.9, -0.44])) for k in range(9)
    ]
    sightings = tuple(Sighting(t_s, at_m, NOISE_M, False) for t_s, at_m in path)
    lost = (Loss(path[-1][0], False, path[-1][0] + 1 / 15),)
    found = vanished("cue", (), sightings, lost, 0.0, 5.0, TABLE)
    assert (found is not None) == dropped


def on_its_way(to_m: Vector, bearing_deg: float, speed_mps: float, end_s: float) -> list[Sighting]:
    """Five pictures, 30 a second, of a ball that comes to a place (2,) on a line."""
    ahead = np.array([np.cos(np.radians(bearing_deg)), np.sin(np.radians(bearing_deg))])
    return [Sighting(end_s - k / 30, to_m - k / 30 * speed_mps * ahead, NOISE_M, False) for k in range(4, -1, -1)]


def test_ball_that_the_jaws_hide_on_its_way_to_the_lip() -> None:
    """It comes to the mouth aslant at a metre a second; the shadow between the jaws hides it before it drops."""
    mouth = TABLE.mouth_m("foot-left")
    path = on_its_way(mouth - (0.011, 0.017), 30.0, 1.05, 2.0)
    lost = [Loss(2.0, False, 2.0 + 1 / 30)]
    found = vanished("red", (), path, lost, 0.0, 5.0, TABLE)
    assert found is not None
    assert found.pocket == "foot-left"


@pytest.mark.parametrize("by_hand", [False, True])
def test_ball_that_a_hand_put_down_is_out_of_play(by_hand: bool) -> None:
    """What is lost at a pocket later is another ball's hand, or the like."""
    path = on_its_way(TABLE.mouth_m("foot-left"), 45.0, 1.5, 6.0)
    rest = Rest(np.array([1.3, 0.7]), REST_SD_M, 4.0, 5.5, 40)
    lost = [Loss(3.0, by_hand, 3.03), Loss(6.0, False, 6.03)]
    found = vanished("cue", [rest], path, lost, 1.0, 9.0, TABLE)
    assert (found is None) == by_hand


def test_ball_that_the_next_picture_should_still_show_was_taken_up() -> None:
    """The red ball rolls on its way to the pocket, and is gone a 60th of a second after it was a foot away from it."""
    mouth = TABLE.mouth_m("foot-right")
    balls = []
    for ball in corner_shot(from_pocket_m=0.6, fps=60.0):
        if ball.name == "red":
            path = tuple(s for s in ball.path if np.hypot(*(s.at_m - mouth)) > 0.3)
            ball = replace(ball, path=path, lost=(Loss(path[-1].time_s, False, path[-1].time_s + 1 / 60),))
        balls.append(ball)
    assert "red" not in [p.ball for p in only_stroke(balls).pocketed]


def test_ball_taken_up_at_the_pocket_did_not_drop() -> None:
    balls = [replace(b, lost=tuple(replace(x, crowded=True) for x in b.lost)) for b in corner_shot()]
    assert only_stroke(balls).pocketed == ()


def test_ball_put_back_after_it_dropped_is_no_part_of_its_path() -> None:
    """Two seconds after it dropped, a hand puts it on its place again."""
    balls = []
    for ball in corner_shot():
        if ball.name == "red":
            late = ball.lost[0].time_s + 2.0
            again = tuple(Sighting(late + k / 60, ball.rests[0].at_m, NOISE_M, True) for k in range(20))
            rest = Rest(ball.rests[0].at_m, REST_SD_M, late, late + 3, 40)
            ball = replace(ball, path=(*ball.path, *again), rests=(*ball.rests, rest))
        balls.append(ball)
    run = only_stroke(balls).others["red"]
    dropped = next(b for b in corner_shot() if b.name == "red").lost[0].time_s
    assert max(float(leg.t[-1]) for leg in run.legs) <= dropped


# --- names ---

WHITE, RED, BLUE = np.array([200.0, 126, 130]), np.array([80.0, 110, 200]), np.array([70.0, 170, 110])


def track(ident: int, colour: np.ndarray, first_s: float, last_s: float, at: tuple[float, float] = START) -> Track:
    view = BallView(np.array(at), 0.0003, np.zeros(2), colour, 1.0)
    rest = Rest(np.array(at), REST_SD_M, first_s, last_s, 40)
    return Track(ident, colour, view, last_s, rests=[rest], resting=True, frames=int(60 * (last_s - first_s)) + 1)


def test_balls_are_named_by_colour() -> None:
    tracks = [track(0, RED, 0, 5), track(1, WHITE, 0, 5), track(2, BLUE, 0, 5), track(3, RED, 0, 4, (1.0, 1.0))]
    assert sorted(b.name for b in name_balls(tracks)) == ["blue", "cue", "red", "red-2"]


def test_two_tracks_of_one_ball_are_one() -> None:
    """Lost under a hand, found again elsewhere."""
    balls = name_balls([track(0, WHITE, 0, 2), track(1, WHITE, 3, 5, (1.5, 0.8))])
    assert [b.name for b in balls] == ["cue"]
    assert [r.first_s for r in balls[0].rests] == [0, 3]


@pytest.mark.parametrize("lay_s", [0.2, 0.28])
def test_knuckle_that_is_held_still_while_the_cue_ball_rolls_is_none_of_its_places(lay_s: float) -> None:
    """A hand beside the table is as light as the cue ball for a moment."""
    cue = seen(motion_of({"cue": START}, 40.0, 2.0), fps=30.0, until_s=4.0)[0]
    rolls = replace(track(0, WHITE, 0, 9), rests=list(cue.rests), path=list(cue.path), resting=False)
    hand = track(1, WHITE - [10, 0, 0], STRUCK_S + 0.4, STRUCK_S + 0.4 + lay_s, (0.5, 1.0))
    (named,) = name_balls([hand, rolls])
    assert [tuple(r.at_m) for r in named.rests] == [START]
    # One that lies still itself then was put down by that hand.
    lies = replace(rolls, path=[], rests=[*cue.rests, Rest(np.array((1.5, 0.8)), REST_SD_M, 3.0, 9.0, 40)])
    assert len(name_balls([hand, lies])[0].rests) == 3


def test_two_white_balls_make_one_cue_ball() -> None:
    balls = name_balls([track(0, WHITE, 0, 9), track(1, WHITE - [10, 0, 0], 0, 5, (1.5, 0.8))])
    assert [b.name for b in balls] == ["cue", "light-2"]


def test_no_white_ball_is_no_cue_ball() -> None:
    assert [b.name for b in name_balls([track(0, RED, 0, 5)])] == ["red"]
    assert name_balls([]) == []


def test_ball_that_is_met_is_told_from_one_that_the_path_passes_closer_to_a_frame_before() -> None:
    """At a few frames a second the last sighting before a hit may lie nearer to a bystander."""
    motion = motion_of({"cue": (0.6, 0.6), "red": (1.2, 0.6), "blue": (1.1, 0.67)}, 0.0, 2.9)
    assert motion.balls[0].balls == ("cue", "red")
    cue = seen(motion, fps=120.0, until_s=1.5)[0]
    places = {name: np.array(place) for name, place in motion.starts_m.items() if name != "cue"}
    for phase in range(5):
        path = Path.of(cue.path[phase::5])
        hits = follow("cue", path, places, TABLE, {"red": motion.balls[0].t_s, "blue": 12.0}).ball_hits
        assert [hit.balls for hit in hits] == [("cue", "red")]


def test_ball_that_drops_at_once_after_it_was_hit_was_hit() -> None:
    """Two sightings on its way into the side pocket are enough."""
    motion = motion_of({"cue": (1.27, 0.7), "red": (1.27, 0.16)}, -90.0, 3.0)
    balls = seen(motion, fps=30.0)
    assert 1 <= len(next(b for b in balls if b.name == "red").path) <= 2
    stroke = only_stroke(balls)
    assert stroke.cue.ball_hits[0].balls == ("cue", "red")
    assert [p.pocket for p in stroke.pocketed if p.ball == "red"] == ["side-right"]
    assert "red" in stroke.others
