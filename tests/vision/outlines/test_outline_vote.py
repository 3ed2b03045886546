"""What counts as an outline along rays, and where all rays together see one of known size."""

import numpy as np
import pytest

from calibration.table import Vector
from vision.outlines.cloth_beyond import LEAST_SHARE, NO_LIGHT, cloth_beyond
from vision.outlines.rays import Rays
from vision.outlines.vote import lattice, votes_for

RAYS, RADIUS_PX = 36, 10.0
FRACTIONS = np.linspace(0.55, 1.45, 36)
STEP = float(FRACTIONS[1] - FRACTIONS[0])
CLOTH, BALL, RAIL = np.array([90, 110, 120]), np.array([60, 150, 100]), np.array([70, 120, 150])
TURN = np.arange(RAYS) * 2 * np.pi / RAYS
UNITS = np.column_stack([np.cos(TURN), np.sin(TURN)])
ALONG = Rays(RADIUS_PX * UNITS, np.full(RAYS, RADIUS_PX), UNITS, FRACTIONS, 0.0, RADIUS_PX)


def along_rays(edges: Vector, beyond: Vector = CLOTH) -> Vector:
    """A ball's colour up to ``edges`` (rays,), in radii, then another, with noise."""
    inside = edges[:, None] > FRACTIONS
    clean = np.where(inside, BALL[:, None, None], np.asarray(beyond).reshape(3, -1, 1))
    return clean + np.random.default_rng(2).normal(0, 1.5, clean.shape)


def at(fraction: float) -> int:
    return int(np.searchsorted(FRACTIONS, fraction))


@pytest.mark.parametrize("light", [1.0, 0.8, 0.65])
def test_a_fall_before_cloth_counts_lit_or_in_shadow(light: float) -> None:
    share = cloth_beyond(along_rays(np.ones(RAYS), NO_LIGHT + light * (CLOTH - NO_LIGHT)), STEP, RADIUS_PX, 0.0)
    assert share.shape == (RAYS, len(FRACTIONS) - 1)
    assert share[:, at(1.0)].min() > 0.6
    # Within the ball the ball goes on.
    assert share[:, at(0.6)].max() < 0.3


def test_a_fall_before_something_else_counts_little() -> None:
    beyond = np.where(TURN < 2, RAIL[:, None], CLOTH[:, None])
    share = cloth_beyond(along_rays(np.ones(RAYS), beyond), STEP, RADIUS_PX, 0.0)[:, at(1.0)]
    assert share[TURN < 2].max() < LEAST_SHARE + 0.15
    assert share[TURN >= 2].min() > 0.6


def test_all_rays_vote_for_where_the_ball_lies() -> None:
    shift = np.array([0.25, -0.12])
    samples = along_rays(1 + UNITS @ shift)
    votes = votes_for(samples, ALONG, lattice())
    assert np.hypot(*(lattice()[votes.argmax()] - shift)) < 0.06
    assert votes.max() > 0.7 * RAYS


def test_a_strong_border_on_half_the_rays_does_not_outvote_a_weak_one_all_round() -> None:
    samples = along_rays(np.ones(RAYS))
    samples[:, UNITS[:, 1] > 0, : at(0.8)] += 100
    votes = votes_for(samples, ALONG, lattice())
    assert np.hypot(*lattice()[votes.argmax()]) < 0.07
