"""The chance to make the shot on each line of a card: the margins there against what the ball's line strays by.

What the ball is sent along differs from the line needed by the player's stroke, by what the fit does not know of the
card's line, and by the scatter of the needed lines themselves round it. The three are independent and add in
quadrature.
"""

from dataclasses import replace

import numpy as np

from app.card.aim_card import AimCard, CardStroke
from app.card.lines_over_rails import bearings_through
from app.fitting import lines
from app.margins.shot_margins import margins
from app.stroke.make_chance import make_chance


def with_chances(card: AimCard, stroke: CardStroke) -> AimCard:
    """The card with the chance on each row, for a ball where the starts seen lay on that line.

    The chance is the mean over the spreads that the stroke may have; NaN where no margin is known or the path is
    impossible on ideal rails.
    """
    balls = np.array([row.ball_m for row in card.rows])
    room = margins(card.shot, card.table, balls)
    if room is None:
        return replace(card, stroke=stroke)
    found = card.fit.convergence
    slope = lines.jacobian(found.family, balls - card.table.centre_m)
    unknown = np.einsum("ni,ij,nj->n", slope, found.family_covariance, slope)
    needed = bearings_through(balls, found.family[None, :], card.table)[0]
    beside = np.array([row.bearing_rad for row in card.rows]) - needed
    beside = (beside + np.pi) % (2 * np.pi) - np.pi
    strays = np.sqrt(stroke.nodes_rad[:, None] ** 2 + unknown + found.spread_rad**2)
    chance = make_chance(room.left_rad, room.right_rad, strays, beside).mean(axis=0)
    able = room.possible & np.array([row.on_cushion for row in card.rows])
    return replace(
        card,
        stroke=stroke,
        rows=tuple(
            replace(row, make_chance=float(p) if yes else float("nan"))
            for row, p, yes in zip(card.rows, chance, able, strict=True)
        ),
    )
