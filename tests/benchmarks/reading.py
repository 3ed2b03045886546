"""What readings are worth: errors against known truth, clip by clip, beside what is wanted; cameras found anew."""

from collections.abc import Iterator
from math import degrees

from tests.known_clips import Comparison, KnownClip, compare, footage_clips, sample_clip
from vision.read import read_clip

# Above this elevation a camera counts as straight down; what is wanted differs.
OVERHEAD_DEG = 75.0
# Quantity -> unit, factor from SI, wanted at most: (straight down, oblique).
WANTED: dict[str, tuple[str, float, tuple[float, float]]] = {
    "start": ("mm", 1e3, (2.0, 4.0)),
    "bearing": ("deg", degrees(1), (0.15, 0.25)),
    "speed": ("%", 1e2, (3.0, 3.0)),
    "contact": ("mm", 1e3, (5.0, 8.0)),
    "strike": ("ms", 1e3, (float("nan"), float("nan"))),
    "miss": ("mm", 1e3, (float("nan"), float("nan"))),
}
HONEST = (0.6, 1.5)
# What the errors of a clip's camera turn or shift alike is judged apart: the bearings' only, the rest states all of it.
COMMON = {"bearing"}


def run() -> list[dict[str, float | str]]:
    """One row a clip and quantity."""
    rows: list[dict[str, float | str]] = []
    for clip in [sample_clip(), *footage_clips()]:
        found = compare(read_clip(clip.path, clip.shot), clip)
        rows += _counts(clip, found)
        rows += _errors(clip, found)
    return rows


def _counts(clip: KnownClip, found: Comparison) -> Iterator[dict[str, float | str]]:
    wrong = {
        "attempts not found": found.attempts - found.found,
        "false attempts": found.false,
        "wrong outcomes": found.wrong_outcomes,
        "contacts not found": found.lost_contacts,
    }
    for what, count in wrong.items():
        yield _row(clip, what, "", float(found.attempts), float(count), 0.0)


def _errors(clip: KnownClip, found: Comparison) -> Iterator[dict[str, float | str]]:
    oblique = clip.camera().elevation_deg(clip.table) < OVERHEAD_DEG
    for what, (unit, factor, wanted) in WANTED.items():
        most = wanted[oblique]
        row = _row(clip, what, unit, float(len(found.of(what))), factor * found.rms(what), most)
        row["standardised"] = found.pooled(what)
        row["common_apart"] = found.pooled(what, common_apart=True)
        judged = row["common_apart"] if what in COMMON else row["standardised"]
        if isinstance(judged, float) and not HONEST[0] <= judged <= HONEST[1]:
            row["verdict"] = f"{row['verdict']}, sd not honest"
        yield row


def _row(clip: KnownClip, what: str, unit: str, n: float, value: float, wanted: float) -> dict[str, float | str]:
    return {
        "clip": clip.name,
        "what": what,
        "n": n,
        "rms": value,
        "unit": unit,
        "wanted": wanted if wanted == wanted else "",
        "standardised": "",
        "common_apart": "",
        "verdict": "" if wanted != wanted else ("as wanted" if value <= wanted else "not yet"),
    }
