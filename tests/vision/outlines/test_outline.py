"""A ball's centre from its outline, on made-up balls: exact to fractions of a pixel named for each noise level."""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.ball_plane import BallPlane
from calibration.camera import Camera
from calibration.table import STANDARD_TABLES
from tests.rendering import BLACK, BLUE, RED, WHITE, YELLOW, Ball, Look, looking_at
from tests.rendering.light import encode
from tests.rendering.picture import Stage, with_noise
from vision.film.clip import Frame
from vision.outlines.outline import BallView, fit_outline

TABLE = STANDARD_TABLES["9ft"]
RADIUS_M = TABLE.ball_radius_m
# Noise of the picture (sd, levels of 255) -> root mean square error of either coordinate, pixels.
TOLERANCES_PX = {0.0: 0.05, 1.5: 0.06, 4.0: 0.10}
SLANTING_PX = 0.25
# A lamp far to one side: one half of each ball lies in the dark, and its shadow on one side of it.
SIDE_LAMP = Look(lamp_m=(2.2, 1.2, 1.3), ambient=0.25)
YUV_OF_RGB = np.array([[65.481, 128.553, 24.966], [-37.797, -74.203, 112.0], [112.0, -93.786, -18.214]]) / 255
PLACES_M = [(1.20, 0.60), (1.263, 0.641), (1.307, 0.583), (1.2412, 0.7043), (1.3531, 0.6657)]


def close_camera(*, oblique: bool = False) -> Camera:
    """A piece of what a 1080p camera over a table sees: a ball is some 18 pixels in radius."""
    position = (-0.6, 0.75, 2.4) if oblique else (1.30, 0.60, 2.8)
    return looking_at(position, (1.28, 0.64, 0.0), size=(240, 176), focal_px=1750.0)


@dataclass(frozen=True)
class Scene:
    stage: Stage

    def frame(self, levels: NDArray[np.float32], noise_sd: float = 0.0, seed: int = 1) -> Frame:
        picture = with_noise(levels, noise_sd, np.random.default_rng(seed))
        # ITU-R BT.601, video range; a colour sample is the mean of its four pixels.
        yuv = picture[:, :, ::-1] @ YUV_OF_RGB.T + (16, 128, 128)
        height, width = picture.shape[:2]
        halves = yuv.reshape(height // 2, 2, width // 2, 2, 3).mean(axis=(1, 3))
        planes = [np.rint(plane).astype(np.uint8) for plane in (yuv[..., 0], halves[..., 1], halves[..., 2])]
        return Frame(0, Fraction(1, 30), planes[0], planes[1], planes[2])

    def left_sited(self, levels: NDArray[np.float32], said: tuple[float, float]) -> Frame:
        """The frame as cameras mostly make it: colour samples on the left side of their four pixels."""
        yuv = np.rint(levels)[:, :, ::-1].astype(float) @ YUV_OF_RGB.T + (16, 128, 128)
        across, down = np.array([0.25, 0.5, 0.25]), np.array([0, 0.5, 0.5])
        u, v = (cv2.sepFilter2D(yuv[..., k], -1, across, down)[::2, ::2] for k in (1, 2))
        planes = [np.rint(plane).astype(np.uint8) for plane in (yuv[..., 0], u, v)]
        return Frame(0, Fraction(1, 30), planes[0], planes[1], planes[2], said)

    def smeared(self, balls: Sequence[Ball]) -> NDArray[np.float32]:
        """One ball at several moments of an exposure."""
        camera = self.stage.camera
        whole = (0, 0, camera.width, camera.height)
        light = np.mean([self.stage.patch([ball], whole) for ball in balls], axis=0)
        return encode(light)

    def fit(self, frame: Frame, guess_m: tuple[float, float], smear_m: float = 0.0) -> BallView | None:
        return fit_outline(frame, BallPlane(self.stage.camera, RADIUS_M), np.array(guess_m), smear_m)

    def error_px(self, view: BallView | None, place_m: tuple[float, float]) -> NDArray[np.float64]:
        """From the true centre's picture to the one found, (2,)."""
        assert view is not None
        both = np.array([[*view.at_m, RADIUS_M], [*place_m, RADIUS_M]])
        found, true = self.stage.camera.project(both)
        return np.asarray(found - true)


def scene(look: Look, *, oblique: bool = False) -> Scene:
    return Scene(Stage.build(close_camera(oblique=oblique), TABLE, look))


@pytest.fixture(scope="module")
def plain() -> Scene:
    return scene(Look())


@pytest.fixture(scope="module")
def side_lit() -> Scene:
    return scene(SIDE_LAMP)


@pytest.fixture(scope="module")
def slanting() -> Scene:
    return scene(Look(cloth=(70, 96, 150)), oblique=True)


def rms(errors: Sequence[NDArray[np.float64]]) -> float:
    return float(np.sqrt(np.mean(np.square(errors))))


def guesses(seed: int) -> list[tuple[float, float]]:
    """The places, each off by up to 6 mm either way."""
    off = np.random.default_rng(seed).uniform(-0.006, 0.006, (len(PLACES_M), 2))
    return [(x + float(dx), y + float(dy)) for (x, y), (dx, dy) in zip(PLACES_M, off, strict=True)]


def test_outline_is_pulled_the_less_the_more_the_ball_stands_out(plain: Scene) -> None:
    pulled = {}
    for colour in (WHITE, YELLOW, RED, (66, 140, 88)):
        frame = plain.frame(plain.stage.still([Ball(*PLACES_M[0], colour)]))
        view = plain.fit(frame, PLACES_M[0])
        assert view is not None
        assert view.edges_sd_m <= view.sd_m
        pulled[colour] = view.pull_px
    # White stands out by some 120 levels here, a ball of nearly the cloth's colour by its shading alone.
    assert list(pulled.values()) == sorted(pulled.values())
    assert pulled[WHITE] < 0.04
    assert max(pulled.values()) > 0.1


@pytest.mark.parametrize("noise_sd", TOLERANCES_PX)
def test_exact_to_the_tolerance_of_the_noise(plain: Scene, noise_sd: float) -> None:
    errors = errors_of(plain, noise_sd)
    assert rms(errors) < TOLERANCES_PX[noise_sd]


def test_slanting_view(slanting: Scene) -> None:
    """Seen from the side, a ball's underside is dark towards the camera, and its outline soft there."""
    assert rms(errors_of(slanting, 1.5)) < SLANTING_PX


def errors_of(camera: Scene, noise_sd: float) -> list[NDArray[np.float64]]:
    errors = []
    for k, (place, guess) in enumerate(zip(PLACES_M, guesses(3), strict=True)):
        for colour in (WHITE, RED):
            frame = camera.frame(camera.stage.still([Ball(*place, colour)]), noise_sd, seed=k)
            errors.append(camera.error_px(camera.fit(frame, guess), place))
    return errors


def centroid_px(frame: Frame, empty: Frame) -> NDArray[np.float64]:
    """Middle of the pixels that differ from the empty table: what a plain blob would give."""
    differs = np.abs(frame.y.astype(float) - empty.y) > 20
    v, u = np.nonzero(differs)
    return np.array([u.mean(), v.mean()])


def test_shading_and_shadow_do_not_pull(side_lit: Scene) -> None:
    empty = side_lit.frame(side_lit.stage.empty())
    blobs, errors = [], []
    for place, guess in zip(PLACES_M, guesses(4), strict=True):
        frame = side_lit.frame(side_lit.stage.still([Ball(*place, YELLOW)]), 1.5)
        errors.append(side_lit.error_px(side_lit.fit(frame, guess), place))
        true = side_lit.stage.camera.project(np.array([[*place, RADIUS_M]]))[0]
        blobs.append(centroid_px(frame, empty) - true)
    # The picture is a hard one: the blob's middle is off by more than a pixel.
    assert rms(blobs) > 1.0
    assert rms(errors) < 0.2


@pytest.mark.parametrize(
    ("colour", "pattern"),
    [(YELLOW, "plain"), (BLUE, "plain"), (BLACK, "plain"), (YELLOW, "stripe"), (WHITE, "spots"), (BLUE, "disc")],
)
def test_colours_and_patterns(plain: Scene, colour: tuple[float, float, float], pattern: str) -> None:
    errors = []
    for k, (place, guess) in enumerate(zip(PLACES_M, guesses(5), strict=True)):
        turn = cv2.Rodrigues(np.random.default_rng(k).uniform(-2, 2, 3))[0]
        frame = plain.frame(plain.stage.still([Ball(*place, colour, pattern, turn)]), 1.5)
        errors.append(plain.error_px(plain.fit(frame, guess), place))
    assert rms(errors) < 0.15


@pytest.mark.parametrize("colour", [RED, BLUE, BLACK], ids=["red", "blue", "black"])
def test_dark_stripes_with_the_pole_in_view(plain: Scene, colour: tuple[float, float, float]) -> None:
    """The border between white pole and dark band shows more than the outline does, but is not taken for it."""
    errors = []
    for k in range(8):
        turn = cv2.Rodrigues(np.random.default_rng(k).uniform(-2, 2, 3))[0]
        place = PLACES_M[k % len(PLACES_M)]
        frame = plain.frame(plain.stage.still([Ball(*place, colour, "stripe", turn)]), 1.5)
        errors.append(plain.error_px(plain.fit(frame, guesses(5)[k % len(PLACES_M)]), place))
    assert rms(errors) < 0.4


@pytest.mark.parametrize("colour", [RED, YELLOW], ids=["red", "yellow"])
def test_colour_samples_on_the_left(plain: Scene, colour: tuple[float, float, float]) -> None:
    """Taken for samples in the middle they draw a ball's outline to one side; known to stand there they do not."""
    mean_px = []
    for said in ((0.0, 0.5), (0.5, 0.5)):
        errors = []
        for place in PLACES_M:
            levels = plain.stage.still([Ball(*place, colour)])
            view = plain.fit(plain.left_sited(levels, said), place)
            errors.append(plain.error_px(view, place))
        mean_px.append(float(np.mean(errors, axis=0)[0]))
    told, untold = mean_px
    assert abs(told) < 0.05
    assert abs(untold) > 0.1


def test_ball_as_bright_as_the_cloth() -> None:
    """Luma alone would not see it; the colour planes do."""
    grey = scene(Look(cloth=(150, 150, 150), texture=0.0))
    # Screen colour whose luma (0.299 R + 0.587 G + 0.114 B) is that of the cloth.
    ball = Ball(*PLACES_M[1], (200.0, 136.0, 92.0))
    frame = grey.frame(grey.stage.still([ball]), 1.0)
    assert rms([grey.error_px(grey.fit(frame, guesses(6)[1]), PLACES_M[1])]) < 0.4


@pytest.mark.parametrize("way_m", [0.01, 0.03, 0.06])
@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, 90.0])
def test_smeared_ball_is_where_it_was_at_mid_exposure(plain: Scene, way_m: float, bearing_deg: float) -> None:
    place = PLACES_M[1]
    along = np.array([np.cos(np.radians(bearing_deg)), np.sin(np.radians(bearing_deg))])
    moments = np.linspace(-0.5, 0.5, 19) * way_m
    balls = [Ball(place[0] + along[0] * m, place[1] + along[1] * m, WHITE) for m in moments]
    frame = plain.frame(plain.smeared(balls), 1.5)
    error = plain.error_px(plain.fit(frame, (place[0] + 0.003, place[1] - 0.002), smear_m=way_m), place)
    way_px = way_m / 0.0016
    image = np.array([along[0], -along[1]])
    # Across its path nearly as sharp as at rest; along it to a twentieth of the smear.
    assert abs(error @ np.array([-image[1], image[0]])) < 0.15 + 0.01 * way_px
    assert abs(error @ image) < max(0.2, 0.05 * way_px)


def test_short_smear_is_not_searched_for(slanting: Scene) -> None:
    """A blob is as much too long by a ball's shadow: what it says is left aside, and a ball so little smeared is placed
    as surely without."""
    place, guess = PLACES_M[1], (PLACES_M[1][0] + 0.003, PLACES_M[1][1] - 0.002)
    errors = []
    for turn in np.linspace(0, np.pi, 4, endpoint=False):
        moments = np.linspace(-0.5, 0.5, 9) * 0.003
        balls = [Ball(place[0] + np.cos(turn) * m, place[1] + np.sin(turn) * m, WHITE) for m in moments]
        frame = slanting.frame(slanting.smeared(balls), 1.5)
        said, unsaid = (slanting.error_px(slanting.fit(frame, guess, smear_m), place) for smear_m in (0.003, 0.0))
        assert np.array_equal(said, unsaid)
        errors.append(said)
    assert rms(errors) < 0.04


def test_half_hidden_ball(plain: Scene) -> None:
    """A stick over a third of the ball: the rest of the outline is enough, and the support says what is missing."""
    place = PLACES_M[1]
    levels = plain.stage.still([Ball(*place, WHITE)])
    u, v = plain.stage.camera.project(np.array([[*place, RADIUS_M]]))[0]
    cv2.line(levels, (int(u) + 10, int(v) - 60), (int(u) + 14, int(v) + 60), (60, 90, 130), 9)
    view = plain.fit(plain.frame(levels, 1.5), (place[0] - 0.002, place[1] + 0.002))
    assert rms([plain.error_px(view, place)]) < 0.5
    whole = plain.fit(plain.frame(plain.stage.still([Ball(*place, WHITE)]), 1.5), place)
    assert view is not None
    assert whole is not None
    assert view.support < whole.support
    assert whole.support > 0.9


def coded(frame: Frame, crf: int) -> Frame:
    """What is left of a frame once it was coded (H.264) at this quality."""
    height, width = frame.y.shape
    stacked = np.concatenate([plane.reshape(-1) for plane in (frame.y, frame.u, frame.v)]).reshape(-1, width)
    encoder = av.CodecContext.create("libx264", "w")
    encoder.height, encoder.width, encoder.pix_fmt = height, width, "yuv420p"
    encoder.options, encoder.time_base = {"crf": str(crf), "preset": "veryfast"}, Fraction(1, 30)
    packets = [*encoder.encode(av.VideoFrame.from_ndarray(stacked, format="yuv420p")), *encoder.encode(None)]
    decoder = av.CodecContext.create("h264", "r")
    (shown,) = [f for packet in packets for f in decoder.decode(packet)] + list(decoder.decode(None))
    planes = shown.to_ndarray(format="yuv420p").reshape(-1).astype(np.uint8)
    y, u, v = np.split(planes, [height * width, height * width * 5 // 4])
    half = (height // 2, width // 2)
    return Frame(0, frame.time_base, y.reshape(height, width), u.reshape(half), v.reshape(half))


@pytest.mark.parametrize("crf", [20, 28])
def test_dark_underside_of_a_slanting_view_does_not_pull(slanting: Scene, crf: int) -> None:
    """Towards the camera a ball darkens up to its outline, which coding makes soft: the shading is not part of it."""
    camera = slanting.stage.camera
    errors = []
    for k in range(10):
        place = np.array(PLACES_M[k % len(PLACES_M)])
        frame = slanting.frame(slanting.stage.still([Ball(*place, WHITE)]), 1.5, seed=k)
        view = slanting.fit(coded(frame, crf), guesses(k)[k % len(PLACES_M)])
        away = place - camera.position_m[:2]
        here, there = camera.project(np.array([[*place, RADIUS_M], [*(place + 0.01 * away), RADIUS_M]]))
        errors.append(slanting.error_px(view, PLACES_M[k % len(PLACES_M)]) @ (there - here) / np.hypot(*(there - here)))
    # A third of what it is when the shading counts.
    assert abs(np.mean(errors)) < {20: 0.025, 28: 0.08}[crf]


def test_empty_cloth_has_no_support(plain: Scene) -> None:
    frame = plain.frame(plain.stage.empty(), 1.5)
    for place in PLACES_M:
        view = plain.fit(frame, place)
        assert view is None or view.support < 0.6


def test_ball_that_leaves_the_picture_is_none(plain: Scene) -> None:
    corner = plain.stage.camera.to_plane(np.array([[6.0, 8.0]]), RADIUS_M)[0]
    frame = plain.frame(plain.stage.still([Ball(float(corner[0]), float(corner[1]), WHITE)]))
    assert plain.fit(frame, (float(corner[0]), float(corner[1]))) is None


@pytest.mark.parametrize("noise_sd", [1.5, 4.0])
def test_stated_standard_deviation_of_clear_pictures(plain: Scene, side_lit: Scene, noise_sd: float) -> None:
    standardised = []
    for camera in (plain, side_lit):
        for seed in range(3):
            for k, (place, guess) in enumerate(zip(PLACES_M, guesses(seed), strict=True)):
                frame = camera.frame(camera.stage.still([Ball(*place, WHITE)]), noise_sd, seed=10 * seed + k)
                view = camera.fit(frame, guess)
                assert view is not None
                standardised.append((view.at_m - place) / view.sd_m)
    # There is no compression in them and few other edges: it may be too large by half, not too small.
    assert 0.4 < rms(standardised) < 1.3


@pytest.mark.parametrize("crf", [28, 40])
def test_stated_standard_deviation_of_coded_pictures(plain: Scene, side_lit: Scene, crf: int) -> None:
    """Coarser coding, larger errors, larger standard deviations: those of many balls come out as stated."""
    errors, standardised = [], []
    for camera in (plain, side_lit):
        for colour in (WHITE, RED, YELLOW, BLUE):
            for k, (place, guess) in enumerate(zip(PLACES_M, guesses(crf), strict=True)):
                frame = coded(camera.frame(camera.stage.still([Ball(*place, colour)]), 2.0, seed=k), crf)
                view = camera.fit(frame, guess)
                assert view is not None
                errors.append(camera.error_px(view, place))
                standardised.append((view.at_m - place) / view.sd_m)
    assert rms(errors) > (0.1 if crf > 30 else 0.05)
    assert 0.6 < rms(standardised) < 1.5


def test_colour_tells_balls_apart(plain: Scene) -> None:
    seen = {}
    for name, colour in {"white": WHITE, "red": RED, "yellow": YELLOW, "blue": BLUE}.items():
        view = plain.fit(plain.frame(plain.stage.still([Ball(*PLACES_M[0], colour)]), 1.5), PLACES_M[0])
        assert view is not None
        seen[name] = view.colour
    names = list(seen)
    apart = [np.hypot(*(seen[a] - seen[b])[1:]) for k, a in enumerate(names) for b in names[:k]]
    assert min(apart) > 15
