"""What a film tells of its camera without a truth: the records of a self-check, and their form as JSON."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Setup
from calibration.setup_check import SetupCheck
from calibration.size_over_table import SizeOverTable
from calibration.table import Vector
from vision.resting import RestingBall

SCHEMA = 1
# What a tape read by a person, and a table within its tolerances (3 mm along 2.5 m, say), are worth.
TAPE_SD_M, TABLE_SD_SHARE = 0.0015, 0.0006
FAR_SDS = 3.0
# A centre may scatter so many times more than is stated for it before that is a contradiction.
MOST_SCATTER_RATIO = 2.0


@dataclass(frozen=True)
class SizedPlace:
    """A ball's diameter at one place, metres, with the sd against other balls; NaN with a clause that says why."""

    colour: str
    at_m: Vector
    diameter_m: float
    diameter_sd_m: float
    why: str


@dataclass(frozen=True)
class OnSpot:
    """A ball near a spot of the table: offset (2,) of its centre from the spot's place, along x and y, and its sd."""

    spot: str
    ball: RestingBall
    offset_m: Vector
    sd_m: float


@dataclass(frozen=True)
class Distance:
    """Distance between the centres of two balls that lay still at the same time; the sd holds the camera's part.

    ``tape_m`` is what a tape says, NaN without.
    """

    first: RestingBall
    second: RestingBall
    distance_m: float
    sd_m: float
    tape_m: float = float("nan")

    @property
    def agrees(self) -> bool:
        """Whether tape and film agree within what both, and the table's tolerances, allow."""
        known = self.sd_m if np.isfinite(self.sd_m) else 0.0
        sd = np.sqrt(known**2 + TAPE_SD_M**2 + (TABLE_SD_SHARE * self.distance_m) ** 2)
        return not abs(self.distance_m - self.tape_m) > FAR_SDS * sd


@dataclass(frozen=True)
class Scatter:
    """How a ball's centre scatters from frame to frame while it lies still: sd of either coordinate, and the stated."""

    ball: RestingBall
    frames: int
    over_s: float
    sd_m: float
    stated_sd_m: float

    @property
    def agrees(self) -> bool:
        return self.sd_m <= MOST_SCATTER_RATIO * self.stated_sd_m


@dataclass(frozen=True)
class Drift:
    """How far a ball's centre crept while it lay still, from its first looks to its last; ``most_m`` does no harm."""

    ball: RestingBall
    over_s: float
    drift_m: float
    sd_m: float
    most_m: float

    @property
    def agrees(self) -> bool:
        return self.drift_m <= max(FAR_SDS * self.sd_m, self.most_m)


@dataclass(frozen=True)
class SelfCheck:
    """All that a film tells of its camera without a truth.

    Attributes
    ----------
    setup : the camera that was checked.
    from_s, until_s, whole : the part of the film in which the camera stood longest, and whether that is all of it.
    noses : the cushions' noses against where the camera expects them.
    balls : the balls at rest, in order of time.
    places, sizes : their diameters place by place, and over the table; None without a size.
    spots, distances : balls near a spot; the pairs that lay farthest apart.
    tapes, tapes_without : pairs held against a tape; tapes to which no pair was near.
    scatter, drift : how still balls at rest seem; empty and None when none lay for long enough.
    still : an upright picture with the model drawn over it.
    """

    setup: Setup
    from_s: float
    until_s: float
    whole: bool
    noses: SetupCheck
    balls: tuple[RestingBall, ...]
    places: tuple[SizedPlace, ...]
    sizes: SizeOverTable | None
    spots: tuple[OnSpot, ...]
    distances: tuple[Distance, ...]
    tapes: tuple[Distance, ...]
    tapes_without: tuple[float, ...]
    scatter: tuple[Scatter, ...]
    drift: Drift | None
    still: NDArray[np.uint8] = field(repr=False)

    def to_json(self) -> dict[str, Any]:
        """Metres, seconds and pixels with the unit in the name; null is "not measured"."""
        table, camera = self.setup.table, self.setup.camera
        return {
            "schema": SCHEMA,
            "table": {
                "name": table.name,
                "length_m": table.length_m,
                "width_m": table.width_m,
                "ball_diameter_m": 2 * table.ball_radius_m,
                "head": self.setup.head,
            },
            "camera": {"residual_px": _number(camera.residual_px), "mm_per_px": _number(camera.mm_per_px(table))},
            "from_s": _number(self.from_s),
            "until_s": _number(self.until_s),
            "noses": {
                "offset_px": {rail: _number(offset) for rail, offset in self.noses.offset_px.items()},
                "agrees": self.noses.agrees,
            },
            "balls": [
                {**_ball(ball), "from_s": _number(ball.first_s), "until_s": _number(ball.last_s)} for ball in self.balls
            ],
            "diameters": [
                {
                    "ball": place.colour,
                    "at_m": _point(place.at_m),
                    "diameter_m": _number(place.diameter_m),
                    "diameter_sd_m": _number(place.diameter_sd_m),
                    "why": place.why or None,
                }
                for place in self.places
            ],
            "size": _size(self.sizes),
            "spots": [
                {
                    "spot": on.spot,
                    **_ball(on.ball),
                    "offset_m": _point(on.offset_m),
                    "offset_sd_m": _number(on.sd_m),
                }
                for on in self.spots
            ],
            "distances": [_distance(pair) for pair in self.distances],
            "tapes": [{**_distance(pair), "tape_m": pair.tape_m, "agrees": pair.agrees} for pair in self.tapes],
            "scatter": [
                {
                    **_ball(one.ball),
                    "frames": one.frames,
                    "over_s": _number(one.over_s),
                    "scatter_m": _number(one.sd_m),
                    "stated_sd_m": _number(one.stated_sd_m),
                    "agrees": one.agrees,
                }
                for one in self.scatter
            ],
            "drift": None
            if self.drift is None
            else {
                **_ball(self.drift.ball),
                "over_s": _number(self.drift.over_s),
                "drift_m": _number(self.drift.drift_m),
                "drift_sd_m": _number(self.drift.sd_m),
                "agrees": self.drift.agrees,
            },
        }


def _size(sizes: SizeOverTable | None) -> dict[str, Any] | None:
    if sizes is None:
        return None
    return {
        "share_of_nominal": _number(sizes.share),
        "share_of_nominal_sd": _number(sizes.share_sd),
        "head_to_foot": _number(sizes.along) if sizes.tells_along else None,
        "head_to_foot_sd": _number(sizes.along_sd) if sizes.tells_along else None,
        "right_to_left": _number(sizes.across) if sizes.tells_across else None,
        "right_to_left_sd": _number(sizes.across_sd) if sizes.tells_across else None,
        "agrees": sizes.agrees,
    }


def _ball(ball: RestingBall) -> dict[str, Any]:
    return {"ball": ball.colour, "at_m": _point(ball.at_m)}


def _distance(pair: Distance) -> dict[str, Any]:
    return {
        "balls": [_ball(pair.first), _ball(pair.second)],
        "distance_m": _number(pair.distance_m),
        "distance_sd_m": _number(pair.sd_m),
    }


def _point(at_m: Vector) -> list[float | None]:
    return [_number(value) for value in at_m]


def _number(value: float) -> float | None:
    """Rounded to a micrometre; None for what was not measured."""
    return round(float(value), 6) if np.isfinite(value) else None
