"""Strokes that only send the cue ball back towards where the next attempt is set up: no attempts.

Such a stroke is made from where the cue ball came to rest, soft, takes none of the ways that were drilled, and leaves
the ball much nearer to where a hand then puts it for the next attempt. One from which play simply goes on leaves the
ball where the next stroke is made, untouched; that one stays an attempt.
"""

from collections.abc import Sequence

from vision.no_attempt.nearness import apart_m
from vision.reading import Attempt, NotAttempt
from vision.shot import Shot
from vision.sorting import Tried

WHY = "the cue ball was knocked back towards the next set-up"
# A ball that lies this near to where it was last seen rolling has not been touched since.
UNTOUCHED_M = 0.02
# It ends this near to the next start, at this share of the distance that it had before (common practice, no source).
NEAR_M, NEARER_SHARE = 0.6, 0.6
# A medium stroke is faster (2.2 m/s): nobody sends a ball back so hard.
MOST_SPEED_MPS = 2.0


def without_knocked_back(tries: Sequence[Tried], shots: Sequence[Shot]) -> tuple[list[Tried], list[NotAttempt]]:
    """The strokes that were attempts, and the others with the reason; ``tries`` are in order of time."""
    kept: list[Tried] = []
    others: list[NotAttempt] = []
    # From the last to the first: where an attempt was set up is known when what came before is judged.
    for earlier, stroke in zip([None, *tries][-2::-1], tries[::-1], strict=True):
        if kept and earlier is not None and _sent_back(earlier, stroke, kept[0], shots):
            others.insert(0, NotAttempt(stroke.by_shot[0].t_s, WHY))
        else:
            kept.insert(0, stroke)
    return kept, others


def _sent_back(earlier: Tried, stroke: Tried, following: Tried, shots: Sequence[Shot]) -> bool:
    # What a stroke that met no ball is as an attempt at one shot, it is at all of them.
    first = stroke.by_shot[0]
    start, end, goal = first.cue_start_m, stroke.cue_end_m, following.by_shot[0].cue_start_m
    if apart_m(start, earlier.cue_end_m) > UNTOUCHED_M or apart_m(goal, end) < UNTOUCHED_M:
        return False
    if not first.speed_mps < MOST_SPEED_MPS or first.ball_contacts or first.pocketed:
        return False
    if any(_took_rails(found, shot) for found, shot in zip(stroke.by_shot, shots, strict=True)):
        return False
    return apart_m(end, goal) < min(NEAR_M, NEARER_SHARE * apart_m(start, goal))


def _took_rails(found: Attempt, shot: Shot) -> bool:
    """Whether the ball of a shot took all its rails in their order."""
    return [c.rail for c in found.contacts][: len(shot.rails)] == list(shot.rails)
