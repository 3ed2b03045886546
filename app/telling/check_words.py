"""A self-check of the camera in words: what was seen, whether it contradicts, and what mends it."""

from dataclasses import dataclass

import numpy as np

from app.telling.rounding import UNKNOWN, told, told_with_sd
from calibration.size_over_table import CLEAR_SDS, CLEAR_SLOPE
from vision.checked import Distance, SelfCheck, SizedPlace
from vision.resting import RestingBall

ANEW = "register it anew with 'railpoint setup', and look at its still"


@dataclass(frozen=True)
class CheckWords:
    """Sentences of a self-check by subject, rows of diameters, and a sentence for each thing that contradicts."""

    seen: tuple[str, ...]
    diameter_rows: tuple[tuple[str, ...], ...]
    diameters: tuple[str, ...]
    distance_rows: tuple[tuple[str, ...], ...]
    spots: tuple[str, ...]
    stillness: tuple[str, ...]
    contradictions: tuple[str, ...]


def tell_check(found: SelfCheck) -> CheckWords:
    return CheckWords(
        seen=tuple(_seen(found)),
        diameter_rows=tuple(_row(place, found) for place in sorted(found.places, key=lambda p: (p.at_m[0], p.at_m[1]))),
        diameters=tuple(_diameters(found)),
        distance_rows=tuple(_distance_row(pair) for pair in (*found.tapes, *found.distances)),
        spots=tuple(_spots(found)),
        stillness=tuple(_stillness(found)),
        contradictions=tuple(_contradictions(found)),
    )


def _seen(found: SelfCheck) -> list[str]:
    count = len(found.balls)
    whole = (
        "" if found.whole else f" (from {found.from_s:.0f} to {found.until_s:.0f} s, where the camera stood longest)"
    )
    out = []
    if not found.noses.agrees and not np.isfinite(found.noses.worst_px):
        return ["Balls were not looked for: not even the noses are where the camera expects them."]
    if not found.balls:
        out.append(
            f"No ball was seen at rest in this film{whole}, so balls tell nothing of the camera; film some that lie "
            "still in the corners and the middle of the table for ten seconds."
        )
    else:
        times = "once" if count == 1 else f"{count} times"
        out.append(f"A ball was seen at rest {times} in this film{whole}.")
    noses = found.noses
    if noses.agrees:
        out.append(f"The noses lie where the camera expects them, to {abs(noses.worst_px):.1f} px.")
    return out


def _row(place: SizedPlace, found: SelfCheck) -> tuple[str, ...]:
    nominal = 2 * found.setup.table.ball_radius_m
    where = (place.colour, f"{place.at_m[0]:.2f} m", f"{place.at_m[1]:.2f} m")
    if not np.isfinite(place.diameter_m):
        return (*where, UNKNOWN, place.why)
    mm = told_with_sd(1000 * place.diameter_m, 1000 * place.diameter_sd_m, finest=1)
    return (*where, mm, f"{_signed(100 * (place.diameter_m / nominal - 1), 1)} %")


def _diameters(found: SelfCheck) -> list[str]:
    sizes = found.sizes
    if sizes is None:
        return ["No ball's diameter could be measured."] if found.balls else []
    mean = _more(sizes.share - 1, "larger", "smaller")
    out = [f"On average balls look {mean} than they are, ± {_percent(sizes.share_sd)}{_so(not sizes.other_size)}."]
    ends = []
    for tells, slopes, slope, sd, ends_words in (
        (sizes.tells_along, sizes.slopes_along, sizes.along, sizes.along_sd, "head end to the foot end"),
        (sizes.tells_across, sizes.slopes_across, sizes.across, sizes.across_sd, "right side to the left"),
    ):
        if tells:
            shows = f"; from {_percent(max(CLEAR_SDS * sd, CLEAR_SLOPE))} on it would show"
            grow = _more(slope, "grow", "shrink", first=False)
            ends.append(
                f"From the {ends_words} they {grow}, ± {_percent(sd)}{_so(not slopes)}{'' if slopes else shows}."
            )
    out += ends
    if len(ends) < 2:
        missing = "along or across" if not ends else "across" if sizes.tells_along else "along"
        out.append(
            f"Whether they change {missing} the table could not be told well enough: let the same ball rest in each "
            "corner and in the middle, and film from above."
        )
    return out


def _distance_row(pair: Distance) -> tuple[str, ...]:
    metres = told_with_sd(pair.distance_m, pair.sd_m, finest=4)
    tape = f"{pair.tape_m:.3f}" if np.isfinite(pair.tape_m) else UNKNOWN
    return (_ball(pair.first), _ball(pair.second), metres, tape)


def _spots(found: SelfCheck) -> list[str]:
    return [
        f"The {on.ball.colour} ball lay {_mm(on.offset_m[0], on.sd_m)} mm along and {_mm(on.offset_m[1], on.sd_m)} mm "
        f"across from the {on.spot} spot's place. (A spot is stuck on by hand, and a ball may lie beside it.)"
        for on in found.spots
    ]


def _stillness(found: SelfCheck) -> list[str]:
    out = []
    if found.scatter:
        worst = max(found.scatter, key=lambda s: s.sd_m / s.stated_sd_m)
        among = "" if len(found.scatter) == 1 else f", the worst of {len(found.scatter)}"
        out.append(
            f"The {_ball(worst.ball)}{among}, was found to {1000 * worst.sd_m:.2f} mm from frame to frame "
            f"over {worst.over_s:.1f} s; {1000 * worst.stated_sd_m:.2f} mm is stated."
        )
    if found.drift is not None:
        drift = found.drift
        out.append(
            f"The {_ball(drift.ball)}, crept by {1000 * drift.drift_m:.2f} ± {1000 * drift.sd_m:.2f} mm while it lay "
            f"still for {_duration(drift.over_s)}."
        )
    if found.balls and not out:
        out.append("No ball lay still for a second, so how steadily one is found could not be told.")
    return out


def _contradictions(found: SelfCheck) -> list[str]:
    out = []
    table = found.setup.table
    if not found.noses.agrees:
        worst = found.noses.worst_px
        where = f", {abs(worst) * found.setup.camera.mm_per_px(table):.0f} mm," if np.isfinite(worst) else ""
        out.append(f"{found.noses.why}{where}: this is not the camera of this film, or it was moved; {ANEW}.")
    sizes = found.sizes
    if sizes is not None and sizes.other_size:
        nominal = 2000 * table.ball_radius_m
        out.append(
            f"balls look {nominal * sizes.share:.1f} mm across and not {nominal:.2f} mm: this is no {table.name} "
            "table, or its balls are of another size; register it anew with the right --table."
        )
    slopes = (
        []
        if sizes is None
        else [
            (sizes.slopes_along, sizes.along, "foot end", "head end"),
            (sizes.slopes_across, sizes.across, "left side", "right side"),
        ]
    )
    for clear, slope, here, there in slopes:
        if clear:
            larger, smaller = (here, there) if slope > 0 else (there, here)
            out.append(
                f"balls look {_percent(abs(slope))} larger at the {larger} than at the {smaller}: the camera is tilted "
                f"otherwise than registered; {ANEW}."
            )
    for pair in found.tapes:
        if not pair.agrees:
            out.append(
                f"the tape says {pair.tape_m:.3f} m where the film says {pair.distance_m:.3f} m ({_pair(pair)}): "
                "measure from the same side of both balls, and check the table's size."
            )
    for tape in found.tapes_without:
        out.append(f"no two balls lay about {tape:g} m apart at the same time, as the tape says; check its reading.")
    shaky = [one for one in found.scatter if not one.agrees]
    if shaky:
        shakiest = max(shaky, key=lambda s: s.sd_m / s.stated_sd_m)
        out.append(
            f"a ball at rest scatters by {1000 * shakiest.sd_m:.2f} mm from frame to frame, where "
            f"{1000 * shakiest.stated_sd_m:.2f} mm is stated: fix the camera and its focus, and film under lamps that "
            "do not flicker."
        )
    if found.drift is not None and not found.drift.agrees:
        out.append(
            f"a ball at rest crept by {1000 * found.drift.drift_m:.1f} mm within {_duration(found.drift.over_s)}: the "
            "camera sags or turns slowly; fix it better."
        )
    return [sentence[0].upper() + sentence[1:] for sentence in out]


def _pair(pair: Distance) -> str:
    return f"{_ball(pair.first)}, to {_ball(pair.second)}"


def _ball(ball: RestingBall) -> str:
    return f"{ball.colour} ball at {ball.at_m[0]:.2f}, {ball.at_m[1]:.2f}"


def _mm(value_m: float, sd_m: float) -> str:
    return told(1000 * value_m, 1000 * sd_m, finest=1)


def _more(share: float, more: str, less: str, *, first: bool = True) -> str:
    """How much, and which way: "1.2 % larger", or "grow by 1.2 %" when the word comes first."""
    word = more if share >= 0 else less
    return f"{_percent(abs(share))} {word}" if first else f"{word} by {_percent(abs(share))}"


def _so(agrees: bool) -> str:
    return ", which agrees" if agrees else ", which contradicts"


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _signed(value: float, places: int) -> str:
    return f"{value:+.{places}f}".replace("-", "−")


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} minutes"
