"""What readings are worth: errors against known truth, film by film, beside what is wanted; cameras found anew.

Films are read as they are and altered (``--variants``): the plain ones, and the sample's alterations for its first
attempts, when none is named. ``--clips`` keeps those whose names contain one of the words given, ``--attempts`` ends
films early.

Each film is read a second time with its true camera. What all of a film shares, the error of its registration, is then
apart: the errors left are held against what is stated without the registration's part (``own``). How far that part is
right few films cannot tell; the benchmark ``registration`` does, over many drawn stills.
"""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, inf, nan
from pathlib import Path
from time import perf_counter

import numpy as np

from calibration.camera import Setup
from calibration.errors import InputError
from tests.benchmarks.altered_films import PLAIN, VARIANTS, AlteredClip, altered
from tests.benchmarks.information_limit import limits
from tests.known_clips import Comparison, KnownClip, compare, footage_clips, sample_clip
from vision.read import read_clip

# Above this elevation a camera counts as straight down; what is wanted differs.
OVERHEAD_DEG = 75.0
STRAIGHT_DOWN, OBLIQUE = "straight down", "oblique"
NAME_LENGTH = 16
# So many attempts of an altered film, where the command line does not say otherwise: all of it takes minutes.
USUAL_ATTEMPTS = 2
# Pooled standardised errors that are wanted, at first and as the goal.
HONEST, HONEST_GOAL = (0.6, 1.5), (0.85, 1.15)

Row = dict[str, float | str]


@dataclass(frozen=True)
class Quantity:
    """Its unit, the factor from SI, and the most that is wanted, straight down and oblique: at first, as the goal."""

    unit: str
    factor: float
    first: tuple[float, float] = (nan, nan)
    goal: tuple[float, float] = (nan, nan)


QUANTITIES = {
    "start": Quantity("mm", 1e3, (2.0, 4.0), (0.5, 1.0)),
    "bearing": Quantity("deg", degrees(1), (0.15, 0.25), (0.03, 0.06)),
    "speed": Quantity("%", 1e2, (3.0, 3.0), (1.0, 1.0)),
    "contact": Quantity("mm", 1e3, (5.0, 8.0), (2.0, 2.0)),
    "strike": Quantity("ms", 1e3),
    "miss": Quantity("mm", 1e3),
}


@dataclass(frozen=True)
class Read:
    """A film that was read: the clip as altered, the errors of the reading, seconds; or why it was refused.

    ``own``: the errors that are left with the true camera given; None when the film was refused with it.
    """

    clip: KnownClip
    variant: str
    found: Comparison | None
    own: Comparison | None
    seconds: float
    refused: str = ""

    @property
    def view(self) -> str:
        oblique = self.clip.camera().elevation_deg(self.clip.table) < OVERHEAD_DEG
        return OBLIQUE if oblique else STRAIGHT_DOWN


def run(
    variants: Sequence[str] | None = None, clips: Sequence[str] | None = None, attempts: int | None = None
) -> dict[str, list[Row]]:
    """Tables of films, one row a film and variant, of quantities over all of them, and of stated sds, pooled and by
    variant."""
    unknown = sorted(set(variants or ()) - set(VARIANTS))
    if unknown:
        raise SystemExit(f"no variant is called {unknown[0]!r}; there are {', '.join(VARIANTS)}")
    reads = []
    for clip in [sample_clip(), *footage_clips()]:
        if clips and not any(word in clip.name for word in clips):
            continue
        for variant in variants or (VARIANTS if clip.name == sample_clip().name else (PLAIN,)):
            shortened = USUAL_ATTEMPTS if variants is None and variant != PLAIN else None
            reads.append(_read(clip, variant, attempts or shortened))
    return {
        "films": [_film_row(read) for read in reads],
        "quantities": _quantity_rows(reads),
        "stated sds, both views": _pooled_rows(reads),
        "own errors in stated sds": _own_rows(reads),
    }


def _read(clip: KnownClip, variant: str, attempts: int | None) -> Read:
    with tempfile.TemporaryDirectory() as folder:
        film: AlteredClip = altered(clip, variant, Path(folder), attempts)
        began = perf_counter()
        try:
            reading = read_clip(film.clip.path, film.clip.shot, head=film.head)
        except InputError as error:
            why = str(error).removeprefix(f"{film.clip.path}: ")
            return Read(film.clip, variant, None, None, perf_counter() - began, why)
        took_s = perf_counter() - began
        try:
            true = Setup(film.clip.table, reading.head, film.clip.camera())
            own = compare(read_clip(film.clip.path, film.clip.shot, setup=true), film.clip)
        except InputError:
            own = None
        return Read(film.clip, variant, compare(reading, film.clip), own, took_s)


def _film_row(read: Read) -> Row:
    found, name = read.found, read.clip.name.split(".")[0][:NAME_LENGTH]
    row: Row = {"film": name, "variant": read.variant}
    if found is None:
        return row | {"found": f"refused: {read.refused}"}
    row |= {
        "found": f"{found.found} of {found.attempts}",
        "false": float(found.false),
        "wrong_outcomes": float(found.wrong_outcomes),
        "contacts_lost": float(found.lost_contacts),
    }
    row |= {f"{what}_{q.unit}": q.factor * found.rms(what) for what, q in QUANTITIES.items()}
    row |= {f"{what}_in_sds": found.pooled(what) for what in QUANTITIES}
    if read.own is not None:
        row |= {f"{what}_own": read.own.pooled(what) for what in QUANTITIES}
    return row | {"seconds": read.seconds}


def _quantity_rows(reads: Sequence[Read]) -> list[Row]:
    rows: list[Row] = []
    for films, those in _plain_and_altered(reads):
        for view in (STRAIGHT_DOWN, OBLIQUE):
            some = [r for r in those if r.view == view]
            if some:
                rows += [_quantity_row(films, view, what, some) for what in QUANTITIES]
    return rows


def _plain_and_altered(reads: Sequence[Read]) -> list[tuple[str, list[Read]]]:
    """The films that were not refused, by what they are."""
    told = [r for r in reads if r.found is not None]
    return [
        ("plain", [r for r in told if r.variant == PLAIN]),
        ("altered", [r for r in told if r.variant != PLAIN]),
    ]


def _quantity_row(films: str, view: str, what: str, reads: Sequence[Read]) -> Row:
    """RMS over all films, beside the bound that their noise sets, and the errors in units of the stated sds."""
    quantity, which = QUANTITIES[what], int(view == OBLIQUE)
    found = [read.found for read in reads if read.found is not None]
    squares = np.array([float(e.by @ e.by) for f in found for e in f.of(what)])
    bounds = np.concatenate([limits(read.clip).get(what, np.full(0, nan)) for read in reads])
    rms = quantity.factor * float(np.sqrt(squares.mean())) if len(squares) else nan
    return {
        "films": films,
        "view": view,
        "quantity": what,
        "n": float(len(squares)),
        "unit": quantity.unit,
        "rms": rms,
        "first": _blank(quantity.first[which]),
        "goal": _blank(quantity.goal[which]),
        "limit": _blank(quantity.factor * float(np.sqrt(np.nanmean(bounds**2))) if len(bounds) else nan),
        "in_sds": _pooled(found, what),
        "own": _pooled([read.own for read in reads if read.own is not None], what),
        "verdict": _verdict(rms, quantity.first[which], quantity.goal[which]),
    }


def _pooled_rows(reads: Sequence[Read]) -> list[Row]:
    """Whether stated sds are honest: errors with the true camera given, in units of what is stated then, all films
    together (of one view there are too few to tell).

    ``n``: how many; ``unsure`` is what the ratio of so many honest ones would vary by, were they independent.
    """
    rows: list[Row] = []
    for films, some in _plain_and_altered(reads):
        own = [read.own for read in some if read.own is not None]
        for what in QUANTITIES:
            n = sum(len(e.by) for o in own for e in o.standardisable(what))
            if not n:
                continue
            ratio = _pooled(own, what)
            honest = "goal met" if HONEST_GOAL[0] <= ratio <= HONEST_GOAL[1] else "as wanted at first"
            rows.append(
                {
                    "films": films,
                    "quantity": what,
                    "n": float(n),
                    "own": ratio,
                    "unsure": ratio / np.sqrt(2 * n),
                    "verdict": honest if HONEST[0] <= ratio <= HONEST[1] else "sd not honest",
                }
            )
    return rows


def _own_rows(reads: Sequence[Read]) -> list[Row]:
    """One row a variant and view: errors with the true camera given, in units of what is stated then."""
    rows: list[Row] = []
    for variant in VARIANTS:
        for view in (STRAIGHT_DOWN, OBLIQUE):
            some = [r.own for r in reads if r.variant == variant and r.view == view and r.own is not None]
            if some:
                told: Row = {what: _pooled(some, what) for what in QUANTITIES}
                rows.append({"variant": variant, "view": view, "attempts": float(sum(s.found for s in some))} | told)
    return rows


def _pooled(found: Sequence[Comparison], what: str) -> float:
    """Root of the mean squared standardised error over films."""
    values = np.array([f.pooled(what) for f in found])
    counts = np.array([f.with_sd(what) for f in found], dtype=float)
    told = np.isfinite(values)
    return float(np.sqrt(np.average(values[told] ** 2, weights=counts[told]))) if told.any() else nan


def _verdict(rms: float, first: float, goal: float) -> str:
    if first != first:
        return ""
    return "goal met" if rms <= goal else "as wanted at first" if rms <= first else "not yet"


def _blank(value: float) -> float | str:
    return value if -inf < value < inf else ""
