"""What a line says, part by part, in the trade's own units: nothing is turned into coordinates here."""

from dataclasses import dataclass
from typing import Literal

from app.entry.numbers import Said
from app.entry.vocabulary import Unit
from calibration.table import Rail

At = Literal["sight", "nose"]
MissSide = Literal["long", "short", "left", "right", "thin", "full"]


@dataclass(frozen=True)
class OverSight:
    """A line of aim passes a rail here. ``rail`` is None where the line does not name it."""

    count: Said
    at: At = "sight"
    rail: Rail | None = None


@dataclass(frozen=True)
class BallAt:
    """The middle of the ball, along the long rail and across, counted from the target's corner at the noses."""

    along: Said
    across: Said
    unit: Unit


@dataclass(frozen=True)
class Result:
    """``side`` None: not told; ``amount`` None: by how much is not known; ``hit``: the word was that the target was."""

    outcome: Literal["made", "missed", "unclear"]
    side: MissSide | None = None
    amount: Said | None = None
    unit: Unit = "ball"
    hit: bool = False


@dataclass(frozen=True)
class Line:
    """A line as it was understood. ``speed`` is a word or metres per second (then ``speed_said`` is what was written).

    ``english`` None: not told.
    """

    text: str
    start: OverSight | BallAt
    through: OverSight
    result: Result
    speed: str | float | None = None
    english: str | None = None
    tips: float | None = None
    scratch: bool = False
    note: str = ""
