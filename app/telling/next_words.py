"""What to shoot next, in a player's words, and as a table."""

import csv
from itertools import groupby
from math import isfinite
from typing import TextIO

from app.next_shot.plan import Plan
from app.telling.place_words import place_words
from app.telling.words import counting_corner
from calibration.table import Corner, Table
from vision.shot import Shot

NEXT_CSV = ("number", "for", "start_x_m", "start_y_m", "along_sights", "across_sights", "corner", "semi_major_m")
FOR = {"point": "to learn where the point is", "curve": "to check whether one point will do"}


def tell_plan(plan: Plan, shot: Shot | None, table: Table) -> list[str]:
    """Sentences: from where to shoot next and what for, and how many more attempts a wanted ellipse takes."""
    corner: Corner = counting_corner(shot, table) if shot is not None else "foot-right"
    runs = [
        (where, purpose, len(list(run)))
        for (where, purpose), run in groupby(
            (place_words(one.start_m, corner, table), one.purpose) for one in plan.shots
        )
    ]
    told = []
    for k, (where, purpose, times) in enumerate(runs):
        counted = f" from the {corner} corner" if k == 0 else ""
        often = "" if times == 1 else " twice" if times == 2 else f" {times} times"
        told.append(f"{'Shoot next' if k == 0 else 'Then'}{often} from {where}{counted}, {FOR[purpose]}.")
    if isfinite(plan.wanted_m):
        told.append(_wanted(plan))
    elif plan.reason:
        told.append(f"Nothing to shoot next can be told: {plan.reason}")
    return told


def write_next(plan: Plan, shot: Shot | None, table: Table, stream: TextIO) -> None:
    """The next attempts one after another as CSV: starts in metres and in sights from a corner, half the long axis to
    expect after each; blank where there is no ellipse."""
    corner: Corner = counting_corner(shot, table) if shot is not None else "foot-right"
    end, side = corner.split("-")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(NEXT_CSV)
    for number, one in enumerate(plan.shots, 1):
        sights = [table.diamonds_along(one.start_m, rail, corner) for rail in (side, end)]  # type: ignore[arg-type]
        half = f"{one.semi_major_m:.4f}" if isfinite(one.semi_major_m) else ""
        metres = [f"{v:.4f}" for v in one.start_m]
        writer.writerow([number, one.purpose, *metres, *(f"{v:.4g}" for v in sights), corner, half])


def _wanted(plan: Plan) -> str:
    ellipse = f"an ellipse of {100 * plan.wanted_m:g} cm either way"
    if plan.attempts == 0:
        return f"There is {ellipse} already."
    if plan.attempts is None:
        return f"How many attempts {ellipse} takes cannot be told: {plan.reason}"
    before = (
        f"{plan.attempts_as_before} from those shot so far"
        if plan.attempts_as_before is not None
        else "from those shot so far more than anyone would shoot"
    )
    more = "attempt" if plan.attempts == 1 else "attempts"
    return f"For {ellipse} it takes about {plan.attempts} more {more} from places chosen so, {before}."
