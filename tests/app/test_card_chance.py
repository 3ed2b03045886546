"""The card's chances against tries that are simulated, its bounds against the truth, and its word on harder strokes."""

from dataclasses import replace
from datetime import date
from math import cos, degrees, nan, radians, sin, tan

import numpy as np
import pytest

from app.card.aim_card import AimCard, CardStroke, NoCard, aim_card, harder_sights
from app.card.chance import with_chances
from app.card.lines_over_rails import bearings_through
from app.card.player_stroke import stated_stroke
from app.fitting import lines
from app.fitting.fit import fit_shot
from app.margins.shot_margins import margins
from app.telling.aim_card_words import tell_chance, tell_chances, tell_harder, tell_no_card, tell_starts
from app.telling.point_view import point_view
from calibration.unfold import unfold
from tests.app.mirror_table import build
from tests.app.mirror_table import run as follow
from tests.app.test_aim_card import SET_BACK, SIGHTS_APART, WIDTH, made
from tests.app.test_fit import KICK, TABLE, kicks
from vision.shot import Shot


def test_balls_sent_along_the_lines_drop_as_often_as_the_card_says() -> None:
    """Lines delivered with a spread, followed over a table of mirrors with its pockets and jaws."""
    card = with_chances(made(kicks(30, noise_deg=0.005)), stated_stroke(radians(0.6)))
    on = build(TABLE)
    rng = np.random.default_rng(11)
    told = [row for row in card.rows if row.state == "holds" and row.on_cushion][::4]
    assert len(told) >= 3
    for row in told:
        tries = 500
        sent = row.bearing_rad + rng.normal(0, radians(0.6), tries)
        dropped = sum(follow(on, tuple(row.ball_m), b).pocket == "foot-right" for b in sent)
        sd = (row.make_chance * (1 - row.make_chance) / tries) ** 0.5
        # Three sds of the count, and the jaws' own rounding of the margins.
        assert dropped / tries == pytest.approx(row.make_chance, abs=3 * sd + 0.02)
        assert 0.2 < row.make_chance < 0.98


def test_what_the_fit_does_not_know_counts_as_the_stroke_does() -> None:
    """By drawing all three: the family, a needed line's own scatter, and the stroke. The path aimed at passes beside
    the middle of the mouth, so that there is more room on one side."""
    beside = replace(KICK, target_aim=tuple(TABLE.mouth_m("foot-right") + [0.015, 0.015]))
    card = made(kicks(9, noise_deg=1.0, seed=3), beside)
    # A line that is not the one needed, as on a card of one direction, has more room left on one of its sides.
    turned = [replace(row, bearing_rad=row.bearing_rad + radians(0.6)) for row in card.rows]
    card = with_chances(replace(card, rows=tuple(turned)), stated_stroke(radians(0.4)))
    found = card.fit.convergence
    assert degrees(found.spread_rad) > 0.2
    rng = np.random.default_rng(5)
    draws = 40_000
    families = rng.multivariate_normal(found.family, found.family_covariance, draws)
    for row in [row for row in card.rows if row.on_cushion][::4]:
        room = margins(beside, TABLE, row.ball_m)
        assert room is not None
        assert abs(float(room.left_rad - room.right_rad)) > radians(0.3)
        needed = lines.needed_bearings(families, (row.ball_m - TABLE.centre_m)[None, :])[:, 0]
        needed = needed + rng.normal(0, found.spread_rad, draws)
        off = row.bearing_rad + rng.normal(0, radians(0.4), draws) - needed
        good = (off <= float(room.left_rad)) & (off >= -float(room.right_rad))
        assert row.make_chance == pytest.approx(good.mean(), abs=0.012)


def test_chances_of_strokes_not_known_for_sure_are_means() -> None:
    card = made(kicks(12))
    spreads = np.radians([0.2, 0.5, 1.1])
    stroke = CardStroke("A. Player", radians(0.5), radians(0.2), radians(1.1), spreads)
    together = with_chances(card, stroke)
    apart = [with_chances(card, stated_stroke(s)) for s in spreads]
    for k, row in enumerate(together.rows):
        if row.on_cushion:
            assert row.make_chance == pytest.approx(np.mean([one.rows[k].make_chance for one in apart]))
            assert apart[0].rows[k].make_chance > apart[2].rows[k].make_chance
        else:
            assert np.isnan(row.make_chance)
    assert together.stroke == stroke
    assert tell_chances(together) == [
        "Made: of 100 tries on that line by A. Player, whose lines spread by 0.50° (95 %: 0.20 to 1.1°)."
    ]
    nowhere = Shot("kick", "kick", ("left",), "hit", target_ball="any")
    assert all(np.isnan(row.make_chance) for row in with_chances(made(kicks(12), nowhere), stroke).rows)


def test_a_line_beside_the_one_needed_makes_fewer() -> None:
    """A card of one direction pays for it where its line is not the one needed."""
    card = made(kicks(20, noise_deg=0.05))
    turned = replace(card, rows=tuple(replace(row, bearing_rad=row.bearing_rad + radians(0.8)) for row in card.rows))
    spread = stated_stroke(radians(0.3))
    for row, other in zip(with_chances(card, spread).rows, with_chances(turned, spread).rows, strict=True):
        assert np.isnan(row.make_chance) or other.make_chance < row.make_chance - 0.05


@pytest.mark.parametrize(("chance", "words"), [(0.724, "72 %"), (0.999, "over 99 %"), (0.002, "under 1 %"), (nan, "–")])
def test_chances_in_words(chance: float, words: str) -> None:
    assert tell_chance(replace(made(kicks(12)).rows[0], make_chance=chance)) == words


def test_the_true_lines_lie_within_the_stated_bounds() -> None:
    """Of 100 practices, the true places of all rows at once: the region holds the true member 19 times in 20, and
    then every line; 88 is three sds below that."""
    image = unfold(np.array([0.6, 0.4]), KICK.target_point_m(TABLE), KICK.rails, TABLE).image_m
    held, rows_held, rows = 0, 0, 0
    for seed in range(100):
        drill = [replace(r, clip=None, common_bearing_sd_rad=nan) for r in kicks(8, seed=seed, noise_deg=0.15)]
        fit = fit_shot(drill, shot_name="kick", table=TABLE, shot=KICK)
        card = aim_card(fit, drill, KICK, TABLE)
        if isinstance(card, NoCard):
            continue
        inside = []
        for row in card.rows:
            # The true far place, by similar triangles from the near place to the target's image.
            y = TABLE.width_m + SET_BACK * 0.0254
            share = (y - row.near_m[1]) / (image[1] - row.near_m[1])
            x = row.near_m[0] + share * (image[0] - row.near_m[0])
            inside.append(row.through_sight.low <= (TABLE.length_m - x) / TABLE.diamond_m <= row.through_sight.high)
        held += all(inside)
        rows_held += sum(inside)
        rows += len(inside)
    assert held >= 88
    # Two parameters' region is wide for one line: of single lines more than 19 in 20 lie within, not all.
    assert 0.95 < rows_held / rows < 1


def test_harder_strokes_in_sights() -> None:
    """Lines needed that turn with the speed: the middle line's far place, moved by the turn, by the tangent."""
    rng = np.random.default_rng(8)
    slope = radians(-0.9)
    rows = []
    for row in kicks(24, noise_deg=0.05):
        speed = float(rng.uniform(1.5, 3.0))
        rows.append(replace(row, speed_mps=speed, miss_m=row.miss_m - slope * (speed - 2.2) * row.miss_per_rad_m))
    card = made(rows)
    assert card.fit.speed_slope is not None
    row = card.rows[len(card.rows) // 2]
    inches = WIDTH + 2 * SET_BACK
    turned = card.fit.speed_slope.value_rad * 0.01
    moved = (inches / tan(row.bearing_rad + turned) - inches / tan(row.bearing_rad - turned)) / 0.02
    # Counted from the foot: a place farther to the foot counts less.
    assert harder_sights(card) == pytest.approx(-moved / SIGHTS_APART, rel=0.02)
    assert harder_sights(card) < -0.05
    (sentence,) = tell_harder(card)
    assert sentence.startswith("Each m/s harder: 0.")
    assert sentence.endswith(" sights less on the left rail.")
    assert tell_harder(made(kicks(12))) == []
    # Speeds that do not matter: what may be chance is not told.
    idle = [replace(row, speed_mps=float(rng.uniform(1.5, 3.0))) for row in kicks(24, noise_deg=0.3)]
    assert np.isnan(harder_sights(made(idle)))


def test_where_one_point_would_do_is_said() -> None:
    """Lines of two kinds, straight on one side of the table and bent on the other."""
    curved = [
        replace(r, bearing_rad=r.bearing_rad + radians(3) * (k / 30 - 0.5) ** 2, miss_sd_m=0.0005)
        for k, r in enumerate(sorted(kicks(30, noise_deg=0.01, aim_deg=0.05), key=lambda r: r.start_x_m))
    ]
    fit = fit_shot(curved, shot_name="kick", table=TABLE, shot=KICK)
    none = aim_card(fit, curved, KICK, TABLE)
    assert isinstance(none, NoCard)
    assert fit.one_point.verdict == "not enough"
    assert none.good_sights is not None
    low, high = none.good_sights
    assert 0 <= low <= high <= 8
    said = tell_no_card(none, point_view(fit.to_json()))
    assert (
        f"log starts whose lines come over sights {low:g} to {high:g} of the right rail as a shot of their own" in said
    )
    # There the bend costs less than a quarter of the margin, at the ball's place on each line between.
    bend = fit.one_point.bend
    assert bend is not None
    near = np.array([TABLE.length_m - (low + high) / 2 * TABLE.diamond_m, -TABLE.sight_setback_m])
    bearing = bearings_through(near[None, :], fit.convergence.family[None, :], TABLE)[0, 0]
    ball = near + 0.4 * np.array([cos(bearing), sin(bearing)])
    room = margins(KICK, TABLE, ball)
    assert room is not None
    assert bend.extra_at_most_rad((ball - TABLE.centre_m)[None, :])[0] < 0.3 * float(room.half_rad)


def test_days_are_told() -> None:
    card: AimCard = made([replace(r, at=f"2026-03-0{1 + k % 3}T18:00:00") for k, r in enumerate(kicks(12))])
    assert card.seen.days == (date(2026, 3, 1), date(2026, 3, 2), date(2026, 3, 3))
    assert tell_starts(card)[1].endswith(": 12 starts, 1 March 2026 to 3 March 2026.")
    assert tell_starts(made([replace(r, at="soon") for r in kicks(12)]))[1].endswith(": 12 starts.")
