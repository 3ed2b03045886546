"""A ball that looks like another once it rolls stays the ball it was; balls that come and go otherwise do not."""

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.test_strokes import track
from vision.changed_colour import rejoined
from vision.sightings import Sighting
from vision.track import Loss, Track

DARK, LIGHT = np.array([67.0, 124.0, 150.0]), np.array([125.0, 124.0, 140.0])
LAY_M = np.array([1.0, 0.5])


def lay(ident: int = 0) -> Track:
    """A ball that lay at a place until the second 2, and is gone then."""
    return replace(track(ident, DARK, 0, 2, (1.0, 0.5)), gone=True, gone_s=2.0)


def rolls(ident: int, from_m: np.ndarray, bearing_deg: float, begins_s: float = 2.02, count: int = 12) -> Track:
    """A ball seen for the first time at a moment, on its way from a place that it left at the second 2, at 1.5 m/s."""
    ahead = 1.5 * np.array([np.cos(np.radians(bearing_deg)), np.sin(np.radians(bearing_deg))])
    times = begins_s + np.arange(count) / 50
    path = [Sighting(float(t), from_m + ahead * (t - 2.0), 0.0005, False) for t in times]
    return replace(track(ident, LIGHT, 2, 3), rests=[], path=path, resting=False)


@pytest.mark.parametrize("bearing_deg", [10.0, 130.0, 290.0])
def test_ball_that_changes_its_colour_as_it_sets_off_stays_that_ball(bearing_deg: float) -> None:
    found = rejoined([track(7, LIGHT, 0, 5, (0.3, 0.3)), lay(), rolls(1, LAY_M, bearing_deg)])
    assert [t.ident for t in found] == [7, 0]
    assert found[1].colour.tolist() == DARK.tolist()
    assert len(found[1].rests) == 1
    assert len(found[1].path) == 12


@pytest.mark.parametrize(("left_s", "same"), [(2.14, True), (1.9, False)])
def test_ball_that_a_stick_hid_before_it_set_off_stays_that_ball(left_s: float, same: bool) -> None:
    """Unless the one that is seen then must have left the place when the other still lay there."""
    begun = rolls(1, LAY_M, 10.0, begins_s=2.18)
    late = [
        replace(s, at_m=s.at_m + (2.0 - left_s) * 1.5 * np.array([np.cos(0.1745), np.sin(0.1745)])) for s in begun.path
    ]
    found = rejoined([lay(), replace(begun, path=late)])
    assert len(found) == (1 if same else 2)


@pytest.mark.parametrize(("turns", "joined"), [((1, 2), True), ((0, 2, 3), True), ((2, 13), False)])
def test_ball_that_looks_like_either_by_turns_as_it_sets_off_stays_that_ball(
    turns: tuple[int, ...], joined: bool
) -> None:
    """Seen as the old one a good while later, or both at once, they are two."""
    whole = rolls(1, LAY_M, 10.0, count=16)
    old = replace(lay(), path=[whole.path[k] for k in turns])
    new = replace(whole, path=[s for k, s in enumerate(whole.path) if k not in turns])
    found = rejoined([old, new])
    assert len(found) == (1 if joined else 2)
    if joined:
        assert [s.time_s for s in found[0].path] == [s.time_s for s in whole.path]
    assert len(rejoined([old, whole])) == 2


@pytest.mark.parametrize("lost_as", [0, 1])
def test_ball_that_looked_like_either_by_turns_is_lost_where_it_was_seen_last(lost_as: int) -> None:
    whole = rolls(1, LAY_M, 10.0, count=11)
    turns = [whole.path[lost_as::2], whole.path[1 - lost_as :: 2]]
    parts = [
        replace(
            part,
            path=seen,
            seen_s=seen[-1].time_s,
            gone=True,
            gone_s=seen[-1].time_s,
            lost=[Loss(seen[-1].time_s, False)],
        )
        for part, seen in zip((lay(), whole), turns, strict=True)
    ]
    (found,) = rejoined(parts)
    assert [loss.time_s for loss in found.lost] == [whole.path[-1].time_s] == [found.gone_s]


def test_ball_that_is_sent_off_twice_may_change_its_colour_twice() -> None:
    first = rolls(1, LAY_M, 0.0)
    stopped_m = first.path[-1].at_m
    between = replace(
        first, rests=track(1, LIGHT, 3, 4, (float(stopped_m[0]), float(stopped_m[1]))).rests, gone=True, gone_s=4.0
    )
    again = rolls(2, stopped_m, 70.0)
    again = replace(again, path=[replace(s, time_s=s.time_s + 2) for s in again.path])
    (found,) = rejoined([lay(), between, again])
    assert (found.ident, len(found.rests), len(found.path)) == (0, 2, 24)
    assert (np.diff([s.time_s for s in found.path]) > 0).all()


def test_others_stay_apart() -> None:
    elsewhere, later = rolls(1, LAY_M + [0.0, 0.1], 0.0), rolls(1, LAY_M, 0.0, begins_s=2.3)
    towards = rolls(1, LAY_M + [0.2, 0.0], 180.0)
    stays = track(0, DARK, 0, 5, (1.0, 0.5))
    for pair in ([lay(), elsewhere], [lay(), later], [lay(), towards], [stays, rolls(1, LAY_M, 0.0)]):
        assert rejoined(pair) == pair
    # Two that may both have come from there.
    three = [lay(), rolls(1, LAY_M, 0.0), rolls(2, LAY_M, 90.0)]
    assert rejoined(three) == three
