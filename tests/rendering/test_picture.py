"""The renderer against the program's geometry: noses, sights and balls appear where the camera model puts them."""

from itertools import permutations

import numpy as np
import pytest

from calibration.sphere import outline_px
from calibration.table import STANDARD_TABLES, standard_table
from tests.rendering import RED, WHITE, Ball, Look, Stage, oblique_camera, overhead_camera, render_table
from tests.rendering.picture import clusters
from tests.rendering.view import box_rays, pixel_rays

NINE = STANDARD_TABLES["9ft"]
PLAIN = Look(noise_sd=0.0, texture=0.0, vignette=0.0)
SMALL = overhead_camera(NINE, size=(640, 360))
VIEWS = {"above": overhead_camera(NINE), "oblique": oblique_camera(NINE, focal_px=950)}


@pytest.fixture(scope="module", params=sorted(VIEWS))
def stage(request: pytest.FixtureRequest) -> Stage:
    return Stage.build(VIEWS[request.param], NINE, PLAIN)


def test_balls_fill_their_outline_and_nothing_else(stage: Stage) -> None:
    """The area that a ball covers, partly covered pixels counted in part, is the exact outline's; so is its middle."""
    camera = stage.camera
    for place in ((0.6, 0.3), (1.9, 0.9)):
        ball = Ball(*place, colour=(255, 255, 255))
        box = stage.box(ball)
        assert box is not None
        # Draw the ball alone, white on black, in a light that makes all of it saturate.
        glare = Stage(camera, NINE, Look(ambient=1.0, light=60.0), 0 * stage.light, stage.places_m, 0 * stage.fade + 1)
        cover = glare.patch([ball], box)[:, :, 0]
        outline = outline_px(camera, np.array([*place, NINE.ball_radius_m]), NINE.ball_radius_m, 720)
        x, y = outline.T
        cross = x * np.roll(y, -1) - np.roll(x, -1) * y
        area = abs(cross.sum()) / 2
        assert cover.sum() == pytest.approx(area, rel=0.004)
        rows, columns = np.mgrid[box[1] : box[3], box[0] : box[2]]
        middle = [(cover * columns).sum() / cover.sum(), (cover * rows).sum() / cover.sum()]
        true = [((c + np.roll(c, -1)) * cross).sum() / (3 * cross.sum()) for c in (x, y)]
        assert middle == pytest.approx(true, abs=0.02)


def test_quick_rays_agree_with_the_lens() -> None:
    for camera in VIEWS.values():
        us, vs = np.arange(40.0, 75.0, 0.25), np.arange(600.0, 640.0, 0.25)
        pixels = np.stack(np.meshgrid(us, vs), axis=2).reshape(-1, 2)
        off = box_rays(camera, us, vs).reshape(-1, 3) - pixel_rays(camera, pixels)
        assert np.abs(off).max() * camera.focal_px < 1e-3


def test_sights_shine_where_they_should(stage: Stage) -> None:
    levels = stage.still()
    for rail in ("head", "foot", "left", "right"):
        pixels = np.rint(stage.camera.project(NINE.sights_m(rail))).astype(int)  # type: ignore[arg-type]
        for u, v in pixels:
            # Each is brighter than the wood around it; far ones are smaller than a pixel across.
            near = levels[v - 2 : v + 3, u - 2 : u + 3].max(axis=(0, 1)).sum()
            wood = np.median(levels[v - 12 : v + 13, u - 12 : u + 13].reshape(-1, 3), axis=0).sum()
            assert near > 1.15 * wood


def test_noses_are_edges_of_dark_lines_or_of_the_bed(stage: Stage) -> None:
    """Across each nose the picture changes at the projected nose line, to half a pixel, where it can be seen."""
    levels = stage.empty().sum(axis=2)
    camera = stage.camera
    for rail, inwards in (("foot", (-1.0, 0.0)), ("left", (0.0, -1.0))):
        ends = NINE.nose_segment(rail)  # type: ignore[arg-type]
        point = ends[0] + 0.3 * (ends[1] - ends[0])
        seen = camera.project(np.array([point, point + 0.01 * np.array([*inwards, 0.0])]))
        step = (seen[1] - seen[0]) / np.linalg.norm(seen[1] - seen[0])
        reach = np.arange(-6, 6.01, 0.1)
        samples = seen[0] + reach[:, None] * step
        u0, v0 = np.floor(samples).astype(int).T
        fu, fv = (samples - np.floor(samples)).T
        profile = (
            levels[v0, u0] * (1 - fu) * (1 - fv)
            + levels[v0, u0 + 1] * fu * (1 - fv)
            + levels[v0 + 1, u0] * (1 - fu) * fv
            + levels[v0 + 1, u0 + 1] * fu * fv
        )
        steepest = reach[np.argmin(np.gradient(profile))]
        assert abs(steepest) < 0.6, rail


def test_shadow_falls_away_from_a_lamp_to_one_side() -> None:
    camera = SMALL
    look = Look(noise_sd=0, texture=0, vignette=0, lamp_m=(0.0, 1.2, 1.2), ambient=0.2)
    with_ball = render_table(camera, NINE, look, [Ball(1.27, 0.635)]).astype(int).sum(axis=2)
    without = render_table(camera, NINE, look).astype(int).sum(axis=2)
    sides = camera.project(np.array([[1.27, 0.635 - 0.045, 0.0], [1.27, 0.635 + 0.045, 0.0]]))
    (u_far, v_far), (u_near, v_near) = np.rint(sides).astype(int)
    darker = without - with_ball
    assert darker[v_far, u_far] > 3 * max(darker[v_near, u_near], 1)


def test_a_nose_hides_the_foot_of_a_frozen_ball() -> None:
    camera = oblique_camera(NINE, size=(640, 360), focal_px=600)
    stage = Stage.build(camera, NINE, PLAIN)

    def seen_px(ball: Ball) -> float:
        levels = stage.still([ball])
        return float((np.abs(levels - stage.empty()).max(axis=2) > 25).sum())

    free, frozen = seen_px(Ball(0.25, 0.6, RED)), seen_px(Ball(NINE.track_offset_m, 0.6, RED))
    assert frozen < 0.97 * free


def test_balls_whose_boxes_meet_by_way_of_others_are_all_drawn() -> None:
    """The box of the first and the third grows over the second's, which neither of them met."""
    boxes = [(0, 0, 10, 10), (0, 20, 5, 25), (8, 8, 30, 30)]
    balls = [Ball(x, 0.5) for x in (0.5, 1.0, 1.5)]
    for order in permutations(range(3)):
        ((members, box),) = clusters([(balls[k], boxes[k]) for k in order])
        assert sorted(ball.x_m for ball in members) == [0.5, 1.0, 1.5]
        assert box == (0, 0, 30, 30)


def test_noise_is_as_stated_and_seeded() -> None:
    look = Look(noise_sd=3.0)
    pictures = [render_table(SMALL, NINE, look, [Ball(1.0, 0.5, WHITE)], seed=seed) for seed in (1, 1, 2)]
    assert (pictures[0] == pictures[1]).all()
    difference = pictures[0].astype(float) - pictures[2]
    bed = difference[150:210, 250:390]
    assert bed.std() == pytest.approx(3.0 * np.sqrt(2), rel=0.03)


def test_tables_without_pockets_and_of_other_sizes() -> None:
    table = standard_table("carom")
    levels = Stage.build(overhead_camera(table, size=(640, 360)), table, Look(pockets=False, noise_sd=0)).still()
    assert np.isfinite(levels).all()
    # No black hole at the corners: cloth or wood, all brighter than a hole.
    corner = overhead_camera(table, size=(640, 360)).project(np.array([[-0.02, -0.02, 0.04]]))[0]
    u, v = np.rint(corner).astype(int)
    assert levels[v - 3 : v + 4, u - 3 : u + 4].sum(axis=2).min() > 90
