"""An attempt to and from the columns of the log: NaN becomes NULL, the path a few packed bytes."""

import zlib
from math import isfinite, nan
from typing import Any

import numpy as np

from app.store.models import AttemptLogRow
from calibration.table import Vector
from vision.reading import Attempt, BallHit, Placement, Pocketing, RailHit

# A path is kept as t, x, y in single precision, time counted from the strike: 0.1 microns and better.
PATH_TYPE = np.dtype("<f4")
MOST_PATH_BYTES = 64 * 1024 * 1024


def null(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def measured(value: float | None) -> float:
    return nan if value is None else value


def pack_path(path_m: Vector, t_s: float) -> bytes:
    """Bytes of a path (n, 3) of t, x, y."""
    path = np.array(path_m, dtype=float).reshape(-1, 3)
    if isfinite(t_s):
        path[:, 0] -= t_s
    return zlib.compress(path.astype(PATH_TYPE).tobytes(), level=6)


def unpack_path(packed: bytes, t_s: float) -> Vector:
    """The path (n, 3) that ``pack_path`` packed; empty for anything that it did not."""
    try:
        unpacked = zlib.decompressobj().decompress(packed, MOST_PATH_BYTES)
        path = np.frombuffer(unpacked, dtype=PATH_TYPE).reshape(-1, 3).astype(float)
    except (zlib.error, ValueError):
        return np.empty((0, 3))
    if isfinite(t_s):
        path[:, 0] += t_s
    return path


def attempt_columns(attempt: Attempt) -> dict[str, Any]:
    """Values for an ``AttemptLogRow``, without what ties it to a session."""
    a = attempt
    return {
        "t_s": null(a.t_s),
        "t_sd_s": null(a.t_sd_s),
        "ball": a.ball,
        "start_x_m": null(a.start_m[0]),
        "start_y_m": null(a.start_m[1]),
        "start_sd_m": null(a.start_sd_m),
        "bearing_rad": null(a.bearing_rad),
        "bearing_sd_rad": null(a.bearing_sd_rad),
        "speed_mps": null(a.speed_mps),
        "speed_sd_mps": null(a.speed_sd_mps),
        "cue_start_x_m": null(a.cue_start_m[0]),
        "cue_start_y_m": null(a.cue_start_m[1]),
        "cue_bearing_rad": null(a.cue_bearing_rad),
        "cut_rad": null(a.cut_rad),
        "contacts": [
            {
                "rail": c.rail,
                "at_m": [null(v) for v in c.at_m],
                "at_sd_m": null(c.at_sd_m),
                "t_s": null(c.t_s),
                "speed_in_mps": null(c.speed_in_mps),
                "speed_out_mps": null(c.speed_out_mps),
                "bearing_in_rad": null(c.bearing_in_rad),
                "bearing_out_rad": null(c.bearing_out_rad),
            }
            for c in a.contacts
        ],
        "ball_contacts": [
            {"t_s": null(c.t_s), "balls": list(c.balls), "at_m": [null(v) for v in c.at_m]} for c in a.ball_contacts
        ],
        "pocketed": [{"ball": p.ball, "pocket": p.pocket, "t_s": null(p.t_s)} for p in a.pocketed],
        "outcome": a.outcome,
        "miss_m": null(a.miss_m),
        "miss_sd_m": null(a.miss_sd_m),
        "miss_per_rad_m": null(a.miss_per_rad_m),
        "flags": list(a.flags),
        "path": pack_path(a.path_m, a.t_s),
        "placement": [
            {"ball": p.ball, "off_m": [null(v) for v in p.off_m], "sd_m": null(p.sd_m), "from": p.put_by}
            for p in a.placement
        ],
    }


def attempt_of(row: AttemptLogRow) -> Attempt:
    """The attempt as it was measured; corrections are not in it."""
    t_s = measured(row.t_s)
    return Attempt(
        t_s=t_s,
        t_sd_s=measured(row.t_sd_s),
        ball=row.ball,
        start_m=np.array([measured(row.start_x_m), measured(row.start_y_m)]),
        start_sd_m=measured(row.start_sd_m),
        bearing_rad=measured(row.bearing_rad),
        bearing_sd_rad=measured(row.bearing_sd_rad),
        speed_mps=measured(row.speed_mps),
        speed_sd_mps=measured(row.speed_sd_mps),
        cue_start_m=np.array([measured(row.cue_start_x_m), measured(row.cue_start_y_m)]),
        cue_bearing_rad=measured(row.cue_bearing_rad),
        cut_rad=measured(row.cut_rad),
        contacts=tuple(_rail_hit(c) for c in row.contacts),
        ball_contacts=tuple(
            BallHit(measured(c["t_s"]), (c["balls"][0], c["balls"][1]), _place(c["at_m"])) for c in row.ball_contacts
        ),
        pocketed=tuple(Pocketing(p["ball"], p["pocket"], measured(p["t_s"])) for p in row.pocketed),
        outcome=row.outcome,
        miss_m=measured(row.miss_m),
        miss_sd_m=measured(row.miss_sd_m),
        miss_per_rad_m=measured(row.miss_per_rad_m),
        flags=tuple(row.flags),
        path_m=unpack_path(row.path, t_s),
        placement=tuple(
            Placement(p["ball"], _place(p["off_m"]), measured(p["sd_m"]), p["from"]) for p in row.placement
        ),
    )


def _rail_hit(c: dict[str, Any]) -> RailHit:
    return RailHit(
        rail=c["rail"],
        at_m=_place(c["at_m"]),
        at_sd_m=measured(c["at_sd_m"]),
        t_s=measured(c["t_s"]),
        speed_in_mps=measured(c["speed_in_mps"]),
        speed_out_mps=measured(c["speed_out_mps"]),
        bearing_in_rad=measured(c["bearing_in_rad"]),
        bearing_out_rad=measured(c["bearing_out_rad"]),
    )


def _place(values: list[float | None]) -> Vector:
    return np.array([measured(v) for v in values])
