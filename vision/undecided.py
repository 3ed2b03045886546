"""Whether a shot was still to be decided when its balls were last seen: lost from view, or the film at its end; or
whether it was made by a rail that it may have met unseen."""

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.run import GRAZED_M, Run
from vision.contacts.sent_into_rail import has_rubber
from vision.legs import Path, motion_at
from vision.shot import Shot
from vision.strokes import Stroke

# A ball last seen faster than this had not come to rest; one still this far short of its target had not got there.
UNDER_WAY_MPS, SHORT_OF_TARGET_M = 0.12, 0.08
# A sighting this close to the end of the film is its last.
FILM_ENDS_S = 0.1
# A ball whose line passes a pocket's mouth within this may still drop there, off a jaw perhaps.
BOUND_WITHIN_M = 0.12


def undecided(
    stroke: Stroke,
    shot: Shot,
    table: Table,
    run: Run,
    leg: int | None,
    target_name: str | None,
    target: Vector | None,
    flags: list[str],
) -> bool:
    """Whether it may yet have been made by the ball of ``run``, which takes the rails, where no ball is seen to drop.

    Where that ball dropped: whether it may have met a rail before that was not told.
    ``leg`` is its index of the leg after the last rail, ``target`` (2,) the point to pass through, metres; None where
    there is none. ``flags`` are those found so far: what went wrong for good decides the shot.
    """
    if {"wrong_rails", "wrong_ball_first", "wrong_pocket"} & set(flags):
        return False
    dropped = next((p.pocket for p in stroke.pocketed if p.ball == run.ball), None)
    if dropped is not None:
        return leg is None and dropped == shot.target_pocket and _perhaps_met(run, shot, table)
    if leg is None:
        return _under_way(run)
    if leg == len(run.legs) - 1:
        ahead = (target - run.legs[leg].xy[-1]) @ _heading(run.legs[leg]) if target is not None else 0.0
        return float(ahead) > SHORT_OF_TARGET_M and _under_way(run)
    # The target ball was hit and may yet drop when the film ends.
    hit = stroke.others.get(target_name) if target_name is not None else None
    if hit is None or hit.legs[-1].t[-1] < stroke.end_s - FILM_ENDS_S or not _under_way(hit):
        return False
    return shot.target_pocket is None or _bound_for(hit.legs[-1], table.mouth_m(shot.target_pocket))


def _perhaps_met(run: Run, shot: Shot, table: Table) -> bool:
    """Whether a ball came so near to a rail of the shot that it may have met it too softly for a contact to be told."""
    told = {hit.rail for hit in run.rail_hits}
    for rail in (r for r in shot.rails if r not in told):
        axis, level = table.track_coordinate(rail)
        for leg in run.legs:
            near = leg.xy[np.abs(leg.xy[:, axis] - level) < GRAZED_M]
            if any(has_rubber(rail, place, table) for place in near):
                return True
    return False


def _heading(leg: Path) -> Vector:
    """Direction, (2,), of a leg as it ends."""
    velocity = motion_at(leg, float(leg.t[-1])).velocity_mps
    return velocity / max(float(np.hypot(*velocity)), 1e-9)


def _bound_for(leg: Path, place_m: Vector) -> bool:
    """Whether a ball last ran towards a place closely enough that it may get there."""
    ahead = place_m - leg.xy[-1]
    heading = _heading(leg)
    along = float(ahead @ heading)
    return along > 0 and float(np.hypot(*(ahead - along * heading))) < BOUND_WITHIN_M


def _under_way(run: Run) -> bool:
    """Whether a ball was still moving when it was last seen."""
    last = run.legs[-1]
    return len(last) >= 3 and motion_at(last, float(last.t[-1])).speed_mps > UNDER_WAY_MPS
