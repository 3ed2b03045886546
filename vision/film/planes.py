"""A decoded picture of any format as three planes of eight bits: luma at full size, colour at half size.

Ordinary film passes as it is. Deeper pictures lose their lowest bits, with dither. Film that is coded for displays of
high dynamic range by absolute brightness (PQ, SMPTE ST 2084) would look dull and flat so, and a ball's outline with
it; it is brought to the ordinary curve by a table: white paper (203 cd/m2, ITU-R BT.2408) at three quarters of the
scale, highlights rolled off above. The other such coding (HLG, ARIB STD-B67) is made to be shown on ordinary screens.

An interlaced picture is woven of two moments, every other line of the later one: a ball that moves is in two places in
it, each a comb. The lines of one moment are kept, and those between them brought within their neighbours.
"""

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.film.containers import PQ
from vision.film.slots import PLANAR, colour_size

Plane = NDArray[np.uint8]
Planes = tuple[Plane, Plane, Plane]

# Luma of black, and what stands for no colour in the colour planes (ITU-R BT.709, eight bits).
BLACK, NEUTRAL = 16.0, 128.0
# Transfer of SMPTE ST 2084: exponents and constants.
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_WHITE_CD_M2, _PEAK_CD_M2 = 203.0, 10_000.0
# Where white lies on the ordinary scale, and the exponent of an ordinary screen (ITU-R BT.1886).
_WHITE_AT, _GAMMA = 0.75, 2.4


def planes_in(memory: NDArray[np.uint8], width: int, height: int) -> Planes:
    """Views of the three planes that lie one after another in a stretch of memory."""
    colour_width, colour_height = colour_size(width, height)
    luma, colour = width * height, colour_width * colour_height
    y = memory[:luma].reshape(height, width)
    u = memory[luma : luma + colour].reshape(colour_height, colour_width)
    v = memory[luma + colour : luma + 2 * colour].reshape(colour_height, colour_width)
    return y, u, v


def planes_of(picture: Any, transfer: int) -> Planes:
    """The three planes of a decoder's picture; of an ordinary one they are views, which live as long as it does."""
    planes = _planes_as_coded(picture, transfer)
    return tuple(map(of_one_moment, planes)) if picture.interlaced_frame else planes  # type: ignore[return-value]


def of_one_moment(woven: Plane) -> Plane:
    """A plane (h, w) of whose lines every other one, from the first on, is kept, and the others within the values of
    those above and below: where nothing moves they mostly are, and keep what they show.

    Colour lines alternate as those of luma do.
    """
    plane = woven.copy()
    above, below = woven[:-2:2], woven[2::2]
    between = plane[1 : 1 + 2 * len(below) : 2]
    np.maximum(between, np.minimum(above, below), out=between)
    np.minimum(between, np.maximum(above, below), out=between)
    if len(plane) % 2 == 0:
        plane[-1] = plane[-2]
    return plane


def _planes_as_coded(picture: Any, transfer: int) -> Planes:
    if transfer == PQ:
        if picture.format.name != "yuv420p10le":
            picture = picture.reformat(format="yuv420p10le")
        y, u, v = (_view(plane, np.uint16) for plane in picture.planes)
        luma, gain = _from_pq()
        factor = gain[y[::2, ::2] & 1023]
        return luma[y & 1023], _scaled(u, factor), _scaled(v, factor)
    if picture.format.name not in PLANAR:
        picture = picture.reformat(format="yuv420p")
    y, u, v = (_view(plane, np.uint8) for plane in picture.planes)
    return y, u, v


def _view(plane: Any, kind: type[np.uint8] | type[np.uint16]) -> NDArray[Any]:
    lines = np.frombuffer(plane, kind).reshape(plane.height, plane.line_size // np.dtype(kind).itemsize)
    return lines[:, : plane.width]


def _scaled(colour: NDArray[np.uint16], factor: NDArray[np.float32]) -> Plane:
    value = (colour.astype(np.float32) - 512) * (factor / 4) + 128.5
    return np.clip(value, 0, 255).astype(np.uint8)


@cache
def _from_pq() -> tuple[Plane, NDArray[np.float32]]:
    """For each of 1024 luma codes: the eight-bit code, and by how much colour differences grow at that luma.

    The curve acts on red, green and blue alike, so differences between them grow by its slope.
    """
    code = np.clip((np.arange(1024) - 64) / 876, 0, 1)
    root = code ** (1 / _M2)
    light = _PEAK_CD_M2 * (np.maximum(root - _C1, 0) / (_C2 - _C3 * root)) ** (1 / _M1)
    # Below white as on an ordinary screen; above it ever flatter towards the top of the scale.
    shown = _WHITE_AT * (light / _WHITE_CD_M2) ** (1 / _GAMMA)
    room = 1 - _WHITE_AT
    shown = np.where(shown > _WHITE_AT, _WHITE_AT + room * np.tanh((shown - _WHITE_AT) / room), shown)
    luma = np.rint(16 + 219 * shown).astype(np.uint8)
    slope = np.gradient(shown) * 876
    return luma, np.clip(slope, 0, 3).astype(np.float32)
