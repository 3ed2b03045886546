"""Of several white balls on the table, the cue ball is the one that is struck.

Balls are named by their colours, and of two white ones the longer seen is taken for the cue ball. Where that one was
not struck and the other was, or was hit by the other, it was the other way round.
"""

from collections.abc import Sequence
from dataclasses import replace

from calibration.table import Table
from vision.reading import NotAttempt
from vision.strokes import Ball, Stroke, find_strokes

# What lay no longer than this may be a gloved hand on the table, that is drawn away.
LAIN_S = 0.8
# A ball that sets off so soon after another was sent into it was hit by that one.
AT_ONCE_S = 0.05


def find_strokes_of_white(balls: Sequence[Ball], table: Table, until_s: float) -> tuple[list[Stroke], list[NotAttempt]]:
    """All strokes of the cue ball, and its other moves; where several balls are white, of the one that was struck."""
    strokes, others = find_strokes(balls, table, until_s)
    for rival in (ball.name for ball in balls if ball.name.startswith("light-")):
        instead, moves = find_strokes([_renamed(ball, rival) for ball in balls], table, until_s)
        instead = [s for s in instead if s.rest.last_s - s.rest.first_s > LAIN_S]
        if instead and (not strokes or _sent(instead[0], strokes[0], rival)):
            return instead, moves
    return strokes, others


def _renamed(ball: Ball, rival: str) -> Ball:
    """A ball under the name that it has when the rival is the cue ball; the cue ball then has the rival's."""
    return replace(ball, name={rival: "cue", "cue": rival}.get(ball.name, ball.name))


def _sent(first: Stroke, second: Stroke, name: str) -> bool:
    """Whether the ball of the second stroke, called ``name`` in the first one, was sent off by the ball of that."""
    hits = [hit for hit in first.cue.ball_hits if name in hit.balls]
    return any(abs(hit.t_s - second.launch.time_s) < AT_ONCE_S for hit in hits)
