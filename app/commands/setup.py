"""``railpoint setup``: from a clip to a camera file, and a still to check it by."""

from pathlib import Path
from typing import Annotated

import cv2
import typer

from app.commands.corners import read_corners
from app.commands.table_options import Corners, HeadSide, TableName, check_head
from app.commands.terminal import check_clip, check_writable, say, waiting
from calibration.accuracy import place_accuracy
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import Table, Vector


def setup(
    clip: Annotated[Path, typer.Argument(help="A clip that shows the whole table.")],
    table: TableName = "auto",
    head: HeadSide = None,
    corners: Corners = None,
    camera: Annotated[Path | None, typer.Option(help="Save the camera to this file.")] = None,
    still: Annotated[Path | None, typer.Option(help="Save a still with the model drawn over it (PNG or JPEG).")] = None,
) -> None:
    """Register the camera over the table, once; save it and a still to check it by."""
    from vision.read import setup_clip

    places = read_corners(corners)
    check_clip(clip)
    check_head(head)
    check_writable(camera)
    check_picture(still)
    with waiting("Looking for the table"):
        found, picture = setup_clip(clip, table=table, head=head, corners_px=places)
    if camera is not None:
        found.save(camera)
        say(f"Camera saved to {camera}.")
    if still is not None:
        done, encoded = cv2.imencode(still.suffix, picture)
        if not done:
            raise InputError(f"{still}: the still cannot be encoded; use a name that ends in .png or .jpg.")
        try:
            still.write_bytes(encoded.tobytes())
        except OSError as error:
            raise InputError(f"{still}: this output cannot be written ({error.strerror}).") from error
        say(f"Still saved to {still}: the drawn noses, pockets and sights must lie on the table's own.")
    say(*tell_setup(found))


def tell_setup(found: Setup) -> list[str]:
    camera, table = found.camera, found.table
    sentences = [
        f"Found a {table.name} table ({table.length_m:.3f} x {table.width_m:.3f} m), head rail at the {found.head} "
        f"of the picture.",
        f"The model fits to {camera.residual_px:.2f} px; a pixel is {camera.mm_per_px(table):.1f} mm, the camera looks "
        f"down at {camera.elevation_deg(table):.0f} degrees.",
    ]
    told = place_accuracy(found)
    if told is not None:
        sentences.append(
            f"It places a ball to {1000 * told.mean_sd_m:.2f} mm (standard deviation), at worst to "
            f"{1000 * told.worst_sd_m:.2f} mm, {_where(told.worst_at_m, table)}."
        )
    names = {"focal": "focal length", "centre": "centre of the lens", "height": "camera's height"}
    unknown = [names.get(name, name) for name, told in camera.determined.items() if not told]
    if unknown:
        sentences.append(f"This view does not tell the {', '.join(unknown)}; the usual values were taken.")
    return sentences


def _where(place_m: Vector, table: Table) -> str:
    """About where on the table a place is, in words."""
    x, y = place_m / [table.length_m, table.width_m]
    along = "at the head" if x < 1 / 3 else "at the foot" if x > 2 / 3 else "midway along"
    across = "near the right side rail" if y < 1 / 3 else "near the left side rail" if y > 2 / 3 else "in the middle"
    return f"{along} {across}"


def check_picture(path: Path | None) -> None:
    if path is not None and path.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise InputError(f"{path}: a still is a PNG or JPEG; use a name that ends in .png or .jpg.")
    check_writable(path)
