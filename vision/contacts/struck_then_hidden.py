"""A cue ball that is seen to set off, once or a few times, and then is out of sight with the ball that it runs into.

A hand or a body that comes over the balls just as they meet hides for most of a second what each of them does. When
they are seen again both are under way, off rails perhaps, and neither comes from where it lay. What was seen of the cue
ball tells on what line it was struck, and which ball lay ahead; how fast is told by how long it took, and by that ball.
"""

from collections.abc import Mapping

import numpy as np

from calibration.table import Table
from vision.contacts.struck_unseen import FASTER_SDS, LEAST_SENT_MPS
from vision.launch import Launch, fit_launch
from vision.legs import SLIDING_MPS2, Path, fit_line, legs, motion_at
from vision.pairing import FASTEST_MPS
from vision.reading import BallHit
from vision.set_off import (
    FASTER_THAN_HAND_MPS,
    LEAST_WAY_M,
    SLOWED_SD,
    START_TOLERANCE_M,
    TIME_TOLERANCE_S,
    SetOff,
    from_rest,
)
from vision.sightings import Rest

# Out of sight for longer than this a ball may have met anything; it was seen where it lay no longer than this before it
# was first seen under way.
HIDDEN_S, LAY_S = 0.1, 0.15
# Balls are hidden for no more than a second or so.
UNSEEN_S = 1.2
# Seen so often or more it tells by itself how it set off.
ENOUGH_SEEN = 2
# Where the line leads past a ball is told no better than this share of its radius: the two may have missed each other
# then, or met anyhow.
SURELY_AHEAD = 0.5


def set_off_then_hidden(rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> SetOff | None:
    """How a cue ball set off that was out of sight soon after; None when it was not, or when nothing tells of a hit.

    ``near`` gives resting place and path of the other balls: the one ahead was out of sight too, and is then seen under
    way, faster than hands push balls about.
    """
    gaps = np.flatnonzero(np.diff(whole.t) > HIDDEN_S)
    count = int(gaps[0]) + 1 if len(gaps) else 0
    if not count or whole.t[0] - rest.last_s > LAY_S or whole.t[count] - whole.t[count - 1] > UNSEEN_S:
        return None
    before, after = whole.part(slice(0, count)), whole.part(slice(count, None))
    line = fit_line(from_rest(rest, before))
    if (np.abs((before.xy - rest.at_m) @ line.left) > START_TOLERANCE_M + 3 * before.sd).any():
        return None
    ahead = []
    for name, (other, path) in near.items():
        first = legs(path)[0]
        along = float((other.at_m - before.xy[-1]) @ line.direction)
        off, off_sd = line.miss(other.at_m)
        off_sd = float(np.hypot(off_sd, before.sd[-1]))
        out_of_sight = before.t[-1] < path.t[0] and other.last_s < after.t[0]
        # A hand that hides the ball as it takes it up lets it go more slowly.
        speed = motion_at(first, float(first.t[0])).speed_mps
        if along > 0 and abs(off) < 2 * table.ball_radius_m + off_sd and out_of_sight and speed > LEAST_SENT_MPS:
            ahead.append((along, name, other, off_sd, speed, float(min(path.t[0], after.t[0]))))
    if not ahead:
        return None
    _, name, other, off_sd, sent_mps, gone_s = min(ahead, key=lambda each: each[:2])
    off, touch = abs(line.miss(other.at_m)[0]), 2 * table.ball_radius_m
    gap_m = float((other.at_m - before.xy[-1]) @ line.direction) - float(np.sqrt(max(touch**2 - off**2, 0.0)))
    launch = _launch(rest, before, gap_m, (other.surely_s, gone_s), sent_mps)
    if launch is None or not rest.last_s - TIME_TOLERANCE_S <= launch.time_s <= before.t[0] + TIME_TOLERANCE_S:
        return None
    place, sd = rest.at_m, max(rest.sd_m, 1e-4)
    begun_s = min(launch.time_s, float(before.t[0]) - 1e-3)
    if off_sd > SURELY_AHEAD * table.ball_radius_m or off > touch - off_sd or gap_m < LEAST_WAY_M:
        way = Path(np.append(begun_s, before.t), np.vstack([place, before.xy]), np.append(sd, before.sd))
        return SetOff(after, launch, way)
    gap_s = gap_m / launch.speed_mps
    slowed_s = SLIDING_MPS2 / 2 * gap_s**2 / launch.speed_mps
    met_s = float(before.t[-1]) + gap_s + slowed_s
    met_sd_s = float(np.hypot(gap_s * launch.speed_sd_mps / launch.speed_mps, SLOWED_SD * slowed_s))
    within_s = TIME_TOLERANCE_S + 3 * met_sd_s
    if not other.surely_s - within_s < met_s < gone_s + within_s:
        # It came there too late, or too early: something else sent the other ball off.
        return None
    met_s = float(np.clip(met_s, min(other.surely_s, gone_s), gone_s))
    centre = before.xy[-1] + gap_m * line.direction
    way = Path(
        np.concatenate([[begun_s], before.t, [met_s]]),
        np.vstack([place, before.xy, centre]),
        np.concatenate([[sd], before.sd, [off_sd]]),
    )
    return SetOff(after, launch, way, BallHit(met_s, ("cue", name), centre, met_sd_s))


def faster_than(begun: SetOff | None, hidden: SetOff) -> bool:
    """Whether a ball set off faster before it was out of sight than the whole of its way says, or that says nothing."""
    if begun is None:
        return True
    return hidden.launch.speed_mps > begun.launch.speed_mps + FASTER_SDS * hidden.launch.speed_sd_mps


def _launch(rest: Rest, before: Path, gap_m: float, left_s: tuple[float, float], sent_mps: float) -> Launch | None:
    """How the ball set off, by what was seen of it, or by how long it can have taken.

    It came to the other ball, ``gap_m`` from its last sighting, between the two moments ``left_s``, when that lay there
    last and when it was under way, and no slower than it sent that ball off. None when there is no such way.
    """
    lay_s, gone_s = left_s
    slowest = max(sent_mps, gap_m / (gone_s - float(before.t[-1])))
    fastest = min(FASTEST_MPS, gap_m / (lay_s - before.t[-1])) if lay_s > before.t[-1] else FASTEST_MPS
    gone_m, latest_s = float(np.hypot(*(before.xy[0] - rest.at_m))), float(before.t[0])
    slowest = max(slowest, gone_m / max(latest_s - rest.last_s, 1e-3))
    if len(before) >= ENOUGH_SEEN:
        fitted = fit_launch(rest.at_m, before)
        sure = fitted.speed_mps > max(FASTER_THAN_HAND_MPS, sent_mps) - 3 * fitted.speed_sd_mps
        return fitted if sure else None
    if slowest >= fastest:
        return None
    speed, sd = (slowest + fastest) / 2, (fastest - slowest) / float(np.sqrt(12.0))
    takes_s = gone_m / speed
    return Launch(latest_s - takes_s, takes_s * sd / speed, speed, sd)
