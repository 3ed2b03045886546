"""How frames lie in the memory that two processes share: slots of one frame each, its planes one after another.

The decoding process does without numpy as long as films are ordinary: loading it would double what its start costs.
"""

import mmap
import sys
from typing import Any

# Slots: frames decoded ahead even out what slow ones cost on either side. As many as this much memory holds, within
# these bounds: more than the higher one is not faster, fewer than the lower one would keep both sides waiting.
RING_BYTES, LEAST_SLOTS, MOST_SLOTS = 50_000_000, 8, 12
# Formats of pictures whose planes are taken as they are.
PLANAR = {"yuv420p", "yuvj420p"}


def slot_count(slot_bytes: int) -> int:
    """How many slots of a size there are; both processes go by it."""
    return min(max(RING_BYTES // slot_bytes, LEAST_SLOTS), MOST_SLOTS)


def colour_size(width: int, height: int) -> tuple[int, int]:
    """Width and height of the colour planes."""
    return (width + 1) // 2, (height + 1) // 2


def frame_bytes(width: int, height: int) -> int:
    """What the three planes of a frame take."""
    colour_width, colour_height = colour_size(width, height)
    return width * height + 2 * colour_width * colour_height


def attached(handle: str, slot_bytes: int) -> list[memoryview]:
    """The slots, on the side that was given a handle."""
    slots = slot_count(slot_bytes)
    whole = memoryview(mapped(handle, slots * slot_bytes))
    return [whole[k * slot_bytes : (k + 1) * slot_bytes] for k in range(slots)]


def mapped(handle: str, total: int) -> mmap.mmap:
    """The memory that a handle stands for: a file number, or a name on Windows. Raises OSError."""
    if sys.platform == "win32":
        return mmap.mmap(-1, total, tagname=handle)
    return mmap.mmap(int(handle), total)


def put(picture: Any, slot: memoryview) -> bool:
    """Copy the planes of a decoder's picture into a slot, if it is of ordinary film, of one moment, and its lines are
    without padding; whether it was."""
    planes = picture.planes if picture.format.name in PLANAR and not picture.interlaced_frame else ()
    if not planes or any(plane.line_size != plane.width for plane in planes):
        return False
    at = 0
    for plane in planes:
        size = plane.width * plane.height
        slot[at : at + size] = memoryview(plane)[:size]
        at += size
    return True
