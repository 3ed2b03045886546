"""What reading a clip of several drills gives: a reading for each shot, and the strokes that fit none."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from vision.placement import Lay
from vision.reading import Attempt, Reading, attempt_json
from vision.shot import Shot
from vision.sorting import Choice, Tried

FITS_NONE = "it fits none of the shots"


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


def sorted_reading(
    whole: Reading, tries: Sequence[Tried], choices: Sequence[Choice], shots: Sequence[Shot]
) -> tuple[MixedReading, list[list[Lay]]]:
    """The reading of a clip taken apart by shot, and the lay of the balls at each attempt of each shot.

    ``whole`` holds what all have in common. Strokes that fit several shots equally well are named in the warnings.
    """
    mine = [[t for t, c in zip(tries, choices, strict=True) if c.shot == k] for k in range(len(shots))]
    left = [(t, c) for t, c in zip(tries, choices, strict=True) if c.shot is None]
    unassigned = tuple(Unassigned(t.plain, _why(c, shots)) for t, c in left)
    torn = tuple(
        f"the stroke at {u.attempt.t_s:.1f} s is at none of the shots: {u.why}"
        for u, (_, c) in zip(unassigned, left, strict=True)
        if c.rivals
    )
    readings = tuple(
        replace(whole, shot=shot, attempts=tuple(t.by_shot[k] for t in mine[k]), warnings=(*whole.warnings, *torn))
        for k, shot in enumerate(shots)
    )
    return MixedReading(readings, unassigned), [[t.lay for t in tried] for tried in mine]


def _why(choice: Choice, shots: Sequence[Shot]) -> str:
    if not choice.rivals:
        return FITS_NONE
    return f"it fits {' and '.join(repr(shots[k].name) for k in choice.rivals)} equally well"
