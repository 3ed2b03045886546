"""Balls followed from view to view, without a film: what a stick leaves behind, stripes that roll, hands over balls."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.ball_plane import BallPlane
from calibration.table import STANDARD_TABLES, Vector
from tests.rendering import overhead_camera
from vision.outlines.outline import BallView
from vision.reduced import Reduction
from vision.table_view import TableView
from vision.track import Track
from vision.tracks import Tracker

TABLE = STANDARD_TABLES["9ft"]
CAMERA = overhead_camera(TABLE, size=(1280, 720))
WHITE, STICK = np.array([200.0, 124.0, 131.0]), np.array([150.0, 128.0, 111.0])
FRAME_S = 1 / 60
EMPTY = np.zeros((180, 320), np.uint8)
WHOLE = Reduction(4, 0, 0, 1280, 720)


def ball(at_m: tuple[float, float], colour: Vector = WHITE, support: float = 0.95) -> BallView:
    place = np.array(at_m)
    return BallView(place, 0.0002, CAMERA.project(np.array([[*place, TABLE.ball_radius_m]]))[0], colour, support)


def look(time_s: float, *balls: BallView, covered: bool = False) -> TableView:
    everywhere = EMPTY + 255 if covered else EMPTY
    return TableView(time_s, balls, (False,) * len(balls), everywhere.astype(np.uint8), EMPTY, WHOLE)


def resting(*balls: BallView, frames: int = 40) -> tuple[Tracker, float]:
    tracker = Tracker(BallPlane(CAMERA, TABLE.ball_radius_m), TABLE)
    for k in range(frames):
        tracker.update(look(k * FRAME_S, *balls))
    return tracker, (frames - 1) * FRAME_S


def only(tracker: Tracker) -> Track:
    (track,) = [t for t in tracker.tracks if t.frames > 3]
    return track


def test_struck_ball_is_not_taken_for_the_stick_at_its_place() -> None:
    tracker, now = resting(ball((0.9, 0.4)))
    for k in range(1, 8):
        stick = ball((0.896, 0.402), STICK, support=0.44)
        tracker.update(look(now + k * FRAME_S, stick, ball((0.9 + 0.03 * k, 0.4 + 0.02 * k))))
    track = next(t for t in tracker.tracks if t.rests)
    assert track.at_m == pytest.approx([0.9 + 0.21, 0.4 + 0.14])
    assert track.rests[-1].last_s == pytest.approx(now)


@pytest.mark.parametrize("step_m", [0.04, 0.0125])
def test_struck_ball_is_not_taken_for_a_stick_that_was_out_of_sight(step_m: float) -> None:
    """A stick that moved over the table looked like a ball for a moment; it is expected far on when the ball is hit."""
    cue, wood = ball((1.4, 0.8)), np.array([152.0, 107.0, 142.0])
    tracker, now = resting(cue)
    for k in range(1, 9):
        tracker.update(look(now + k * FRAME_S, cue, ball((0.2 + 0.05 * k, 0.9), wood)))
    struck = now + 20 * FRAME_S
    for k in range(9, 20):
        tracker.update(look(now + k * FRAME_S, cue, covered=True))
    for k in range(1, 8):
        tracker.update(look(struck + k * FRAME_S, ball((1.4 + step_m * k, 0.8)), covered=True))
    track = next(t for t in tracker.tracks if t.rests)
    assert track.at_m == pytest.approx([1.4 + 7 * step_m, 0.8])
    assert track.colour == pytest.approx(WHITE, abs=5)


def test_struck_ball_is_not_taken_for_the_hand_that_came_over_it() -> None:
    """The hand is seen first, elsewhere and unsurely, and goes on being seen when the ball is under way."""
    tracker, now = resting(ball((0.9, 0.4)))
    hand = replace(ball((0.78, 0.25), WHITE + [-26.0, -13.0, 11.0], 0.86), sd_m=0.011)
    for k in range(1, 20):
        tracker.update(look(now + k * FRAME_S, hand, covered=True))
    for k in range(8):
        tracker.update(look(now + (20 + k) * FRAME_S, hand, ball((1.03 + 0.05 * k, 0.54 + 0.05 * k)), covered=True))
    cue = next(t for t in tracker.tracks if t.rests)
    assert cue.at_m == pytest.approx([1.38, 0.89])
    assert sum(s.time_s > now for s in cue.path) == 8


def test_ball_at_rest_stays_when_another_of_its_colour_comes_by() -> None:
    tracker, now = resting(ball((0.9, 0.4)), ball((1.5, 0.9)))
    for k in range(1, 8):
        tracker.update(look(now + k * FRAME_S, ball((0.9, 0.4)), ball((1.5 - 0.04 * k, 0.9 - 0.03 * k))))
    places = sorted((t.at_m for t in tracker.tracks), key=lambda p: float(p[0]))
    assert places[0] == pytest.approx([0.9, 0.4])
    assert places[1] == pytest.approx([1.22, 0.69])


def test_rolling_stripe_keeps_its_track() -> None:
    """It shows its colour and its white by turns; seen where it should be, it is the same ball."""
    band, pole = np.array([62.0, 122.0, 150.0]), np.array([180.0, 125.0, 131.0])
    tracker, now = resting(ball((0.9, 0.4), band))
    for k in range(1, 30):
        colour = band if (k // 5) % 2 == 0 else pole
        tracker.update(look(now + k * FRAME_S, ball((0.9 + 0.02 * k, 0.4), colour)))
    assert len(tracker.tracks) == 1
    assert sum(s.time_s > now for s in only(tracker).path) == 29


def test_stripe_that_shows_its_white_is_not_taken_for_a_white_ball_lost_before() -> None:
    """That one was on its way to where the stripe is by then, but out of sight for a while."""
    band, pole = np.array([102.0, 170.0, 110.0]), np.array([196.0, 128.0, 128.0])
    tracker, now = resting(ball((0.9, 0.4)), ball((0.9, 0.8), band))
    for k in range(1, 6):
        seen = ball((0.9 + 0.02 * k, 0.4 + 0.01 * k)), ball((0.9 + 0.02 * k, 0.8 - 0.01 * k), band)
        tracker.update(look(now + k * FRAME_S, *seen))
    for k in range(6, 30):
        colour = pole if k in (18, 25) else band
        tracker.update(look(now + k * FRAME_S, ball((0.9 + 0.02 * k, 0.8 - 0.01 * k), colour), covered=True))
    stripe = next(t for t in tracker.tracks if t.rests and t.rests[0].at_m[1] > 0.7)
    assert sum(s.time_s > now for s in stripe.path) == 29


@pytest.mark.parametrize("missed", [1, 2, 4])
def test_ball_that_is_hit_and_missed_for_a_frame_is_not_taken_for_the_one_that_hit_it(missed: int) -> None:
    """At 24 a second, full: it goes where the cue ball was expected, and that is not seen for some frames."""
    yellow, fps = np.array([150.0, 75.0, 155.0]), 24
    tracker = Tracker(BallPlane(CAMERA, TABLE.ball_radius_m), TABLE)
    for k in range(20):
        tracker.update(look(k / fps, ball((0.475, 0.6)), ball((1.2, 0.6), yellow)))
    for k in range(1, 5):
        tracker.update(look((19 + k) / fps, ball((0.475 + 0.125 * k, 0.6)), ball((1.2, 0.6), yellow)))
    tracker.update(look(24 / fps, ball((1.10, 0.6))))
    for k in range(1, 9):
        cue = [ball((1.10 + 0.02 * (k - missed), 0.6))] if k > missed else []
        tracker.update(look((24 + k) / fps, *cue, ball((1.16 + 0.12 * k, 0.6), yellow)))
    hit = next(t for t in tracker.tracks if t.rests and t.rests[0].at_m[0] > 1.0)
    assert hit.at_m == pytest.approx([1.16 + 0.96, 0.6])
    struck = next(t for t in tracker.tracks if t.rests and t.rests[0].at_m[0] < 1.0)
    assert max(float(s.at_m[0]) for s in struck.path) < 1.27


def test_glint_on_the_rail_is_not_taken_for_the_ball_that_comes_off_it() -> None:
    """It is where the ball would be without the rail, seen unsurely; the ball is on its way back."""
    tracker, now = resting(ball((0.9, 1.0)))
    way = [1.0 + 0.025 * k for k in range(1, 10)] + [1.23, 1.21, 1.19]
    for k, y in enumerate(way, start=1):
        views = [ball((0.9 + 0.004 * k, y))]
        if k == 11:
            glint = replace(ball((0.944, 1.245), np.array([160.0, 116.0, 136.0]), 0.5), sd_m=0.0077)
            views.append(glint)
        tracker.update(look(now + k * FRAME_S, *views))
    assert [round(float(s.at_m[1]), 3) for s in tracker.tracks[0].path if s.time_s > now] == pytest.approx(way)


def test_stripe_that_shows_its_white_when_hit_is_not_taken_for_the_cue_ball() -> None:
    """It goes where the cue ball was expected, in nearly the cue ball's colour; the cue ball itself has been slowed."""
    stripe, fps = np.array([144.0, 148.0, 159.0]), 24
    tracker = Tracker(BallPlane(CAMERA, TABLE.ball_radius_m), TABLE)
    for k in range(30):
        tracker.update(look(k / fps, ball((0.83, 0.36)), ball((1.12, 0.716), stripe)))
    cue = [(0.88, 0.41), (0.95, 0.497), (1.022, 0.582), (1.092, 0.665), (1.109, 0.66), (1.126, 0.659), (1.144, 0.66)]
    hit = [*[(1.12, 0.716)] * 4, (1.169, 0.80), (1.217, 0.88), (1.263, 0.964)]
    shown = [*[stripe] * 4, np.array([192.0, 138.0, 145.0]), *[np.array([214.0, 122.0, 130.0])] * 2]
    for k, (white, other, colour) in enumerate(zip(cue, hit, shown, strict=True), start=30):
        tracker.update(look(k / fps, ball(other, colour), ball(white)))
    assert len(tracker.tracks) == 2
    first, second = tracker.tracks
    assert first.at_m == pytest.approx(cue[-1])
    assert second.at_m == pytest.approx(hit[-1])


def test_what_was_seen_before_a_hand_came_is_not_taken_for_what_is_there() -> None:
    tracker, now = resting(ball((0.9, 0.4)))
    assert tracker.expected(now)[0].resting is not None
    tracker.update(look(now + FRAME_S, covered=True))
    assert tracker.expected(now + FRAME_S)[0].resting is None


def test_unsure_sight_of_a_ball_in_its_place_does_not_tell_that_it_still_lies_there() -> None:
    """Another ball has run into it: one outline of both, off by what either of them is."""
    tracker, now = resting(ball((0.9, 0.4)))
    assert only(tracker).rests[-1].surely_s == now
    unsure = replace(ball((0.905, 0.4)), sd_m=0.007)
    tracker.update(look(now + FRAME_S, unsure))
    rest = only(tracker).rests[-1]
    assert (rest.surely_s, rest.last_s) == (now, now + FRAME_S)
    tracker.update(look(now + 2 * FRAME_S, ball((0.9, 0.4))))
    assert only(tracker).rests[-1].surely_s == now + 2 * FRAME_S


def test_first_step_after_a_rest_tells_no_speed() -> None:
    """Not the slow crawl from where it had been long before: it would be lost on its second step."""
    tracker, now = resting(ball((0.9, 0.4)))
    for k in range(1, 6):
        tracker.update(look(now + k * FRAME_S, ball((0.9 + 0.005 * k, 0.4))))
    for k in range(6, 60):
        tracker.update(look(now + k * FRAME_S, ball((0.93, 0.4))))
    assert only(tracker).resting
    start = now + 60 * FRAME_S
    for k in range(6):
        tracker.update(look(start + k * FRAME_S, ball((0.93 + 0.06 * (k + 1), 0.4))))
    track = only(tracker)
    assert track.at_m == pytest.approx([1.29, 0.4])


def test_ball_that_went_lies_nowhere_later() -> None:
    """What was taken up, or was a hand all along, is not there to be met by the next stroke."""
    tracker, now = resting(ball((0.9, 0.4)), ball((1.5, 0.9), np.array([120.0, 90.0, 190.0])))
    for k in range(1, 60):
        tracker.update(look(now + k * FRAME_S, ball((0.9, 0.4))))
    tracker.forget_history()
    assert [t.rests[-1].at_m for t in tracker.tracks if t.rests] == [pytest.approx([0.9, 0.4])]


def test_in_a_dark_film_balls_are_told_apart_by_less() -> None:
    """A white ball is taken away and a yellow one put down in its place; at half the light they look more alike."""
    white, yellow = (np.array([16.0, 128.0, 128.0]) + share * np.array([87.0, -2.0, 2.0]) for share in (1.0, 0.9))
    yellow = yellow + [0.0, -24.0, 7.0]
    tracker, now = resting(ball((0.9, 0.4), white))
    for k in range(1, 8):
        tracker.update(look(now + k * FRAME_S, covered=True))
    for k in range(8, 40):
        tracker.update(look(now + k * FRAME_S, ball((0.905, 0.4), yellow)))
    assert len([t for t in tracker.tracks if t.frames > 3]) == 2


def test_ball_that_turns_back_at_a_rail_is_not_calm() -> None:
    """Between two sightings round the bounce it has hardly moved; the next frame matters all the same."""
    tracker, now = resting(ball((2.0, 0.5)))
    assert tracker.calm()
    along = [2.05, 2.13, 2.21, 2.29, 2.37, 2.45, 2.452, 2.40, 2.34]
    for k, x in enumerate(along, start=1):
        tracker.update(look(now + k * 2 * FRAME_S, ball((x, 0.5))))
        assert not tracker.calm()


def test_ball_that_creeps_is_calm() -> None:
    tracker, now = resting(ball((1.0, 0.5)))
    for k in range(1, 20):
        tracker.update(look(now + k * 2 * FRAME_S, ball((1.0 + 0.006 * k, 0.5))))
    assert tracker.calm()


@pytest.mark.parametrize("missed", [False, True])
def test_what_was_missed_before_the_film_leaves_something_out_is_known(missed: bool) -> None:
    """Nobody stood over the ball that rolled then; whether the cloth was seen in its place is kept."""
    tracker, now = resting(ball((1.0, 0.5)))
    for k in range(6):
        now += 1 / 30
        tracker.update(look(now, ball((1.0 + 0.05 * (k + 1), 0.5))))
    seen_s = now
    if missed:
        now += 1 / 30
        tracker.update(look(now))
    missed_s = now if missed else np.nan
    tracker.update(look(now + 3.0))
    (loss,) = only(tracker).lost
    assert (loss.time_s, loss.crowded) == (seen_s, False)
    assert loss.missed_s == pytest.approx(missed_s, nan_ok=True)
