"""Clips whose truth is known, and how far a reading of one is from it.

The sample clip comes with the program; further ones are found through the environment variable RAILPOINT_FOOTAGE, a
folder of NAME.mp4, NAME.shot.toml and NAME.truth.json (see ``sample_frames/README.md`` for what the truth says).
"""

import json
import os
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from calibration.camera import Camera
from calibration.table import STANDARD_TABLES, Table, Vector
from vision.reading import Attempt, RailHit, Reading
from vision.shot import Shot, load_shot

# A found attempt belongs to the true one that began this close to it, a contact to the true one at the same rail.
SAME_STROKE_S = 0.5
SAME_CONTACT_S = 0.3


@dataclass(frozen=True)
class KnownClip:
    """A film, what was drilled in it, and what really happened (the truth file's mapping)."""

    path: Path
    shot: Shot
    truth: dict[str, Any]

    @property
    def name(self) -> str:
        return self.path.stem

    @property
    def table(self) -> Table:
        known = self.truth["table"]
        return replace(
            STANDARD_TABLES["9ft"],
            name=known["size"],
            length_m=known["length"],
            width_m=known["width"],
            ball_radius_m=known["ball_radius"],
            nose_height_m=known["cushion_nose_height"],
            sight_setback_m=known["sight_setback"],
            sight_height_m=known["rail_top_z"],
        )

    def camera(self, frame: int = 0) -> Camera:
        """The true camera of a frame."""
        known = self.truth["camera"]
        pose = [p for p in known["poses"] if p["from_frame"] <= frame][-1]
        return Camera(
            width=known["width"],
            height=known["height"],
            focal_px=known["fx"],
            centre_px=(known["cx"], known["cy"]),
            k1=known["k1"],
            k2=known["k2"],
            rotation=np.array(pose["R"]).reshape(3, 3),
            position_m=np.array(pose["position"]),
        )

    def frame_before(self, time_s: float) -> int:
        """Index of the last frame before a moment."""
        return int(np.searchsorted(self.truth["pts"], time_s)) - 1

    def place_m(self, ball: str, frame: int) -> Vector:
        """Where a ball truly was in a frame, (2,)."""
        seen = self.truth["frames"][ball]
        return np.array([seen["x"][frame], seen["y"][frame]], dtype=float)

    def miss_m(self, true: dict[str, Any]) -> float:
        """True miss of one of the truth's shots, in the program's sign and from the program's target point.

        The truth measures from ``target_xy``, which for a ball to be kicked in is where it was planned to be met,
        up to 2 mm from the ghost-ball centre of the resting ball; the offset between the two is taken across the path.
        """
        waiting = None
        if self.shot.kind == "kick":
            waiting = self.place_m("obj", self.frame_before(true["t_strike"]) - 1)
        shift = self.shot.target_point_m(self.table, waiting) - true["target_xy"]
        own = [c for c in true["contacts"] if c["ball"] == true["rail_ball"]]
        last = own[len(true["intended_rails"]) - 1]["t"]
        after = [c["t"] for c in own if c["t"] > last]
        after += [c["t"] for c in true["ball_contacts"] if c["t"] > last]
        after += [p["t"] for p in true["pocketed"] if p["ball"] == true["rail_ball"]]
        late = self.frame_before(min(after, default=self.truth["pts"][-1])) - 1
        ahead = self.place_m(true["rail_ball"], late) - self.place_m(true["rail_ball"], late - 3)
        left = np.array([-ahead[1], ahead[0]]) / np.hypot(*ahead)
        return float(-true["signed_miss_m"] - shift @ left)


def load_known_clip(path: Path) -> KnownClip:
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    return KnownClip(path, load_shot(path.with_suffix(".shot.toml")), truth)


def sample_clip() -> KnownClip:
    return load_known_clip(Path(str(files("sample_frames") / "overhead_kick.mp4")))


def footage_clips() -> list[KnownClip]:
    """The clips of RAILPOINT_FOOTAGE; none when it is unset."""
    folder = os.environ.get("RAILPOINT_FOOTAGE", "")
    paths = sorted(Path(folder).glob("*.mp4")) if folder else []
    return [load_known_clip(path) for path in paths if path.with_suffix(".truth.json").exists()]


@dataclass(frozen=True)
class Error:
    """One measured value less its truth, (k,), and the standard deviation that the reading states for it."""

    what: str
    by: Vector
    sd: float

    @property
    def standardised(self) -> Vector:
        return self.by / self.sd


@dataclass(frozen=True)
class Comparison:
    """A reading against the truth. ``lost_contacts`` are true contacts with the shot's rails that were not found."""

    attempts: int
    found: int
    false: int
    wrong_outcomes: int
    lost_contacts: int
    errors: tuple[Error, ...]

    def of(self, what: str) -> list[Error]:
        return [e for e in self.errors if e.what == what]

    def rms(self, what: str) -> float:
        """Root of the mean squared error (of the distance, for places); NaN when nothing was measured."""
        squares = [float(e.by @ e.by) for e in self.of(what)]
        return float(np.sqrt(np.mean(squares))) if squares else float("nan")

    def with_sd(self, what: str) -> int:
        """How many errors are ``standardisable``."""
        return len(self.standardisable(what))

    def standardisable(self, what: str) -> list[Error]:
        """Errors that have a standard deviation to be held against."""
        return [e for e in self.of(what) if np.isfinite(e.sd) and e.sd > 0]

    def pooled(self, what: str, *, common_apart: bool = False) -> float:
        """Root of the mean squared standardised error: 1 for honest standard deviations.

        ``common_apart`` takes out what all attempts of the clip share, estimated by their weighted mean (and divides
        by one less), component by component.
        """
        errors = self.standardisable(what)
        if len(errors) < (2 if common_apart else 1):
            return float("nan")
        by = np.array([e.by for e in errors])
        sd = np.array([e.sd for e in errors])[:, None]
        if not common_apart:
            return float(np.sqrt(np.mean((by / sd) ** 2)))
        shared = (by / sd**2).sum(axis=0) / (1 / sd**2).sum(axis=0)
        return float(np.sqrt((((by - shared) / sd) ** 2).sum() / ((len(errors) - 1) * by.shape[1])))


def compare(reading: Reading, clip: KnownClip) -> Comparison:
    """Errors of all attempts found: start (m), bearing and common_bearing (rad), speed (fraction), strike (s), contact
    (m, along the rail), miss (m, the program's sign)."""
    known = clip.truth["shots"]
    pairs = []
    left = list(reading.attempts)
    for true in known:
        near = [a for a in left if abs(a.t_s - true["t_strike"]) < SAME_STROKE_S]
        if near:
            best = min(near, key=lambda a: abs(a.t_s - true["t_strike"]))
            left.remove(best)
            pairs.append((best, true))
    errors: list[Error] = []
    lost = 0
    for attempt, true in pairs:
        found, missing = _errors(attempt, true, clip)
        errors += found
        lost += missing
    return Comparison(
        attempts=len(known),
        found=len(pairs),
        false=len(left),
        wrong_outcomes=sum((a.outcome == "made") != t["made"] or a.outcome == "unclear" for a, t in pairs),
        lost_contacts=lost,
        errors=tuple(errors),
    )


def true_speed_mps(true: dict[str, Any]) -> float:
    """Launch speed of the kicked or banked ball."""
    if true["rail_ball"] == "cue":
        return float(true["launch_speed"])
    return float(next(c for c in true["ball_contacts"] if c["b"] == true["rail_ball"])["b_speed_out"])


def _errors(attempt: Attempt, true: dict[str, Any], clip: KnownClip) -> tuple[list[Error], int]:
    turn = attempt.bearing_rad - true["rail_ball_line_dir"]
    speed = true_speed_mps(true)
    errors = [
        Error("start", attempt.start_m - true["rail_ball_start"], attempt.start_sd_m),
        Error("bearing", np.array([np.angle(np.exp(1j * turn))]), attempt.bearing_sd_rad),
        Error("speed", np.array([attempt.speed_mps / speed - 1]), attempt.speed_sd_mps / speed),
        Error("strike", np.array([attempt.t_s - true["t_strike"]]), attempt.t_sd_s),
    ]
    if np.isfinite(attempt.miss_m):
        errors.append(Error("miss", np.array([attempt.miss_m - clip.miss_m(true)]), attempt.miss_sd_m))
    rails = [c for c in true["contacts"] if c["ball"] == true["rail_ball"]][: len(true["intended_rails"])]
    missing = 0
    for contact in rails:
        hit = _hit(attempt, contact)
        if hit is None:
            missing += 1
            continue
        along = 0 if hit.rail in ("left", "right") else 1
        off = hit.at_m[along] - (contact["x"], contact["y"])[along]
        errors.append(Error("contact", np.array([off]), hit.at_sd_m))
    return [e for e in errors if np.isfinite(e.by).all()], missing


def _hit(attempt: Attempt, contact: dict[str, Any]) -> RailHit | None:
    near = [h for h in attempt.contacts if h.rail == contact["rail"] and abs(h.t_s - contact["t"]) < SAME_CONTACT_S]
    return min(near, key=lambda h: abs(h.t_s - contact["t"]), default=None)
