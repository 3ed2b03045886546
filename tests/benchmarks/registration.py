"""Registration against true cameras: place errors at ball height, bearings of perfect tracks, stated sds.

Known clips as they are and altered, and stills of ``--drills N`` tables drawn at random (``--seed S``, ``--first K``).
The rows ``in stated sds`` pool the errors in units of what was stated: 1 is honest, above is too sure of itself. A
camera's error is one draw of what a whole film shares, so only many tables tell whether it is stated rightly.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from time import perf_counter
from typing import Any

import av
import numpy as np

from calibration.accuracy import place_accuracy
from calibration.errors import InputError
from calibration.register import register
from calibration.table import Table
from tests.benchmarks.drawn_stills import coded, drawn_stills
from tests.known_clips import KnownClip, footage_clips, sample_clip
from tests.known_stills import (
    STILLS,
    KnownStill,
    Picture,
    as_it_is,
    at_720p,
    camera_error,
    dimmed,
    known_still,
    leg_bearing_errors_rad,
    mirrored,
    turned_by_flag,
    turned_by_pixels,
)

FRAMES = 9
# About what a third of the bit rate leaves of the known clips; tables drawn where no number is given.
RECODED_CRF, DRAWN = 28, 24
DEFAULT_HEAD = {0: "left", 90: "bottom", 180: "left", 270: "bottom"}


def frames_of(clip: KnownClip) -> tuple[list[Picture], int]:
    """Stored frames spread over a clip, and the clockwise turn that shows them upright."""
    with av.open(str(clip.path)) as container:
        stream = container.streams.video[0]
        wanted = set(np.linspace(0, len(clip.truth["pts"]) - 1, FRAMES).astype(int).tolist())
        frames, turn = [], 0
        for k, frame in enumerate(container.decode(stream)):
            turn = -frame.rotation % 360
            if k in wanted:
                frames.append(np.asarray(frame.to_ndarray(format="bgr24"), np.uint8))
    return frames, turn


VARIANTS: dict[str, Callable[[KnownStill], KnownStill]] = {
    "as it is": as_it_is,
    "mirrored": mirrored,
    "turned, flag": turned_by_flag,
    "turned, pixels": turned_by_pixels,
    "dimmed by half": dimmed,
    "720p": at_720p,
}
NAME_LENGTH = 12


def row(
    name: str, variant: str, frames: list[Picture], still: KnownStill, table: Table | None = None
) -> dict[str, Any]:
    """Errors of the camera registered from frames; ``table`` as it is stated to ``register``."""
    began = perf_counter()
    try:
        setup = register(frames, rotation_deg=still.rotation_deg, table=table, head=None)
    except InputError as error:
        return {"clip": name, "variant": variant, "table": f"refused: {re.split('[:;,]', str(error))[0]}"}
    error = camera_error(setup.camera, still.camera, still.table)
    legs = leg_bearing_errors_rad(setup.camera, still.camera, still.table)
    stated = place_accuracy(setup)
    right = setup.table.name == still.table.name and setup.head == still.head
    return {
        "clip": name,
        "variant": variant,
        "table": setup.table.name if right else f"{setup.table.name}, WRONG",
        "mean_mm": 1000 * error.mean_m,
        "worst_mm": 1000 * error.worst_m,
        "rms_mm": 1000 * error.rms_m,
        "stated_rms_mm": 1000 * error.stated_rms_m,
        "stated_worst_mm": 1000 * stated.worst_sd_m if stated else float("nan"),
        "turn_deg": float(np.degrees(error.turn_rad)),
        "legs_rms_deg": float(np.degrees(np.sqrt(np.mean(legs**2)))),
        "stated_bearing_deg": float(np.degrees(error.stated_turn_rad)),
        "residual_px": setup.camera.residual_px,
        "seconds": perf_counter() - began,
    }


def summary(rows: list[dict[str, Any]], of: str = "all") -> dict[str, Any]:
    """Root mean square of the standardised errors over all rows that were registered, and how many were not."""
    told = [row for row in rows if "rms_mm" in row]
    places = np.array([row["rms_mm"] / row["stated_rms_mm"] for row in told])
    turns = np.array([row["turn_deg"] / row["stated_bearing_deg"] for row in told])
    return {
        "clip": of,
        "variant": "in stated sds",
        "table": f"{len(rows) - len(told)} refused",
        "rms_mm": float(np.sqrt(np.mean(places**2))) if told else float("nan"),
        "turn_deg": float(np.sqrt(np.mean(turns**2))) if told else float("nan"),
    }


def run(drills: int = DRAWN, seed: int = 0, first: int = 0) -> dict[str, list[dict[str, Any]]]:
    """Every clip of known truth, as it is and altered, and the sample stills, one frame each; then drawn stills."""
    known = []
    for clip in footage_clips() or [sample_clip()]:
        frames, turn = frames_of(clip)
        still = KnownStill(frames[0], clip.camera(), clip.table, turn, DEFAULT_HEAD[turn])
        for variant, change in VARIANTS.items():
            altered = [change(replace(still, picture=frame)) for frame in frames]
            known.append(row(clip.name[:NAME_LENGTH], variant, [a.picture for a in altered], altered[0]))
        known.append(row(clip.name[:NAME_LENGTH], "a third of the bit rate", coded(frames, RECODED_CRF), still))
    for name in STILLS:
        still = known_still(name)
        known.append(row(name, "one frame", [still.picture], still))
    return {"known": [*known, summary(known)], "drawn": drawn_rows(drills, seed, first)}


def drawn_rows(count: int, seed: int, first: int) -> list[dict[str, Any]]:
    """One row a drawn still, its table stated, then the errors pooled by view and quality."""
    rows: list[dict[str, Any]] = []
    groups: dict[str, list[dict[str, Any]]] = {}
    for k, drawn in enumerate(drawn_stills(count, seed, first)):
        rows.append(
            row(f"drawn {first + k // 2}, {drawn.view}", drawn.variant, drawn.frames, drawn.still, drawn.still.table)
        )
        groups.setdefault(f"{drawn.view}, {drawn.variant}", []).append(rows[-1])
    return rows + [summary(some, of) for of, some in sorted(groups.items())]
