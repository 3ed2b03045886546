"""What reading a clip of several drills gives: a reading for each shot, and the strokes that fit none."""

from dataclasses import dataclass
from typing import Any

from vision.reading import Attempt, Reading, attempt_json


@dataclass(frozen=True)
class Unassigned:
    """A stroke that was a try at none of the shots, told as the cue ball's path: no outcome, no miss."""

    attempt: Attempt
    why: str


@dataclass(frozen=True)
class MixedReading:
    """The whole of a clip, sorted: ``readings`` has one for each shot, in their order, with its own attempts.

    The facts of clip and camera, what was no attempt, and the warnings are in each of them alike.
    """

    readings: tuple[Reading, ...]
    unassigned: tuple[Unassigned, ...]

    def of_shot(self, name: str) -> Reading:
        return next(r for r in self.readings if r.shot.name == name)

    @property
    def attempted(self) -> tuple[Reading, ...]:
        """The readings of the shots at which there was an attempt."""
        return tuple(r for r in self.readings if r.attempts)

    def to_json(self) -> dict[str, Any]:
        """As of one shot, but with ``shots`` in place of ``shot``, and every attempt says of which it is."""
        marked = [(a.t_s, attempt_json(a) | {"shot": r.shot.name}) for r in self.readings for a in r.attempts]
        marked += [
            (u.attempt.t_s, attempt_json(u.attempt) | {"shot": None, "unassigned": u.why}) for u in self.unassigned
        ]
        out: dict[str, Any] = {}
        for key, value in self.readings[0].to_json().items():
            if key == "shot":
                out["shots"] = [r.shot.to_json() for r in self.readings]
            elif key == "attempts":
                out["attempts"] = [attempt for _, attempt in sorted(marked, key=lambda m: m[0])]
            else:
                out[key] = value
        return out
