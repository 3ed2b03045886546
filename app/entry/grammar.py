"""From a line of words to what it says. Parts stand in any order, with commas between; each is told by its words.

Whatever cannot be read is named, each in one sentence with the words that would do; a line with a mistake gives
nothing.
"""

import re
from dataclasses import dataclass, field, replace
from typing import Any

from app.entry.line_parts import BallAt, Line, OverSight, Result
from app.entry.numbers import Said, take_number, take_rest
from app.entry.vocabulary import (
    ACROSS,
    ALONG,
    BY,
    ENGLISH_NOUNS,
    ENGLISHES,
    FILLERS,
    HIT,
    MADE,
    MISSED,
    NO_IDEA,
    NOSE,
    NOTE,
    PARTS,
    RAIL_NAMES,
    SCRATCH,
    SIDES,
    SPEED_NOUNS,
    SPEED_UNITS_MPS,
    SPEEDS,
    START,
    THROUGH,
    UNCLEAR,
    UNITS,
    Unit,
    either,
    how_to,
    meant,
)
from calibration.errors import InputError

MOST_CHARACTERS = 500
FASTEST_MPS = 15.0
# What keyboards and spreadsheets make of plain signs.
PLAIN = {
    "½": " 1/2",
    "¼": " 1/4",
    "¾": " 3/4",
    "″": " in",
    '"': " in",
    "’": "'",
    "–": "-",
    "−": "-",
    ";": ",",
    "×": "x",
}
WORD = re.compile(r"km/h|m/s|[0-9]+(?:\.[0-9]+)?|\.[0-9]+|[a-z]+|\S")


class PartError(ValueError):
    """One part cannot be read; the message is a sentence."""


@dataclass
class _Heard:
    """Parts as they are found; said twice is a mistake."""

    parts: dict[str, Any] = field(default_factory=dict)
    across: Said | None = None
    results: list[Result] = field(default_factory=list)

    def put(self, name: str, value: Any, part: str) -> None:
        if name in self.parts:
            raise PartError(f"the {name} is told twice ('{part}' is the second); keep one.")
        self.parts[name] = value


def parse_line(text: str) -> Line:
    """Read one line. Raises InputError whose message has one sentence, on a line of its own, for each part that cannot
    be read and each that is missing."""
    if len(text) > MOST_CHARACTERS:
        raise InputError(f"the line has {len(text)} characters; {MOST_CHARACTERS} will do for any attempt.")
    heard, wrong = _Heard(), []
    body, note = _split_note(text)
    for part in _parts(body):
        try:
            _hear(part, heard)
        except PartError as error:
            wrong.append(str(error))
    found = heard.parts
    start = found.get("start")
    if isinstance(start, Said):
        if heard.across is None:
            wrong.append(f"the start is told along the table only; add how far across, as in {how_to('start')}.")
        else:
            start = BallAt(start, heard.across, "sight")
    elif heard.across is not None:
        wrong.append(f"how far across is told without how far along; write the start as {how_to('start')}.")
    result = None
    try:
        result = _one_result(heard.results)
    except PartError as error:
        wrong.append(str(error))
    if not wrong:
        told = {"start": start, "line": found.get("line"), "result": result}
        wrong = [
            f"the {p.name} is missing; write {how_to(p.name)}." for p in PARTS if p.needed and told[p.name] is None
        ]
    if wrong or not isinstance(start, OverSight | BallAt) or result is None:
        raise InputError("\n".join(wrong))
    english, tips = found.get("english", (None, None))
    return Line(
        text=" ".join(text.split()),
        start=start,
        through=found["line"],
        result=result,
        speed=found.get("speed"),
        english=english,
        tips=tips,
        scratch="scratch" in found,
        note=note,
    )


def _split_note(text: str) -> tuple[str, str]:
    """The line without its note, and the note, which goes on to the end of the line."""
    found = re.search(rf"(?:^|[,;])\s*(?:{'|'.join(NOTE)})\b[:\s]*(.*)$", text, re.IGNORECASE | re.DOTALL)
    return (text, "") if found is None else (text[: found.start()], " ".join(found[1].split()))


def _parts(text: str) -> list[str]:
    text = text.lower()
    for sign, plain in PLAIN.items():
        text = text.replace(sign, plain)
    # Between two digits without a space a comma marks decimals; elsewhere it parts.
    text = re.sub(r"(?<=\d),(?=\d)", ".", text)
    return [part for p in text.split(",") if (part := " ".join(p.split()).strip(" ."))]


def _hear(part: str, heard: _Heard) -> None:
    words = WORD.findall(re.sub(r"(?<=[a-z])-(?=[a-z])|'", " ", part))
    known = set(words)
    if not words:
        raise PartError(_unknown(words, part))
    if words[0] in START or (words[0] == "ball" and known & {"at", *BY}):
        _start(words[1:], part, heard)
    elif words[0] in THROUGH or known & set(NOSE):
        over = _over_sight(words, part, "line", THROUGH)
        heard.put("line", over, part)
    elif known & set(ACROSS):
        heard.across = _count(words, part, ACROSS)
    elif known & set(ENGLISH_NOUNS) or known <= {"running", "reverse"}:
        heard.put("english", _english(words, part), part)
    elif known & {*SPEED_UNITS_MPS, *(w for said in SPEEDS.values() for w in said)}:
        heard.put("speed", _speed(words, part), part)
    elif known & set(SCRATCH):
        heard.put("scratch", True, part)
    elif _is_result(words):
        heard.results.append(_result(words, part))
    else:
        raise PartError(_unknown(words, part))


def _unknown(words: list[str], part: str) -> str:
    near = next((found for word in words if len(word) > 2 and (found := meant(word))), "")
    guess = f" (do you mean '{near}'?)" if near else ""
    forms = either(f'"{p.write[0]}"' for p in PARTS)
    return f"'{part}' cannot be read{guess}; a part is {forms}."


def _start(words: list[str], part: str, heard: _Heard) -> None:
    rest = [w for w in words if w not in ("at", "ball", "from")]
    if not set(rest) & {*BY, *ACROSS, *ALONG}:
        heard.put("start", _over_sight(rest, part, "start", ()), part)
        return
    first = _take(rest, 0, part, "start")
    along, k = first
    unit, k = _unit(rest, k)
    k = _pass(rest, k, {*ALONG, *BY, "and"})
    if k == len(rest):
        if unit not in (None, "sight") or not set(rest) & set(ALONG):
            raise PartError(f"'{part}' lacks the second number; write {how_to('start')}.")
        heard.put("start", along, part)
        return
    across, k = _take(rest, k, part, "start")
    second, k = _unit(rest, k)
    k = _pass(rest, k, set(ACROSS))
    _nothing_left(rest[k:], part, "start")
    if unit is not None and second is not None and unit != second:
        raise PartError(f"'{part}' has two units; give both numbers in one.")
    said = second or unit or "sight"
    if said == "ball":
        raise PartError(f"'{part}' is told in balls; write {how_to('start')}.")
    heard.put("start", BallAt(along, across, said), part)


def _over_sight(words: list[str], part: str, name: str, heads: tuple[str, ...]) -> OverSight:
    """``3.25``, ``sight 3.25 of the left rail``, ``the nose opposite 3.25``."""
    rail = next((w for w in words if w in RAIL_NAMES), None)
    at = "nose" if set(words) & set(NOSE) else "sight"
    count = _count(words, part, (*heads, *NOSE, "opposite", "rail", *RAIL_NAMES), name)
    return OverSight(count, at, rail)  # type: ignore[arg-type]


def _count(words: list[str], part: str, also: tuple[str, ...], name: str = "start") -> Said:
    """The one number in sights among words that say no more than the part's name."""
    rest = [w for w in words if w not in also and w not in UNITS["sight"] and w not in FILLERS]
    if not rest:
        raise PartError(f"'{part}' lacks its number; write {how_to(name)}.")
    said, k = _take(rest, 0, part, name)
    _nothing_left(rest[k:], part, name)
    return said


def _take(words: list[str], k: int, part: str, name: str) -> tuple[Said, int]:
    found = take_number(words, k)
    if found is None:
        raise PartError(f"'{part}' cannot be read as a {name}; write {how_to(name)}.")
    return found


def _nothing_left(words: list[str], part: str, name: str) -> None:
    rest = [w for w in words if w not in FILLERS]
    if rest:
        raise PartError(f"'{' '.join(rest)}' in '{part}' cannot be read; write the {name} as {how_to(name)}.")


def _unit(words: list[str], k: int) -> tuple[Unit | None, int]:
    if k < len(words):
        for unit, spelt in UNITS.items():
            if words[k] in spelt:
                # "ball widths" is one unit in two words.
                return unit, k + 1 + (unit == "ball" and k + 1 < len(words) and words[k + 1] in spelt)
    return None, k


def _pass(words: list[str], k: int, over: set[str]) -> int:
    while k < len(words) and words[k] in over:
        k += 1
    return k


def _english(words: list[str], part: str) -> tuple[str, float | None]:
    kinds = [kind for kind, spelt in ENGLISHES.items() if set(words) & set(spelt)]
    if len(kinds) != 1:
        raise PartError(f"'{part}' does not tell one kind of english; write {how_to('english')}.")
    rest = [
        w for w in words if w not in ENGLISHES[kinds[0]] and w not in ("english", "side", "sidespin", "spin", "hand")
    ]
    amount = take_number(rest, 0)
    tips, k = (None, 0) if amount is None else (amount[0].value, amount[1])
    left = [w for w in rest[k:] if w not in ("tip", "tips")]
    _nothing_left(left, part, "english")
    if amount is None and len(left) < len(rest):
        raise PartError(f"'{part}' does not say how many tips; write {how_to('english')}.")
    if tips is not None and (kinds[0] == "none" or not 0 < tips <= 3):
        raise PartError(f"'{part}' cannot be so many tips; write {how_to('english')}.")
    return kinds[0], tips


def _speed(words: list[str], part: str) -> str | float:
    rest = [w for w in words if w not in SPEED_NOUNS and w not in FILLERS]
    named = [word for word, spelt in SPEEDS.items() if set(rest) & set(spelt)]
    if len(named) == 1 and len(rest) == 1:
        return named[0]
    found = take_number(rest, 0)
    if found is not None and len(rest) == found[1] + 1 and rest[-1] in SPEED_UNITS_MPS:
        speed = found[0].value * SPEED_UNITS_MPS[rest[-1]]
        if 0 < speed < FASTEST_MPS:
            return speed
        raise PartError(f"'{part}' is no speed of a ball; give one between 0 and {FASTEST_MPS:g} m/s.")
    raise PartError(f"'{part}' cannot be read as a speed; write {how_to('speed')}.")


def _is_result(words: list[str]) -> bool:
    known = set(words)
    sides = {w for spelt in SIDES.values() for w in spelt}
    return bool(known & {*MADE, *HIT, *MISSED, *UNCLEAR, *sides}) or {"idea"} <= known or known <= {"unknown", "?"}


def _result(words: list[str], part: str) -> Result:
    sides = [side for side, spelt in SIDES.items() if set(words) & set(spelt)]
    made = bool(set(words) & {*MADE, *HIT}) and not (set(words) & set(HIT) and {"thin", "full"} & set(sides))
    outcomes = [
        name
        for name, said in (("made", made), ("missed", set(words) & {*MISSED}), ("unclear", "unclear" in words))
        if said
    ]
    if len(sides) > 1 or len(outcomes) > 1:
        raise PartError(f"'{part}' tells two results; write {how_to('result')}.")
    taken = {w for side in sides for w in SIDES[side]} | {*MADE, *HIT, *MISSED, *UNCLEAR}
    no_idea = "idea" in words or bool({"unknown", "?", "somewhere"} & set(words))
    rest = [w for w in words if w not in taken and w not in BY and not (no_idea and w in (*NO_IDEA, "?"))]
    while rest and rest[0] in (*FILLERS, "s"):
        rest = rest[1:]
    amount, unit = None, None
    if rest:
        found = take_number(rest, 0)
        if found is None:
            _nothing_left(rest, part, "result")
        else:
            amount, k = found
            unit, k = _unit(rest, k)
            amount, k = take_rest(amount, rest, k)
            _nothing_left([w for w in rest[k:] if w != "off"], part, "result")
            if unit is None:
                raise PartError(f"'{part}' does not say of what; write {how_to('result')}.")
    if amount is not None and not sides:
        raise PartError(f"'{part}' does not say to which side; write {how_to('result')}.")
    if sides and sides[0] in ("left", "right") and not outcomes and amount is None and not no_idea:
        raise PartError(
            f'\'{part}\' could be the result or english; write "missed {sides[0]}" or "{sides[0]} english".'
        )
    return Result(
        outcome=outcomes[0] if outcomes else "missed",  # type: ignore[arg-type]
        side=sides[0] if sides else None,  # type: ignore[arg-type]
        amount=amount,
        unit=unit or "ball",
        hit=bool(set(words) & set(HIT)),
    )


def _one_result(results: list[Result]) -> Result | None:
    """Several parts may tell it together: ``missed, long, no idea how far``."""
    if not results:
        return None
    one = results[0]
    for other in results[1:]:
        same_side = one.side is None or other.side is None or one.side == other.side
        if not same_side or "unclear" in (one.outcome, other.outcome) or (one.amount and other.amount):
            raise PartError(f"the result is told twice, differently; write {how_to('result')}.")
        told = one if one.amount is not None else other
        made = "made" in (one.outcome, other.outcome)
        if made and any(r.outcome == "missed" and r.side is None for r in (one, other)):
            raise PartError(f"the result is told twice, differently; write {how_to('result')}.")
        one = replace(told, outcome="made" if made else "missed", side=one.side or other.side, hit=one.hit or other.hit)
    return one
