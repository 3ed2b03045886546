"""The line on which a ball ran after its last rail, as far as nothing met it there."""

import numpy as np

from calibration.table import Table, Vector
from vision.contacts.run import Run, within_track
from vision.contacts.turns import before_turn, turned_unseen
from vision.legs import Line, Path, fit_line
from vision.reading import RailHit
from vision.settling import settled_line
from vision.straight import straight_end

# A leg that goes on for so long after the ball rolls, or is as long as this in all, tells its line by itself.
ROLLED_S, LONG_S = 0.25, 1.0


def free_part(run: Run, leg: int, table: Table) -> Path:
    """What of a leg lies on the bed, before anything turned the ball there."""
    path = run.legs[leg]
    # The places of contacts stand in legs that no frame shows: they are no sightings.
    met = [hit.t_s for hit in run.junctions[max(leg - 1, 0) : leg + 1] if hit is not None]
    path = path.part(~np.isin(path.t, met))
    on_bed = path.part(within_track(path.xy, table))
    free = before_turn(on_bed if len(on_bed) >= 2 else path)
    turned = turned_unseen(free, surely=True)
    return free if turned is None else free.part(slice(0, turned + 1))


def line_after(run: Run, leg: int, table: Table, target_m: Vector | None = None) -> Line:
    """The line on which the ball came to roll after the rail before the leg; NaN for fewer than two sightings.

    With a target (2,), metres, that it passes before it rolls: the line on which it does.
    """
    path, hit = free_part(run, leg, table), run.junctions[leg - 1]
    known = isinstance(hit, RailHit) and np.isfinite([hit.speed_in_mps, hit.bearing_in_rad]).all()
    if len(path) >= 2 and isinstance(hit, RailHit) and known:
        first = path.part(path.t - hit.t_s < LONG_S)
        settled = settled_line(first if len(first) >= 2 else path, hit, table, target_m)
        if settled.still_slid or (path.t[-1] - hit.t_s < LONG_S and path.t[-1] - settled.from_s < ROLLED_S):
            return settled.line
    return fit_line(straight_end(path)) if len(path) else fit_line(path)
