"""Rolling shutter: a sensor reads its rows one after the other, so that a ball is seen later the lower it lies.

A frame's time is that of its first row, or off that by a constant. The path stays where it is; times along it, and with
them speeds, are put right by the row in which the ball was seen each time.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from math import isfinite

from calibration.ball_plane import BallPlane
from calibration.table import Vector
from vision.strokes import Ball
from vision.track import Loss


def timed_by_rows(balls: Sequence[Ball], plane: BallPlane, readout_s: float) -> list[Ball]:
    """The balls with every time put to the moment at which the row of the ball's centre was read.

    Parameters
    ----------
    plane : where balls are seen in the stored picture.
    readout_s : seconds from the reading of its first row to that of its last; below 0 when the last is read first.
    """
    if readout_s == 0:
        return list(balls)
    last_row = plane.camera.height - 1

    def later_s(at_m: Vector) -> float:
        return readout_s * float(plane.pixel(at_m)[1]) / last_row

    return [_timed(ball, [later_s(r.at_m) for r in ball.rests], [later_s(s.at_m) for s in ball.path]) for ball in balls]


def _timed(ball: Ball, rests_later_s: Sequence[float], path_later_s: Sequence[float]) -> Ball:
    """A ball whose rests and sightings are so much later; where it was lost it is later as where it was seen last."""
    seen = sorted(
        [(r.last_s, later_s) for r, later_s in zip(ball.rests, rests_later_s, strict=True)]
        + [(s.time_s, later_s) for s, later_s in zip(ball.path, path_later_s, strict=True)]
    )
    times_s = [time_s for time_s, _ in seen]

    def lost(loss: Loss) -> Loss:
        later_s = seen[max(bisect_right(times_s, loss.time_s) - 1, 0)][1] if seen else 0.0
        missed_s = loss.missed_s + later_s if isfinite(loss.missed_s) else loss.missed_s
        return replace(loss, time_s=loss.time_s + later_s, missed_s=missed_s)

    return replace(
        ball,
        rests=tuple(
            replace(r, first_s=r.first_s + later_s, last_s=r.last_s + later_s, told_s=r.told_s + later_s)
            for r, later_s in zip(ball.rests, rests_later_s, strict=True)
        ),
        path=tuple(replace(s, time_s=s.time_s + later_s) for s, later_s in zip(ball.path, path_later_s, strict=True)),
        lost=tuple(lost(loss) for loss in ball.lost),
    )
