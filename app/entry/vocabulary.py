"""The words of a line entered by hand, in one table.

The reader of lines, its errors, the command's help, the page and the README are all made from it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

# So many forms of a part are shown in an error.
MOST_SHOWN = 4
Unit = Literal["sight", "ball", "cm", "mm", "m", "in"]
EXAMPLE = "start 2.5, through 3.25, long half a ball, medium, no english"


@dataclass(frozen=True)
class Part:
    """One kind of part of a line: how it is written, what it means, whether a line can do without."""

    name: str
    write: tuple[str, ...]
    means: str
    needed: bool = False


PARTS = (
    Part(
        "start",
        ("start 2.5", "start 2 by 1.5", "start 64 by 32 cm"),
        "where the ball lay. One number: its line of aim came from over that sight of the near rail, the one opposite "
        "the first rail; the ball lay somewhere on it. Two: sights (or cm, in) along the long rail and across to the "
        "middle of the ball, from the noses. 'At the nose' after a sight: at the nose opposite it",
        needed=True,
    ),
    Part(
        "line",
        ("through 3.25", "through 3.25 at the nose"),
        "where the line of aim passed the first rail: through the sight, or at the nose opposite the sight",
        needed=True,
    ),
    Part(
        "result",
        (
            "made",
            "long half a ball",
            "short 0.3 sights",
            "missed left",
            "left by 3 cm",
            "thin 1/4 ball",
            "long, no idea how far",
            "missed",
            "unclear",
        ),
        "made, or where and by how much the ball missed. Long and short along the last rail; left and right as the "
        "ball travels; thin and full on the target ball. Balls, cm and in are square to the path, sights "
        "along the last rail",
        needed=True,
    ),
    Part(
        "speed",
        ("soft", "medium", "firm", "2.3 m/s"),
        "how hard it was struck: a word, or a number in m/s, km/h or mph",
    ),
    Part(
        "english",
        ("no english", "running english", "1 tip reverse", "half a tip left"),
        "sidespin: none, running, reverse, left or right; tips if you like. Without it, the shot's own",
    ),
    Part("scratch", ("scratch",), "the cue ball dropped as well"),
    Part("note", ("note chalked late",), "anything, to the end of the line"),
)

START = ("start", "started", "from")
THROUGH = ("through", "thru", "over")
NOSE = ("nose", "noses")
NOTE = ("note", "remark")
ALONG, ACROSS, BY = ("along",), ("across",), ("by", "x")
MADE = ("made", "pocketed", "potted")
HIT = ("hit",)
MISSED = ("missed", "miss")
UNCLEAR = ("unclear",)
SIDES: dict[str, tuple[str, ...]] = {
    "long": ("long",),
    "short": ("short",),
    "left": ("left",),
    "right": ("right",),
    "thin": ("thin", "thinner"),
    "full": ("full", "fuller", "thick"),
}
NO_IDEA = ("no", "idea", "how", "far", "unknown", "somewhere", "much")
ENGLISHES: dict[str, tuple[str, ...]] = {
    "none": ("no", "none", "without"),
    "running": ("running",),
    "reverse": ("reverse",),
    "left": ("left",),
    "right": ("right",),
}
ENGLISH_NOUNS = ("english", "side", "sidespin", "spin", "tip", "tips")
SPEEDS: dict[str, tuple[str, ...]] = {
    "soft": ("soft", "softly", "easy", "slow"),
    "medium": ("medium",),
    "firm": ("firm", "firmly", "hard"),
}
SPEED_NOUNS = ("speed", "stroke", "pace")
SPEED_UNITS_MPS: dict[str, float] = {"m/s": 1.0, "km/h": 1 / 3.6, "kmh": 1 / 3.6, "mph": 0.44704}
SCRATCH = ("scratch", "scratched")
UNITS: dict[Unit, tuple[str, ...]] = {
    "sight": ("sight", "sights", "diamond", "diamonds"),
    "ball": ("ball", "balls", "width", "widths"),
    "cm": ("cm", "centimetre", "centimetres", "centimeter", "centimeters"),
    "mm": ("mm", "millimetre", "millimetres", "millimeter", "millimeters"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "in": ("in", "inch", "inches"),
}
UNIT_M: dict[str, float] = {"cm": 0.01, "mm": 0.001, "m": 1.0, "in": 0.0254}
FRACTIONS: dict[str, float] = {"half": 0.5, "quarter": 0.25, "quarters": 0.25, "eighth": 0.125, "third": 1 / 3}
NUMBERS: dict[str, int] = {
    name: k
    for k, name in enumerate(
        ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
    )
}
ABOUT = ("about", "roughly", "around", "nearly", "almost", "maybe")
FILLERS = ("the", "of", "at", "on", "it", "was", "with", "rail", "to", "went", "just", "too")
RAIL_NAMES = ("head", "foot", "left", "right")

KEY_WORDS = tuple(
    dict.fromkeys(
        word
        for words in (START, THROUGH, MADE[:1], MISSED, UNCLEAR, SIDES, ENGLISHES, ("english", "tip"), SPEEDS, SCRATCH)
        for word in words
    )
)


def meant(word: str) -> str:
    """The known word that a mistyped one is nearest to, empty when none is near."""
    near = get_close_matches(word, [*KEY_WORDS, *(w for words in UNITS.values() for w in words)], n=1, cutoff=0.7)
    return near[0] if near else ""


def how_to(name: str) -> str:
    """``"start 2.5", "start 2 by 1.5" or "start 64 by 32 cm"``: the words that would do for a part."""
    part = next(p for p in PARTS if p.name == name)
    return either(f'"{form}"' for form in part.write[:MOST_SHOWN])


def either(forms: Iterable[str]) -> str:
    """``a, b or c``."""
    listed = list(forms)
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} or {listed[-1]}"


def words_table() -> list[tuple[str, str, str]]:
    """Rows of the table that help and README show: the part, how it is written, what it means."""
    return [(p.name + (" (needed)" if p.needed else ""), "; ".join(p.write), p.means) for p in PARTS]


def words_markdown() -> str:
    """The same for the README."""
    lines = ["| part | write | meaning |", "|---|---|---|"]
    lines += [
        f"| {p.name}{', needed' if p.needed else ''} | {', '.join(f'`{form}`' for form in p.write)} | {p.means}. |"
        for p in PARTS
    ]
    return "\n".join(lines) + "\n"
