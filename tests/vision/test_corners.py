"""Clicked places: from the upright picture that a person sees to the frame as it is stored."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vision.stands import stored_px


@pytest.mark.parametrize("rotation_deg", [0, 90, 180, 270])
def test_a_place_in_the_upright_picture_is_found_in_the_stored_frame(rotation_deg: int) -> None:
    stored = np.zeros((6, 9), np.uint8)
    stored[4, 7] = 1
    upright = np.rot90(stored, -rotation_deg // 90)
    row, column = np.argwhere(upright)[0]
    clip: Any = SimpleNamespace(width=9, height=6, rotation_deg=rotation_deg)
    assert stored_px(np.array([[column, row]], dtype=float), clip).tolist() == [[7, 4]]
