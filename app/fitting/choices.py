"""What is fitted together and what apart, by choice: strokes, speeds, players, days, sessions, mirrored corners."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot

from app.fitting.attempts_csv import AttemptRow
from app.fitting.compare import compare, mirrored
from app.fitting.fit import ShotFit
from app.fitting.log_fit import Others, fit_all
from app.fitting.pooled import Pooled, split
from calibration.errors import InputError
from calibration.table import Pocket, Rail, Table
from vision.shot import Shot, Stroke

MIRRORED = ("pool", "compare")
MIRRORED_CORNER = "mirrored corner"
# Two places are the same drill's if they are as near as this.
SAME_PLACE_M = 0.02
# Which of the table's two axes is turned round: across it (left and right change places), along it (head and foot).
TURNS = ((True, False), (False, True), (True, True))
ACROSS_NAMES = {"left": "right", "right": "left"}
ALONG_NAMES = {"head": "foot", "foot": "head"}


@dataclass(frozen=True)
class Image:
    """A shot that is the mirror image of another, ``of``; which axes are turned round."""

    of: str
    across: bool
    along: bool


def fit_apart(
    rows: Sequence[AttemptRow],
    by: str,
    table: Table,
    shots: Mapping[str, Shot] | None = None,
    marks: Mapping[str, tuple[float, float]] | None = None,
    others: Others | None = None,
) -> list[ShotFit]:
    """Fit each shot's rows apart by english, speed, player, day or session; parts are named ``shot (english left)``.

    ``others`` as in ``fit_all``. Raises InputError for sessions that no row knows.
    """
    if by == "session" and rows and all(row.session is None for row in rows):
        raise InputError("a file of attempts knows no sessions, only the log does; fit it apart by day instead.")
    parts: list[AttemptRow] = []
    known = dict(shots or {})
    for name in dict.fromkeys(row.shot for row in rows):
        for value, mine in split([row for row in rows if row.shot == name], by).items():
            part = f"{name} ({by} {value})"
            parts += [replace(row, shot=part) for row in mine]
            if name in known:
                known[part] = known[name]
    return fit_all(parts, table, known, marks, others=others)


def fit_mirrored(
    rows: Sequence[AttemptRow],
    how: str,
    table: Table,
    shots: Mapping[str, Shot],
    marks: Mapping[str, tuple[float, float]] | None = None,
    others: Others | None = None,
) -> list[ShotFit]:
    """Fit shots from mirrored corners: as one (``pool``), or each for itself with the first of them compared with its
    images (``compare``).

    Images are found by the shot files. The fits are in order of first appearance; those pooled appear once, under the
    name of the first. Shots without an image are fitted for themselves. ``others`` as in ``fit_all``.
    """
    names = list(dict.fromkeys(row.shot for row in rows))
    images = find_images({name: shots[name] for name in names if name in shots}, table)
    turned = [
        replace(mirrored(row, table, across=i.across, along=i.along), shot=i.of, logged_as=row.shot)
        if (i := images.get(row.shot)) is not None
        else row
        for row in rows
    ]
    if how == "pool":
        fits = fit_all(turned, table, shots, marks, others=others)
        return [replace(fit, pooled=(*fit.pooled, *_origins(rows, images, fit.shot))) for fit in fits]
    fits = fit_all(rows, table, shots, marks, others=others)
    for k, fit in enumerate(fits):
        if any(image.of == fit.shot for image in images.values()):
            groups: dict[str, list[AttemptRow]] = {}
            for row, there in zip(rows, turned, strict=True):
                if there.shot == fit.shot:
                    groups.setdefault(row.shot, []).append(there)
            fits[k] = replace(fit, mirrored=compare(groups, table, shots.get(fit.shot)))
    return fits


def find_images(shots: Mapping[str, Shot], table: Table) -> dict[str, Image]:
    """Which shots are mirror images of an earlier one."""
    found: dict[str, Image] = {}
    names = list(shots)
    for k, name in enumerate(names):
        for earlier in names[:k]:
            if earlier in found:
                continue
            turns = [t for t in TURNS if _same(mirror_shot(shots[name], table, *t), shots[earlier])]
            if turns:
                found[name] = Image(earlier, *turns[0])
                break
    return found


def mirror_shot(shot: Shot, table: Table, across: bool, along: bool) -> Shot:
    """The shot as it would be drilled from the corner on the other side, at the other end, or both."""
    names = (ACROSS_NAMES if across else {}) | (ALONG_NAMES if along else {})

    def place(at: tuple[float, float]) -> tuple[float, float]:
        return (table.length_m - at[0] if along else at[0], table.width_m - at[1] if across else at[1])

    rails: tuple[Rail, ...] = tuple(names.get(rail, rail) for rail in shot.rails)  # type: ignore[misc]
    pocket: Pocket | None = None
    if shot.target_pocket is not None:
        pocket = "-".join(names.get(part, part) for part in shot.target_pocket.split("-"))  # type: ignore[assignment]
    # A mirror turns left english into right; turned end for end, left stays left.
    english = ACROSS_NAMES.get(shot.stroke.english, shot.stroke.english) if across != along else shot.stroke.english
    return replace(
        shot,
        rails=rails,
        target_pocket=pocket,
        target_ball=place(shot.target_ball) if isinstance(shot.target_ball, tuple) else shot.target_ball,
        target_aim=None if shot.target_aim is None else place(shot.target_aim),
        stroke=replace(shot.stroke, english=english),  # type: ignore[arg-type]
    )


def _same(one: Shot, other: Shot) -> bool:
    """Whether two shots are one drill but for the name."""

    def plain(shot: Shot) -> tuple[str, tuple[Rail, ...], str, Pocket | None, Stroke]:
        return shot.kind, shot.rails, shot.made, shot.target_pocket, shot.stroke

    places = ((one.target_ball, other.target_ball), (one.target_aim, other.target_aim))
    return plain(one) == plain(other) and all(_near(a, b) for a, b in places)


def _near(one: tuple[float, float] | str | None, other: tuple[float, float] | str | None) -> bool:
    if isinstance(one, tuple) and isinstance(other, tuple):
        return hypot(one[0] - other[0], one[1] - other[1]) <= SAME_PLACE_M
    return one == other


def _origins(rows: Sequence[AttemptRow], images: Mapping[str, Image], name: str) -> tuple[Pooled, ...]:
    counts = {
        shot: sum(row.shot == shot for row in rows)
        for shot in (name, *(other for other, image in images.items() if image.of == name))
    }
    return (Pooled(MIRRORED_CORNER, tuple(counts.items())),) if len(counts) > 1 else ()
