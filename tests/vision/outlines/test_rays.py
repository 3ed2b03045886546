"""Edges along rays: how a ball darkens towards its outline is told from inside, and is not part of the edge."""

import numpy as np
import pytest

from calibration.table import Vector
from vision.film.planes import BLACK, NEUTRAL
from vision.outlines.rays import INNER, NEAR_EDGE, OUTER, RAYS, SAMPLES, SHADING_ENDS, Window, edges_in, shading

FRACTIONS = np.linspace(INNER, OUTER, SAMPLES)
TURNS = np.arange(RAYS) * 2 * np.pi / RAYS
LUMA_ALONE = np.repeat(np.array([[1.0], [0.0], [0.0]]), RAYS, axis=1)
# A ball of this luma in the middle, darker by so much at its rim on the side of the first ray, on cloth of that luma.
BRIGHT, DARKER, CLOTH = 150.0, 60.0, 60.0
# As far as a picture's edges are soft, in radii.
SOFT = 0.06


def samples(edge: float = 1.0, u: float = NEUTRAL) -> Vector:
    """Y, U, V along the rays of a ball that is lit from one side."""
    ball = BRIGHT - DARKER * np.maximum(np.cos(TURNS), 0)[:, None] * FRACTIONS
    outside = 1 / (1 + np.exp(-(FRACTIONS - edge) / (SOFT / 2)))
    luma = ball + (CLOTH - ball) * outside
    hue = np.full_like(luma, NEUTRAL) + (u - NEUTRAL) * (ball - BLACK) / (BRIGHT - BLACK) * (1 - outside)
    return np.array([luma, hue, np.full_like(luma, NEUTRAL)])


def test_shading_is_what_the_ball_darkens_by_from_sample_to_sample() -> None:
    step = float(FRACTIONS[1] - FRACTIONS[0])
    expected = DARKER * np.maximum(np.cos(TURNS), 0) * step
    assert shading(samples(), LUMA_ALONE, FRACTIONS, 0.0) == pytest.approx(expected, abs=0.15 * DARKER * step)


def test_shading_of_a_hue_is_told_by_the_luma() -> None:
    """A tenth as far from grey as from black, a hue darkens by a tenth as much."""
    u = NEUTRAL + 0.1 * (BRIGHT - BLACK)
    seen = samples(u=u)
    hue_alone = LUMA_ALONE[[1, 0, 2]]
    told = shading(seen, LUMA_ALONE, FRACTIONS, 0.0)
    assert shading(seen, hue_alone, FRACTIONS, 0.0) == pytest.approx(0.1 * told, abs=0.01)


def test_border_inside_a_ball_is_no_shading() -> None:
    seen = samples()
    seen[0, 3:9, FRACTIONS < 0.68] -= 70
    assert shading(seen, LUMA_ALONE, FRACTIONS, 0.0) == pytest.approx(
        shading(samples(), LUMA_ALONE, FRACTIONS, 0.0), abs=0.3
    )


@pytest.mark.parametrize("edge", [0.95, 1.0, 1.04])
def test_edge_of_a_shaded_ball_is_where_it_is(edge: float) -> None:
    """On its dark side the ball's own fall is as steep as a soft edge, and would draw it inwards."""
    seen = samples(edge)
    everywhere = np.ones((RAYS, SAMPLES - 1))
    found = {}
    for name, dark in (("told", shading(seen, LUMA_ALONE, FRACTIONS, 0.0)), ("untold", np.zeros(RAYS))):
        window = Window(np.full(RAYS, edge), 0.14, everywhere, dark, SHADING_ENDS)
        found[name] = edges_in(window, seen[0], FRACTIONS, NEAR_EDGE).places
    off = {name: places[0] - places[RAYS // 2] for name, places in found.items()}
    assert off["untold"] < -0.01
    assert abs(off["told"]) < 0.5 * abs(off["untold"])


def test_where_a_smear_leaves_no_inside_nothing_is_told() -> None:
    assert not shading(samples(), LUMA_ALONE, FRACTIONS, reach=0.3).any()
