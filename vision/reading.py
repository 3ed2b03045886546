"""What reading a clip gives: plain values with their standard deviations, and their JSON form (schema 1)."""

from dataclasses import dataclass, field
from math import degrees, isfinite, radians
from typing import Any, Literal

from calibration.table import Pocket, Rail, Vector
from vision.shot import Shot

SCHEMA = 1


@dataclass(frozen=True)
class RailHit:
    """A ball meets a rail. ``at_m`` is the ball's centre, (2,). Radians; NaN where the film does not tell."""

    rail: Rail
    at_m: Vector
    at_sd_m: float
    t_s: float
    speed_in_mps: float
    speed_out_mps: float
    bearing_in_rad: float
    bearing_out_rad: float


@dataclass(frozen=True)
class BallHit:
    """Two balls meet. ``at_m`` is the centre of the first one, (2,).

    ``t_sd_s`` is what is not known of its moment besides what the legs on either side leave open, seconds.
    """

    t_s: float
    balls: tuple[str, str]
    at_m: Vector
    t_sd_s: float = 0.0


@dataclass(frozen=True)
class Pocketing:
    ball: str
    pocket: Pocket
    t_s: float


@dataclass(frozen=True)
class Placement:
    """How far a ball lay from where it should: ``off_m`` (2,), and the standard deviation of each coordinate.

    ``put_by`` says who put it there: the shot's own stated place, or the first attempt from about that place.
    """

    ball: str
    off_m: Vector
    sd_m: float
    put_by: Literal["drill", "first attempt"]


@dataclass(frozen=True)
class Attempt:
    """One try at the shot. Metres, seconds, radians; NaN where not measured, with a flag that says why.

    ``path_m`` (n, 3) holds t, x, y of the kicked or banked ball for drawing; it is not part of the JSON interface.
    """

    t_s: float
    t_sd_s: float
    ball: str
    start_m: Vector
    start_sd_m: float
    bearing_rad: float
    bearing_sd_rad: float
    speed_mps: float
    speed_sd_mps: float
    cue_start_m: Vector
    cue_bearing_rad: float
    cut_rad: float
    contacts: tuple[RailHit, ...]
    ball_contacts: tuple[BallHit, ...]
    pocketed: tuple[Pocketing, ...]
    outcome: str
    miss_m: float
    miss_sd_m: float
    miss_per_rad_m: float
    flags: tuple[str, ...]
    path_m: Vector
    placement: tuple[Placement, ...] = ()


@dataclass(frozen=True)
class NotAttempt:
    t_s: float
    why: str


@dataclass(frozen=True)
class ClipFacts:
    frames: int
    frames_lost: int
    duration_s: float
    width: int
    height: int
    complete: bool


@dataclass(frozen=True)
class CameraFacts:
    residual_px: float
    mm_per_px: float
    automatic: bool
    common_bearing_sd_rad: float
    readout_s: float | None = None


@dataclass(frozen=True)
class Reading:
    """The whole of a clip. ``to_json`` is the published form, `railpoint read --json`."""

    reader: str
    shot: Shot
    table_name: str
    table_length_m: float
    table_width_m: float
    head: str
    clip: ClipFacts
    camera: CameraFacts
    attempts: tuple[Attempt, ...]
    not_attempts: tuple[NotAttempt, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    def to_json(self) -> dict[str, Any]:
        clip, camera = self.clip, self.camera
        return {
            "schema": SCHEMA,
            "reader": self.reader,
            "shot": self.shot.to_json(),
            "table": {
                "name": self.table_name,
                "length_m": number(self.table_length_m, 4),
                "width_m": number(self.table_width_m, 4),
                "head": self.head,
            },
            "clip": {
                "frames": clip.frames,
                "frames_lost": clip.frames_lost,
                "duration_s": number(clip.duration_s, 3),
                "width": clip.width,
                "height": clip.height,
                "complete": clip.complete,
            },
            "camera": {
                "residual_px": number(camera.residual_px, 3),
                "mm_per_px": number(camera.mm_per_px, 3),
                "automatic": camera.automatic,
                "common_bearing_sd_deg": number(degrees(camera.common_bearing_sd_rad), 4),
                "readout_ms": None if camera.readout_s is None else number(1000 * camera.readout_s, 3),
            },
            "attempts": [attempt_json(a) for a in self.attempts],
            "not_attempts": [{"t_s": number(n.t_s, 3), "why": n.why} for n in self.not_attempts],
            "warnings": list(self.warnings),
        }


def attempt_json(a: Attempt) -> dict[str, Any]:
    """One attempt as it stands in the JSON: bearings in degrees in [0, 360), null for what was not measured."""
    out: dict[str, Any] = {
        "t_s": number(a.t_s, 4),
        "t_sd_s": number(a.t_sd_s, 4),
        "ball": a.ball,
        "start_m": point(a.start_m),
        "start_sd_m": number(a.start_sd_m, 5),
        "bearing_deg": bearing(a.bearing_rad),
        "bearing_sd_deg": number(degrees(a.bearing_sd_rad), 4),
        "speed_mps": number(a.speed_mps, 4),
        "speed_sd_mps": number(a.speed_sd_mps, 4),
        "cue_start_m": point(a.cue_start_m),
        "cue_bearing_deg": bearing(a.cue_bearing_rad),
    }
    if a.ball != "cue":
        out["cut_deg"] = number(degrees(a.cut_rad), 3)
    return out | {
        "contacts": [
            {
                "rail": c.rail,
                "at_m": point(c.at_m),
                "at_sd_m": number(c.at_sd_m, 5),
                "t_s": number(c.t_s, 4),
                "speed_in_mps": number(c.speed_in_mps, 4),
                "speed_out_mps": number(c.speed_out_mps, 4),
                "bearing_in_deg": bearing(c.bearing_in_rad),
                "bearing_out_deg": bearing(c.bearing_out_rad),
            }
            for c in a.contacts
        ],
        "ball_contacts": [
            {"t_s": number(c.t_s, 4), "balls": list(c.balls), "at_m": point(c.at_m)} for c in a.ball_contacts
        ],
        "pocketed": [{"ball": p.ball, "pocket": p.pocket, "t_s": number(p.t_s, 3)} for p in a.pocketed],
        "outcome": a.outcome,
        "miss_m": number(a.miss_m, 5),
        "miss_sd_m": number(a.miss_sd_m, 5),
        "miss_per_deg_m": number(a.miss_per_rad_m * radians(1), 6),
        "flags": list(a.flags),
        "placement": [
            {"ball": p.ball, "off_m": point(p.off_m), "sd_m": number(p.sd_m, 5), "from": p.put_by} for p in a.placement
        ],
    }


def number(value: float, digits: int) -> float | None:
    """Rounded well below what is known; null for NaN and infinity, which JSON cannot say."""
    return round(float(value), digits) + 0.0 if isfinite(value) else None


def bearing(value_rad: float) -> float | None:
    value = number(degrees(value_rad), 4)
    return None if value is None else value % 360.0


def point(value_m: Vector) -> list[float | None]:
    return [number(float(v), 5) for v in value_m]
