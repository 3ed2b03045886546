"""Known clips altered as films and in their truth alike: mirrored, turned, dimmed, smaller, of a lower bit rate.

Frames are changed plane by plane, at their own exact times. That leaves the colour samples where they belong as long
as they stand in the middle of their four pixels, as in all known clips.
"""

import copy
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import inf
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.head import OPPOSITE
from tests.known_clips import KnownClip
from tests.vision.films import TIME_BASE, turned
from vision.shot import Shot

Plane = NDArray[np.uint8]
Planes = tuple[Plane, Plane, Plane]
Truth = dict[str, Any]

DEFAULT_HEAD = {0: "left", 90: "bottom", 180: "left", 270: "bottom"}
OTHER_SIDE = {"left": "right", "right": "left", "top": "bottom", "bottom": "top"}
# Encoded so finely that it adds little to what the film has lost already.
FINE = {"crf": "12", "preset": "ultrafast"}
# A live encoder's preset; the fastest one would lose far more than the bit rate alone does.
COARSE_PRESET = "veryfast"
BLACK, NEUTRAL = 16, 128
SMALL_SIDE_PX = 720
# A film cut before a later attempt ends this long before that attempt's strike.
BEFORE_STRIKE_S = 0.6


@dataclass(frozen=True)
class AlteredClip:
    """A clip to be read, and on which side of its upright picture the head is (None: where it is by default)."""

    clip: KnownClip
    head: str | None


@dataclass(frozen=True)
class Variant:
    """One alteration: of the planes, of the truth, of the shot; where the head goes; how it is encoded."""

    planes: Callable[[Planes], Planes] = lambda planes: planes
    truth: Callable[[Truth], Truth] = lambda truth: truth
    shot: Callable[[Shot, float], Shot] = lambda shot, width_m: shot
    flag_turn_deg: int = 0
    flips_across: bool = False
    flips_down: bool = False
    rate: float = inf

    def head(self, rotation_deg: int) -> str | None:
        """Where the head of a clip goes whose stored frames are turned by ``rotation_deg`` to stand upright."""
        before = DEFAULT_HEAD[rotation_deg]
        across = (before in ("left", "right")) == (rotation_deg in (0, 180))
        moved = self.flips_across if across else self.flips_down
        # A flag that turns by half undoes what was done to the pixels.
        moved ^= self.flag_turn_deg == 180
        return OTHER_SIDE[before] if moved else None


def _with_camera(truth: Truth, change: NDArray[np.float64], scale: float = 1.0) -> Truth:
    """The truth when each pixel went to ``change`` (a diagonal of signs, about the picture's middle) times a scale.

    Pixels of balls, frame by frame, are not used by any comparison, and stay those of the film as it was.
    """
    out = copy.deepcopy(truth)
    camera = out["camera"]
    last = (camera["width"] - 1, camera["height"] - 1)
    for axis, name, focal in ((0, "cx", "fx"), (1, "cy", "fy")):
        at = camera[name] if change[axis] > 0 else last[axis] - camera[name]
        camera[name] = (at + 0.5) * scale - 0.5
        camera[focal] *= scale
    camera["width"], camera["height"] = round(camera["width"] * scale), round(camera["height"] * scale)
    for pose in camera["poses"]:
        pose["R"] = (np.diag([*change, 1.0]) @ np.array(pose["R"])).tolist()
    return out


def mirrored_truth(truth: Truth) -> Truth:
    """Stored frames with left and right exchanged: the table in them is mirrored, y = 0 and y = W exchanged."""
    width_m = truth["table"]["width"]
    camera = _with_camera(truth, np.array([-1.0, 1.0]))["camera"]
    for pose in camera["poses"]:
        # A mirror of the picture and one of the table: together a rotation again.
        pose["R"] = (np.array(pose["R"]) @ np.diag([1.0, -1.0, 1.0])).tolist()
        pose["position"][1] = width_m - pose["position"][1]
    return {
        **truth,
        "camera": camera,
        "frames": {ball: {**seen, "y": _across(seen["y"], width_m)} for ball, seen in truth["frames"].items()},
        "shots": [_mirrored_shot(shot, width_m) for shot in truth["shots"]],
    }


def _mirrored_shot(shot: Truth, width_m: float) -> Truth:
    def place(at: list[float]) -> list[float]:
        return [at[0], width_m - at[1]]

    return {
        **shot,
        "cue_start": place(shot["cue_start"]),
        "rail_ball_start": place(shot["rail_ball_start"]),
        "target_xy": place(shot["target_xy"]),
        "launch_dir": -shot["launch_dir"],
        "rail_ball_line_dir": -shot["rail_ball_line_dir"],
        "intended_rails": [mirrored_name(rail) for rail in shot["intended_rails"]],
        "target_pocket": mirrored_name(shot["target_pocket"]),
        "contacts": [
            {
                **c,
                "rail": mirrored_name(c["rail"]),
                "y": width_m - c["y"],
                "dir_in": -c["dir_in"],
                "dir_out": -c["dir_out"],
            }
            for c in shot["contacts"]
        ],
        "ball_contacts": [
            {**c, "a_xy": place(c["a_xy"]), "b_xy": place(c["b_xy"]), "b_dir_out": -c["b_dir_out"]}
            for c in shot["ball_contacts"]
        ],
        "pocketed": [{**p, "pocket": mirrored_name(p["pocket"])} for p in shot["pocketed"]],
        "signed_miss_m": -shot["signed_miss_m"],
    }


def mirrored_name(name: str) -> str:
    """A rail or pocket seen in a mirror along the table: left and right exchanged, head and foot where they are."""
    return "-".join(OPPOSITE[part] if part in ("left", "right") else part for part in name.split("-"))


def mirrored_shot(shot: Shot, width_m: float) -> Shot:
    """What is drilled, seen in the same mirror."""
    ball, aim, pocket = shot.target_ball, shot.target_aim, shot.target_pocket
    return replace(
        shot,
        rails=tuple(mirrored_name(rail) for rail in shot.rails),  # type: ignore[misc]
        target_ball=(ball[0], width_m - ball[1]) if isinstance(ball, tuple) else ball,
        target_aim=(aim[0], width_m - aim[1]) if aim else None,
        target_pocket=mirrored_name(pocket) if pocket else None,  # type: ignore[arg-type]
    )


def _across(values: list[float | None], width_m: float) -> list[float | None]:
    return [None if value is None else width_m - value for value in values]


def _dimmed(planes: Planes, tenths: int = 5) -> Planes:
    """Frames whose luma and chroma are so many tenths of what they were."""
    zeros = (BLACK, NEUTRAL, NEUTRAL)
    less = (zero + (p.astype(np.int16) - zero) * tenths // 10 for zero, p in zip(zeros, planes, strict=True))
    return tuple(np.clip(plane, 0, 255).astype(np.uint8) for plane in less)  # type: ignore[return-value]


def _smaller(planes: Planes) -> Planes:
    scale = SMALL_SIDE_PX / min(planes[0].shape)
    height, width = (round(side * scale) for side in planes[0].shape)
    sizes = ((width, height), (width // 2, height // 2), (width // 2, height // 2))
    return tuple(cv2.resize(p, s, interpolation=cv2.INTER_AREA) for p, s in zip(planes, sizes, strict=True))


def _smaller_truth(truth: Truth) -> Truth:
    scale = SMALL_SIDE_PX / min(truth["camera"]["width"], truth["camera"]["height"])
    return _with_camera(truth, np.ones(2), scale)


def _turned_planes(planes: Planes) -> Planes:
    return tuple(plane[::-1, ::-1] for plane in planes)  # type: ignore[return-value]


def _mirrored_planes(planes: Planes) -> Planes:
    return tuple(plane[:, ::-1] for plane in planes)  # type: ignore[return-value]


def _turned_truth(truth: Truth) -> Truth:
    return _with_camera(truth, -np.ones(2))


PLAIN = "plain"
VARIANTS: dict[str, Variant] = {
    PLAIN: Variant(),
    "mirrored": Variant(_mirrored_planes, mirrored_truth, mirrored_shot, flips_across=True),
    "dimmed": Variant(_dimmed),
    "dark": Variant(partial(_dimmed, tenths=3)),
    "bit-rate": Variant(rate=1 / 3),
    "720p": Variant(_smaller, _smaller_truth),
    "turned": Variant(_turned_planes, _turned_truth, flips_across=True, flips_down=True),
    "turned-flag": Variant(_turned_planes, _turned_truth, flag_turn_deg=180, flips_across=True, flips_down=True),
}


def altered(clip: KnownClip, variant: str, folder: Path, attempts: int | None = None) -> AlteredClip:
    """Write an altered film into a folder and give it with its truth; the plain one, whole, is taken as it is.

    ``attempts``: the film ends before the strike that follows so many attempts.
    """
    change = VARIANTS[variant]
    truth, until_s = _cut(clip.truth, attempts)
    if variant == PLAIN and until_s == inf:
        return AlteredClip(clip, None)
    path = folder / f"{clip.name}.{variant}.mp4"
    rotation = _write(clip.path, path, change, until_s)
    shot = change.shot(clip.shot, truth["table"]["width"])
    return AlteredClip(KnownClip(path, shot, change.truth(truth)), change.head(rotation))


def _cut(truth: Truth, attempts: int | None) -> tuple[Truth, float]:
    shots = truth["shots"]
    if attempts is None or attempts >= len(shots):
        return truth, inf
    return {**truth, "shots": shots[:attempts]}, shots[attempts]["t_strike"] - BEFORE_STRIKE_S


def _write(source: Path, goal: Path, change: Variant, until_s: float) -> int:
    """Encode a film anew, each frame changed and at its own time; the clockwise turn that its flag asks for."""
    rotation = 0
    with av.open(str(source)) as film, av.open(str(goal), "w", format="mp4") as out:
        inwards = film.streams.video[0]
        stream = None
        for picture in film.decode(inwards):
            if float(picture.time or 0.0) > until_s:
                break
            rotation = -picture.rotation % 360
            stacked = np.asarray(picture.to_ndarray(format="yuv420p"), np.uint8)
            y, u, v = change.planes(_planes(stacked, picture.width, picture.height))
            frame = av.VideoFrame.from_ndarray(_stacked(y, u, v), format="yuv420p")
            if stream is None:
                stream = out.add_stream("libx264", rate=inwards.average_rate)
                stream.width, stream.height, stream.pix_fmt = y.shape[1], y.shape[0], "yuv420p"
                stream.time_base = stream.codec_context.time_base = inwards.time_base or TIME_BASE
                stream.codec_context.color_range = inwards.codec_context.color_range
                stream.codec_context.colorspace = inwards.codec_context.colorspace
                # No pictures out of order: times stay as they are in every player.
                stream.options = {**_quality(change, stream, inwards.bit_rate or 0), "threads": "1", "bf": "0"}
            frame.pts, frame.time_base = picture.pts, picture.time_base
            frame.color_range = picture.color_range
            out.mux(stream.encode(frame))
        if stream is not None:
            out.mux(stream.encode())
    goal.write_bytes(turned(goal.read_bytes(), (rotation + change.flag_turn_deg) % 360))
    return rotation


def _quality(change: Variant, stream: av.VideoStream, bits_per_s: int) -> dict[str, str]:
    if change.rate == inf:
        return FINE
    stream.codec_context.bit_rate = round(bits_per_s * change.rate)
    return {"preset": COARSE_PRESET}


def _planes(stacked: Plane, width: int, height: int) -> Planes:
    """The planes of a frame stacked as PyAV gives it: (3 h / 2, w)."""
    half = (height // 2, width // 2)
    flat = stacked.reshape(-1)
    size, part = width * height, half[0] * half[1]
    return (
        flat[:size].reshape(height, width),
        flat[size : size + part].reshape(half),
        flat[size + part : size + 2 * part].reshape(half),
    )


def _stacked(y: Plane, u: Plane, v: Plane) -> Plane:
    parts = np.concatenate([plane.reshape(-1) for plane in (y, u, v)])
    return parts.reshape(y.shape[0] * 3 // 2, y.shape[1])
