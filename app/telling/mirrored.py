"""A shot of the log together with the same shot from mirrored corners."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from app.fitting.choices import find_images, fit_mirrored
from app.fitting.log_fit import Job, Others
from app.store.logged import LoggedAttempt
from app.telling.point_view import point_view
from app.telling.practice import Practice, practise, practised_rows
from calibration.table import Table
from vision.shot import Shot


def image_names(shot: Shot, library: Sequence[Shot], table: Table) -> list[str]:
    """The library's shots that are this one from other corners."""
    # This shot first, so that the others are images of it and not it of them.
    first = {shot.name: shot} | {other.name: other for other in library}
    return [name for name, image in find_images(first, table).items() if image.of == shot.name]


def practise_mirrored(
    shot: Shot,
    table: Table,
    attempts: Sequence[LoggedAttempt],
    images: Mapping[Shot, Sequence[LoggedAttempt]],
    how: str,
    marks: Mapping[str, tuple[float, float]] | None = None,
    others: Others | None = None,
) -> Practice:
    """As ``practise``, its fit taking in (``pool``) or compared with (``compare``) the attempts at the shot's images.

    The attempts shown are those from this corner.
    """
    own = practise(shot, table, attempts, marks, others)
    if not own.rows:
        return own
    rows = [*own.rows, *(row for s, logged in images.items() for row in practised_rows(s, table, logged))]
    shots = {s.name: s for s in (shot, *images)}

    def besides() -> list[Job]:
        return [job for job in others() if job.name not in shots] if others is not None else []

    fit = next(f for f in fit_mirrored(rows, how, table, shots, marks, besides) if f.shot == shot.name)
    return replace(own, fit=fit, point=point_view(fit.to_json()))
