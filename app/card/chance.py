"""The chance to make the shot on each line of a card: the margins there against what the ball's line strays by.

What the ball is sent along differs from the line needed by the player's stroke, by what the fit does not know of the
card's line, and by the scatter of the needed lines themselves round it. The three are independent and add in
quadrature.

A bank's object ball is sent by the cue ball, whose spread the cut magnifies: by how much depends on where the two lie
and on the line, so it is worked out for each line of the card, with the cue ball placed as in the attempts that started
nearest: on the table where that varied less, to the object ball where that did.
"""

from dataclasses import replace

import numpy as np

from app.card.aim_card import AimCard, CardStroke, CueBall
from app.card.lines_over_rails import bearings_through
from app.fitting import lines
from app.margins.shot_margins import margins
from app.margins.through_cut import through_cut
from app.stroke.make_chance import make_chance
from calibration.table import Table, Vector

# So many attempts nearest to a line say how its cue ball lies.
NEAREST = 5


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
    strays = np.sqrt(_strays(card, stroke, balls) ** 2 + unknown + found.spread_rad**2)
    chance = _mean(make_chance(room.left_rad, room.right_rad, strays, beside))
    able = room.possible & np.array([row.on_cushion for row in card.rows])
    return replace(
        card,
        stroke=stroke,
        rows=tuple(
            replace(row, make_chance=float(p) if yes else float("nan"))
            for row, p, yes in zip(card.rows, chance, able, strict=True)
        ),
    )


def _mean(chance: Vector) -> Vector:
    """Over what is known of each row, (k, m) to (m,); NaN where nothing is."""
    known = np.isfinite(chance)
    with np.errstate(invalid="ignore"):
        mean: Vector = np.where(known, chance, 0.0).sum(axis=0) / known.sum(axis=0)
    return mean


def _strays(card: AimCard, stroke: CardStroke, ball_m: Vector) -> Vector:
    """Spreads of each row's line that are each as likely as the next, (k, m) or (k, 1)."""
    if stroke.cue is None:
        return stroke.nodes_rad[:, None]
    bearing = np.array([row.bearing_rad for row in card.rows])
    turned = magnified(stroke.cue, ball_m, bearing, card.table)
    spreads = np.abs(turned)[None, :, :] * stroke.cue.nodes_rad[:, None, None]
    return spreads.transpose(0, 2, 1).reshape(-1, len(ball_m))


def magnified(cue: CueBall, ball_m: Vector, line_rad: Vector, table: Table) -> Vector:
    """How many degrees object balls at ``ball_m`` (m, 2), sent on ``line_rad`` (m,), turn for one of the cue ball's
    line, (m, q), placed as in each of the ``q`` attempts that started nearest; NaN where no cue ball sends it so."""
    apart = np.hypot(*np.moveaxis(ball_m[:, None, :] - cue.ball_m, -1, 0))
    near = np.argsort(apart, axis=1, kind="stable")[:, :NEAREST]
    balls = np.broadcast_to(ball_m[:, None, :], (*near.shape, 2))
    away = cue.cue_m - cue.ball_m
    # Drills keep the cue ball on one spot, or lay the two out alike wherever the object ball lies.
    placed = cue.cue_m[near] if np.ptp(cue.cue_m, axis=0).sum() < np.ptp(away, axis=0).sum() else balls + away[near]
    lines_rad = np.broadcast_to(line_rad[:, None], near.shape)
    nothing = np.zeros(near.shape)
    found: Vector = through_cut(placed, balls, lines_rad, nothing, nothing, table).magnified
    return found
