"""``railpoint setup``: from a clip to a camera file, and a still to check it by."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import typer
from numpy.typing import NDArray

from app.commands.checking import check_tapes, print_check, run_check
from app.commands.corners import read_corners
from app.commands.markers import find_by_markers
from app.commands.saved_camera import check_replaced, load_camera
from app.commands.table_options import Corners, HeadSide, Markers, ReadoutMs, TableName, check_head, readout_seconds
from app.commands.terminal import check_apart, check_clip, check_writable, say, waiting
from calibration.accuracy import place_accuracy
from calibration.camera import Setup
from calibration.errors import InputError
from calibration.table import Table, Vector


def setup(
    clip: Annotated[Path, typer.Argument(help="A clip that shows the whole table.")],
    table: TableName = "auto",
    head: HeadSide = None,
    corners: Corners = None,
    markers: Markers = None,
    readout_ms: ReadoutMs = None,
    camera: Annotated[
        Path | None,
        typer.Option(help="Save the camera to this file. With --check: a camera file that is there is checked."),
    ] = None,
    still: Annotated[Path | None, typer.Option(help="Save a still with the model drawn over it (PNG or JPEG).")] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Check the camera by the balls at rest; exit code 1 if they contradict it.")
    ] = False,
    tape: Annotated[
        list[float] | None,
        typer.Option(
            metavar="METRES",
            help="With --check: the distance of two balls' centres by a tape, in metres; as often as wanted.",
        ),
    ] = None,
    json_out: Annotated[
        Path | None, typer.Option("--json", help="With --check: write what was found to this file.")
    ] = None,
) -> None:
    """Register the camera over the table, once. Saves it, and a still to check it by."""
    from vision.read import setup_clip

    places = read_corners(corners)
    if not check and (tape or json_out is not None):
        raise InputError("--tape and --json belong to the check; add --check.")
    if readout_ms is not None and camera is None:
        raise InputError("--readout-ms is kept in the camera file; add --camera CAMERA.json.")
    check_tapes(tape or [])
    readout_s = readout_seconds(readout_ms)
    check_clip(clip)
    check_head(head)
    check_apart([clip, markers], {"--camera": camera, "--still": still, "--json": json_out})
    known = _camera_to_check(camera, table, head, corners, markers) if check and camera is not None else None
    if known is not None and readout_ms is not None:
        raise InputError(
            f"--readout-ms is kept in the camera file, and {camera} is left as it is by a check; give it to "
            "'railpoint read'."
        )
    if known is None:
        check_replaced(camera)
        check_writable(camera)
    check_picture(still)
    check_writable(json_out)
    marked = None if markers is None else find_by_markers(clip, markers, table, head, corners)
    if check:
        known_or_marked = known if marked is None else marked.setup
        checked = run_check(clip, table=table, head=head, corners_px=places, setup=known_or_marked, tapes_m=tape or [])
        found, picture = checked.setup, checked.still
    elif marked is not None:
        found, picture = marked.setup, marked.still
    else:
        with waiting("Looking for the table"):
            found, picture = setup_clip(clip, table=table, head=head, corners_px=places)
    if known is not None:
        say(f"Checking the camera saved in {camera}; it is left as it is.")
    elif camera is not None:
        replace(found, readout_s=readout_s).save(camera)
        say(f"Camera saved to {camera}.")
    if still is not None:
        write_still(still, picture)
        say(f"Still saved to {still}: the drawn noses, pockets and sights must lie on the table's own.")
    say(*tell_setup(found))
    if marked is not None:
        say(*marked.notes, "Take the sheets away before you play; the camera saved holds as long as it is left alone.")
    if check:
        print_check(checked, json_out)


def _camera_to_check(
    camera: Path, table: str, head: str | None, corners: str | None, markers: Path | None
) -> Setup | None:
    """The camera in a file that is there already; None when it is still to be made."""
    if not camera.exists():
        return None
    if corners is not None or markers is not None:
        raise InputError(
            f"--corners and --markers are for finding the camera, and {camera} holds one found before; leave them out, "
            "or give --camera a name that is not taken."
        )
    return load_camera(camera, table, head)


def write_still(path: Path, picture: NDArray[np.uint8]) -> None:
    done, encoded = cv2.imencode(path.suffix, picture)
    if not done:
        raise InputError(f"{path}: the still cannot be encoded; use a name that ends in .png or .jpg.")
    try:
        path.write_bytes(encoded.tobytes())
    except OSError as error:
        raise InputError(f"{path}: this output cannot be written ({error.strerror}); choose another place.") from error


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
    rails = [name for name in camera.unseen if "-" not in name]
    corners = [name for name in camera.unseen if "-" in name]
    if rails:
        sentences.append(
            f"No line of the {' and '.join(rails)} rail was seen: "
            "where it is comes from the rest of the table, less surely."
        )
    if corners:
        sentences.append(f"Outside the frame: the {', '.join(corners)} corner. Balls are not seen there.")
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
