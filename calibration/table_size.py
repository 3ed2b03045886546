"""Which standard table it is, told from the balls, and the check of a stated table against them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from calibration.ball_size import BallSize
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table

# A stated table that the balls contradict by more is refused. Who states it knows it: balls whose size is badly known
# (more than ``UNSURE_SD``) must be off by more sds, up to so many, since a coarse look errs by more than it says.
MOST_CONTRADICTION, CONTRADICTION_SDS, MOST_CONTRADICTION_SDS = 0.03, 2.0, 4.0
# What would differ by so much, in logarithms, from the balls of every standard table is a ball seen badly.
NO_BALL = 0.15
# Standard tables without pockets; where no pocket is seen, one of them is taken if the balls fit within this share.
WITHOUT_POCKETS = ("carom",)
NO_POCKETS_STRAY = 0.08
# Pockets are not seen on about one table in five that has them (a film of little contrast, a lid, a hand), against one
# without: from memory. So the balls may tell that they were overlooked.
POCKETS_OVERLOOKED = 0.2
# How common a size is before the balls are looked at: home tables are rarer where practice is filmed (common practice,
# no source). Names left out count 1.
PRIOR = {"8ft-home": 0.4}
# The likeliest size must be so many times likelier than the next, or the user is asked: a question is answered in a
# word, while a size taken wrongly is seen in no single number.
LEAST_ODDS = 8.0
# Of a table without pockets against one whose pockets were overlooked less is asked: there is no third.
LEAST_BARE_ODDS = 3.0
# So many times if the balls fit neither well, by more sds than this: then something is wrong with them.
BADLY_SDS, BADLY_ODDS = 2.0, 20.0
# And so many times if their size is known to no better a share than this, nearly twice what all balls err alike
# (``ball_size``): coarse pictures of two or three balls were seen to err by two sds and more oftener than the normal
# law says; where it tells odds of forty, one with such tails tells half as many.
UNSURE_SD, UNSURE_ODDS = 0.025, 40.0
# A first choice whose balls are off by more, or whose size is so badly known or by so few of them, is held against
# every other table. One true choice in seven is off by more, and takes longer, as does each by one or two balls.
# Measures that lean to the table assumed were seen to miss by two sds and more; and under a wrong table two of four
# balls were found, which fitted it.
PLAIN_SDS, PLAIN_BALLS = 1.5, 3
# Under a table with other balls some of them are not found, or agree with none: how likely it is for each.
BALL_LOST = 0.5


def size_ratio(size: BallSize, assumed: Table, table: Table) -> float:
    """Measured over nominal ball radius if the table is ``table``; the measure was taken under ``assumed``."""
    return size.radius_m * table.length_m / assumed.length_m / table.ball_radius_m


def tell_table(
    measure: Callable[[Table], BallSize | None],
    assumed: Table,
    *,
    pockets: bool,
    tables: Mapping[str, Table] = STANDARD_TABLES,
) -> Table:
    """The likeliest standard table, given what the balls measure when the table is taken for one or another.

    Balls are looked for by the size that is assumed, so that a measure leans to it: a shadow or a pattern as large as
    the balls of that table would be may pass for one. Where the first choice is not plain, every table is therefore
    judged by the balls as they measure under itself.

    Raises InputError as ``choose_table`` does.
    """
    measure = cache(measure)
    size = measure(assumed)
    try:
        first = choose_table(size, assumed, pockets=pockets, tables=tables)
        # Balls are found best by their own size.
        again = measure(first)
        if again and choose_table(again, first, pockets=pockets, tables=tables) == first and _plain(again, first):
            return first
    except InputError:
        # Nothing is refused before every table had its turn.
        pass
    own = {name: measure(table) for name, table in tables.items()}
    seen = {name: found for name, found in own.items() if found is not None}
    return _choose(seen, {name: tables[name] for name in seen}, pockets)


def _plain(size: BallSize, table: Table) -> bool:
    sd = size.sd_m / size.radius_m
    fits = abs(size.radius_m / table.ball_radius_m - 1) <= PLAIN_SDS * sd
    return fits and sd <= UNSURE_SD and size.balls >= PLAIN_BALLS


def choose_table(
    size: BallSize | None, assumed: Table, *, pockets: bool, tables: Mapping[str, Table] = STANDARD_TABLES
) -> Table:
    """The likeliest standard table for the balls seen, among those with pockets or without as the picture shows.

    Raises InputError when no ball was seen well at rest, when the balls fit no standard table, or when they cannot tell
    two sizes apart.
    """
    if size is None:
        return _choose({}, {}, pockets)
    scale = {name: table.length_m / assumed.length_m for name, table in tables.items()}
    own = {name: replace(size, radius_m=size.radius_m * by, sd_m=size.sd_m * by) for name, by in scale.items()}
    return _choose(own, tables, pockets)


def _choose(own: Mapping[str, BallSize], tables: Mapping[str, Table], pockets: bool) -> Table:
    """The likeliest of tables by the balls as they measure on each, in its metres."""

    most = max((size.balls for size in own.values()), default=0)

    def stray(table: Table) -> float:
        return float(abs(np.log(own[table.name].radius_m / table.ball_radius_m)))

    def likelihood(table: Table) -> float:
        size = own[table.name]
        known = size.radius_m / size.sd_m
        prior = PRIOR.get(table.name, 1.0) * BALL_LOST ** (most - size.balls)
        return prior * known * float(np.exp(-0.5 * (stray(table) * known) ** 2))

    without = [table for table in tables.values() if table.name in WITHOUT_POCKETS]
    others = sorted((table for table in tables.values() if table not in without), key=stray)
    if not others:
        raise InputError(
            "no ball was seen at rest on the cloth, so the table's size is not known; state it, such as --table 9ft."
        )
    best = max(others[:2], key=likelihood)
    bare = min(without, key=stray, default=None)
    if bare is not None and not pockets and stray(bare) < NO_POCKETS_STRAY:
        if likelihood(bare) < LEAST_BARE_ODDS * POCKETS_OVERLOOKED * likelihood(best):
            raise InputError(
                f"no pockets were made out, but the balls fit a {best.name} table rather than a {bare.name} one; state "
                f"the table, --table {best.name} or --table {bare.name}."
            )
        return bare
    size = own[best.name]
    if abs(size.radius_m / best.ball_radius_m - 1) > max(2 * MOST_CONTRADICTION, 3 * size.sd_m / size.radius_m):
        raise InputError(
            f"the balls would be {2000 * size.radius_m:.1f} mm across on the {best.name} table, the nearest standard "
            f"one, which has balls of {2000 * best.ball_radius_m:.1f} mm; state the table, such as --table 9ft."
        )
    second = next((table for table in others[:2] if table is not best), None)
    known = size.radius_m / size.sd_m
    badly, unsure = stray(best) * known > BADLY_SDS, 1 / known > UNSURE_SD
    odds = max(LEAST_ODDS, BADLY_ODDS * badly, UNSURE_ODDS * unsure)
    # Where most of what is seen makes balls of one size only on another table, no odds are enough.
    few = 2 * size.balls <= most
    if second is not None and (few or likelihood(best) < odds * likelihood(second)):
        one, two = (f"{2000 * own[table.name].radius_m:.1f} mm" for table in (best, second))
        raise InputError(
            f"the balls seen cannot tell whether the table is {best.name} or {second.name} (they would be {one} or "
            f"{two} across, give or take {100 * size.sd_m / size.radius_m:.0f} %); "
            f"state the table, --table {best.name} or --table {second.name}."
        )
    return best


def contradicts(size: BallSize, table: Table) -> bool:
    """Whether balls measured under ``table`` differ from its own by more than may be, and more than they err by."""
    stray = abs(size.radius_m / table.ball_radius_m - 1)
    sd = size.sd_m / size.radius_m
    sds = CONTRADICTION_SDS * max(sd / UNSURE_SD, 1.0)
    return stray > MOST_CONTRADICTION + min(sds, MOST_CONTRADICTION_SDS) * sd


def check_table(
    size: BallSize | None, table: Table, *, tables: Sequence[Table] = tuple(STANDARD_TABLES.values())
) -> None:
    """Refuse a stated table that the balls contradict by over ``MOST_CONTRADICTION``; without balls nothing is said.

    Nor is it by a single ball that would be of a wrong size on every table: then it is that ball which was seen badly.
    """
    if size is None:
        return
    ratio = size.radius_m / table.ball_radius_m
    if not contradicts(size, table):
        return
    nearest = min(tables, key=lambda other: abs(np.log(size_ratio(size, table, other))))
    if size.balls == 1 and abs(np.log(size_ratio(size, table, nearest))) > NO_BALL:
        return
    hint = f"they fit the {nearest.name} table; " if nearest.name != table.name else ""
    raise InputError(
        f"the balls would be {2000 * size.radius_m:.1f} mm across if this were the {table.name} table, not "
        f"{2000 * table.ball_radius_m:.1f} mm ({100 * (ratio - 1):+.0f} %): {hint}leave --table away or correct it."
    )
