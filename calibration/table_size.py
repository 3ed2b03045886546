"""Which standard table it is, told from the balls, and the check of a stated table against them."""

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.ball_size import BallSize
from calibration.errors import InputError
from calibration.table import STANDARD_TABLES, Table

# A stated table that the balls contradict by more is refused.
MOST_CONTRADICTION, CONTRADICTION_SDS = 0.03, 2.0
# Standard tables without pockets; where no pocket is seen, one of them is taken if the balls fit within this share.
WITHOUT_POCKETS = ("carom",)
NO_POCKETS_STRAY = 0.08
# Pockets are not seen on about one table in five that has them (a film of little contrast, a lid, a hand), against one
# without: from memory. So the balls may tell that they were overlooked.
POCKETS_OVERLOOKED = 0.2
# How common a size is before the balls are looked at: home tables are rarer where practice is filmed (common practice,
# no source). Names left out count 1.
PRIOR = {"8ft-home": 0.4}
# The likeliest size must be so many times likelier than the next, or the user is asked.
LEAST_ODDS = 3.0


def size_ratio(size: BallSize, assumed: Table, table: Table) -> float:
    """Measured over nominal ball radius if the table is ``table``; the measure was taken under ``assumed``."""
    return size.radius_m * table.length_m / assumed.length_m / table.ball_radius_m


def choose_table(
    size: BallSize | None, assumed: Table, *, pockets: bool, tables: Mapping[str, Table] = STANDARD_TABLES
) -> Table:
    """The likeliest standard table for the balls seen, among those with pockets or without as the picture shows.

    Raises InputError when no ball was seen well at rest, when the balls fit no standard table, or when they cannot tell
    two sizes apart.
    """
    if size is None:
        raise InputError(
            "no ball was seen at rest on the cloth, so the table's size is not known; state it, such as --table 9ft."
        )
    known: BallSize = size

    def stray(table: Table) -> float:
        return float(abs(np.log(size_ratio(known, assumed, table))))

    def likelihood(table: Table) -> float:
        return PRIOR.get(table.name, 1.0) * float(np.exp(-0.5 * (stray(table) * known.radius_m / known.sd_m) ** 2))

    without = [table for table in tables.values() if table.name in WITHOUT_POCKETS]
    others = sorted((table for table in tables.values() if table not in without), key=stray)
    best = max(others[:2], key=likelihood)
    bare = min(without, key=stray)
    if not pockets and stray(bare) < NO_POCKETS_STRAY:
        if likelihood(bare) < LEAST_ODDS * POCKETS_OVERLOOKED * likelihood(best):
            raise InputError(
                f"no pockets were made out, but the balls fit a {best.name} table rather than a {bare.name} one; state "
                f"the table, --table {best.name} or --table {bare.name}."
            )
        return bare
    ratio = size_ratio(size, assumed, best)
    if abs(ratio - 1) > max(2 * MOST_CONTRADICTION, 3 * size.sd_m / size.radius_m):
        across = 2000 * size.radius_m * best.length_m / assumed.length_m
        raise InputError(
            f"the balls would be {across:.1f} mm across on the {best.name} table, the nearest standard one, which has "
            f"balls of {2000 * best.ball_radius_m:.1f} mm; state the table, such as --table 9ft."
        )
    second = others[0] if best is others[1] else others[1]
    if likelihood(best) < LEAST_ODDS * likelihood(second):
        one, two = (f"{2000 * size.radius_m * t.length_m / assumed.length_m:.1f} mm" for t in (best, second))
        raise InputError(
            f"the balls seen cannot tell a {best.name} table from a {second.name} one (they would be {one} or {two} "
            f"across, give or take {100 * size.sd_m / size.radius_m:.0f} %); "
            f"state the table, --table {best.name} or --table {second.name}."
        )
    return best


def contradicts(size: BallSize, table: Table) -> bool:
    """Whether balls measured under ``table`` differ from its own by more than may be, and more than they err by."""
    stray = abs(size.radius_m / table.ball_radius_m - 1)
    return stray > MOST_CONTRADICTION + CONTRADICTION_SDS * size.sd_m / size.radius_m


def check_table(
    size: BallSize | None, table: Table, *, tables: Sequence[Table] = tuple(STANDARD_TABLES.values())
) -> None:
    """Refuse a stated table that the balls contradict by over ``MOST_CONTRADICTION``; without balls nothing is said."""
    if size is None:
        return
    ratio = size.radius_m / table.ball_radius_m
    if not contradicts(size, table):
        return
    nearest = min(tables, key=lambda other: abs(np.log(size_ratio(size, table, other))))
    hint = f"they fit the {nearest.name} table; " if nearest.name != table.name else ""
    raise InputError(
        f"the balls would be {2000 * size.radius_m:.1f} mm across if this were the {table.name} table, not "
        f"{2000 * table.ball_radius_m:.1f} mm ({100 * (ratio - 1):+.0f} %): {hint}leave --table away or correct it."
    )
