"""The rail that a ball met within a few frames after it had run into another one that lay close to that rail.

It goes on with what the hit leaves it: its speed across the line of centres, and next to nothing along it. That carries
it into the rail before its path is seen; it is seen to come away from there.
"""

from dataclasses import replace

import numpy as np

from calibration.table import Table
from vision.contacts.run import Run
from vision.contacts.sent_into_rail import LEAST_SEEN, SAME_CONTACT_S, Sent, first_rail
from vision.legs import Line, Path, joined, motion_at, sliding_motion
from vision.reading import BallHit, RailHit
from vision.set_off import SHARE
from vision.sightings import Rest

# A ball left with less speed than this goes where its spin takes it.
LEAST_LEFT_MPS = 0.4
# What is not known of the way it takes: where the hit was, how much of the speed it took, what spin turns it by.
PLACE_SD_M, TURN_SD_RAD = 0.001, np.radians(3.0)


def with_rail_after(run: Run, name: str, lay: Rest, table: Table) -> Run:
    """The run, with the rail put in that the ball met at once after it had hit the ball ``name``, which lay there."""
    k = next((k for k, j in enumerate(run.junctions) if isinstance(j, BallHit) and name in j.balls), None)
    if k is None:
        return run
    hit, before, after = run.junctions[k], run.legs[k], run.legs[k + 1]
    if not isinstance(hit, BallHit) or len(before) < 2:
        return run
    centres = (lay.at_m - hit.at_m) / max(float(np.hypot(*(lay.at_m - hit.at_m))), 1e-9)
    arriving = motion_at(before, hit.t_s).velocity_mps
    left = arriving - SHARE * (arriving @ centres) * centres
    speed = float(np.hypot(*left))
    if speed < LEAST_LEFT_MPS:
        return run
    line = Line(hit.at_m, float(np.arctan2(left[1], left[0]) % (2 * np.pi)), TURN_SD_RAD, PLACE_SD_M)
    # A turn that is neither rail nor ball, soon after the hit, was made at that rail.
    last = k + 1
    if last < len(run.junctions) and run.junctions[last] is None and len(after) < LEAST_SEEN:
        last += 1
        after = joined([after, run.legs[last]])
    place = Rest(hit.at_m, PLACE_SD_M, hit.t_s, hit.t_s, 1)
    found = first_rail(place, after, Sent(hit.t_s, line, speed), table)
    if found is None or not _leaves(found.after, found.hit, table):
        return run
    if last < len(run.junctions):
        told = run.junctions[last]
        if isinstance(told, RailHit) and told.rail == found.hit.rail and told.t_s - found.hit.t_s < SAME_CONTACT_S:
            return run
    return replace(
        run,
        legs=(*run.legs[: k + 1], found.way, found.after, *run.legs[last + 1 :]),
        junctions=(*run.junctions[: k + 1], found.hit, *run.junctions[last:]),
    )


def _leaves(after: Path, hit: RailHit, table: Table) -> bool:
    """Whether what is seen after the contact leads away from that rail from the first."""
    axis, level = table.track_coordinate(hit.rail)
    outward = float(np.sign(level - table.centre_m[axis]))
    return bool(outward * float(sliding_motion(after, float(after.t[0])).velocity_mps[axis]) < 0)
