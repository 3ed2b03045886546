"""Strokes over rails that a film hardly shows, and what looks like one."""

import numpy as np

from calibration.table import STANDARD_TABLES
from vision.contacts.struck_over_rails import set_off_over_rails
from vision.legs import Path
from vision.sightings import Rest

TABLE = STANDARD_TABLES["8ft"]


def test_ball_that_moves_about_under_somebody_was_not_struck() -> None:
    """As a body over a ball beside the head rail once made a film see it, five times in a row, 4 cm about."""
    rest = Rest(np.array([0.0720, 1.0757]), 0.0006, 18.48, 19.5767, 11)
    whole = Path(
        np.array([19.6104, 19.6448, 19.6778, 19.7115, 19.7450, 19.7783, 19.8457]),
        np.array(
            [
                [0.0746, 1.0808],
                [0.0783, 1.0938],
                [0.0807, 1.1017],
                [0.0864, 1.1111],
                [0.0918, 1.1290],
                [0.0794, 1.0936],
                [0.0794, 1.0932],
            ]
        ),
        np.array([0.0059, 0.0068, 0.0218, 0.0068, 0.0089, 0.0003, 0.0003]),
    )
    assert set_off_over_rails(rest, whole, TABLE) is None
