"""The balls' radius in units of the table, which tells a table's size: every standard table has its own ratio.

Balls that rest on the cloth are found as round spots of another colour. A first outline is where the colour changes
most sharply along rays from the middle (a cast shadow ends softly); ``ball_outline`` then fits the profile of light
across it. A sphere that lies on the cloth is fitted to the lines of sight, so any view will do.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from calibration.ball_outline import BallOutline, fit_outline, outline_light
from calibration.camera import PARAMETER_STEPS, Camera, Matrix
from calibration.cloth import Picture
from calibration.sphere import outline_px
from calibration.strips import Linear, linear_light
from calibration.table import Table, Vector

RAYS, SECTORS = 96, 32
PROFILE_STEP_PX = 0.2
BLUR_PX = 0.3
# Radii looked at, around the assumed ball's: from the largest table with the smallest ball to the reverse.
SHARE_RANGE = (0.72, 1.45)
FRAMES_LOOKED_AT = 5
EDGE_CLEARANCE = 1.2
DARK_SHARE = 0.3
# The plan view in which spots are looked for: metres from one place to the next; by one place in so many the cloth's
# colour is told.
PLAN_M, PLAN_SHARE = 0.004, 11
# So far beyond the bed its balls and what is round them are seen, in radii.
BESIDE_RADII = 4.0
# Less light than a film tells from none, as a share of white.
LEAST_LIGHT = 1e-5
# Area of a spot as a share of the assumed ball's: on the smallest table it is 1.4 times that, a view from the side
# stretches it by as much again, and the shadow adds to it.
SPOT_AREA = (0.35, 4.0)
# Balls that lie where one was measured before add nothing but time; nor do very many.
SIGHTINGS_PER_PLACE, MOST_SIGHTINGS = 2, 24
# A sighting counts when its outline stands out (``BallOutline.contrast``), its rays agree, it is as sharp as the others
# (a moving ball is not), and its radius is known to this share.
LEAST_CONTRAST = 0.10
LEAST_AGREEMENT = 0.65
MOST_BLUR_STRAY_PX = 0.3
MOST_SD_SHARE = 0.05
# How far one ball's radius errs for its own light even where the profiles' model leaves nothing, a share of the radius.
OWN_SD_SHARE = 0.004
# Where a share of the rays tells otherwise, what is seen may be a ball only in part (the band of a stripe, a hand over
# it), whose radius is wrong by up to this times that share: outlines on which all rays agree say which are believed.
ODD_RAYS_SHARE = 0.3
# How far all may err alike for the way a camera sharpens and encodes: seen on rendered pictures of two makers and
# several cloths.
COMMON_SD_PX, COMMON_SD_SHARE = 0.06, 0.012
FAR_SDS = 3.0
LEAST_TO_JUDGE = 3
# Outlines err by several sds oftener than a normal law says: a ball counts less the farther it is off, as if errors had
# Student's distribution with so many degrees of freedom (weights of Lange, Little & Taylor, Journal of the American
# Statistical Association 84, 1989). Seen on rendered films from fine to coarse.
TAILS, ROUNDS = 6.0, 5
# Places of an outline that tell what an error of the camera makes of it.
CAMERA_RAYS = 12


@dataclass(frozen=True)
class BallSize:
    """Radius of the balls under the assumed table, metres, its standard deviation, and from how many balls, each at
    its place."""

    radius_m: float
    sd_m: float
    balls: int


@dataclass(frozen=True)
class _Lain:
    """What the looks at one ball at one place say together: the place (2,), the radius and its standard deviation in
    metres, what of that is for noise, radius and blur in pixels, and the share of the rays that tell otherwise."""

    place_m: Vector
    radius_m: float
    sd_m: float
    noise_sd_m: float
    radius_px: float
    blur_px: float
    odd: float


def measure_ball_size(frames: Sequence[Picture], camera: Camera, table: Table) -> BallSize | None:
    """Mean radius of the balls at rest, in the metres of the assumed ``table``; None when no ball is seen well."""
    outlines = [
        outline
        for outline in _outlines(frames, camera, table)
        if outline.contrast > LEAST_CONTRAST
        and outline.agreement > LEAST_AGREEMENT
        and outline.sd_m < MOST_SD_SHARE * outline.radius_m
    ]
    if not outlines:
        return None
    balls = _balls(outlines, table.ball_radius_m)
    radius = np.array([ball.radius_m for ball in balls])
    radius_px = np.array([ball.radius_px for ball in balls])
    blur_px = np.array([ball.blur_px for ball in balls])
    sd = np.array([ball.sd_m for ball in balls])
    weight = sd**-2
    good = np.abs(blur_px - _weighted_median(blur_px, weight)) < MOST_BLUR_STRAY_PX
    odd = ODD_RAYS_SHARE * np.array([ball.odd for ball in balls])
    middle = _middle(radius[good], sd[good], odd[good])
    near = np.abs(radius - middle) < FAR_SDS * np.hypot(sd, 1 / np.sqrt(weight[good].max()))
    # Of two that differ nobody knows which is wrong: then both count, and their difference makes the mean less sure.
    good &= near | (good.sum() < LEAST_TO_JUDGE)
    mean = middle
    for _ in range(ROUNDS):
        weight = good / (sd**2 + (radius - mean) ** 2 / TAILS)
        mean = float(weight @ radius / weight.sum())
    scatter = float(weight @ (radius - mean) ** 2) / max(int(good.sum()) - 1, 1)
    place = np.array([ball.place_m for ball in balls])[good]
    share = weight[good] / weight.sum()
    of_camera = camera_share_sd(camera, place, mean, share)
    # How well a profile tells the radius apart from limb, shadow and blur. Where a soft lens hides it, they pass for
    # each other by what the model of the profile lacks, which is alike for all balls: their mean is no surer of it.
    # What each of them has of it by itself counts already: of one ball, all.
    shape = _weighted_median(np.array([ball.noise_sd_m for ball in balls])[good], weight[good]) / mean
    shape *= float(np.sqrt(max(1 - share @ share, 0.0)))
    shares = [COMMON_SD_PX / np.median(radius_px[good]), COMMON_SD_SHARE, of_camera, shape]
    common = mean * float(np.linalg.norm(shares))
    return BallSize(mean, float(np.hypot(np.sqrt(max(scatter, 1.0) / weight.sum()), common)), int(good.sum()))


def _balls(outlines: Sequence[BallOutline], reach_m: float) -> list[_Lain]:
    """The balls at their places: looks at one that lies still are alike in all but noise, and make one witness.

    The noise is taken for one look's: what did not change from one picture of a film to the next is often copied.
    """
    places: list[list[BallOutline]] = []
    for outline in outlines:
        here = next((looks for looks in places if np.hypot(*(looks[0].place_m - outline.place_m)) < reach_m), None)
        if here is None:
            places.append([outline])
        else:
            here.append(outline)
    found = []
    for looks in places:
        sd = np.array([np.hypot(look.sd_m, look.misfit_sd_m) for look in looks])
        share = sd**-2 / np.sum(sd**-2)

        def mean(values: Iterable[float], share: Vector = share) -> float:
            return float(share @ np.array(list(values)))

        radius = mean(look.radius_m for look in looks)
        found.append(
            _Lain(
                place_m=share @ np.array([look.place_m for look in looks]),
                radius_m=radius,
                sd_m=float(np.hypot(sd.min(), radius * OWN_SD_SHARE)),
                noise_sd_m=min(look.sd_m for look in looks),
                radius_px=mean(look.radius_px for look in looks),
                blur_px=mean(look.blur_px for look in looks),
                odd=1 - mean(look.agreement for look in looks),
            )
        )
    return found


def camera_share_sd(camera: Camera, places_m: Matrix, radius_m: float, weights: Vector) -> float:
    """Standard deviation, a share of the radius, by which the camera's own error makes balls look larger.

    ``places_m`` (n, 2) and ``radius_m`` in metres; the mean of them by ``weights`` (n,), which add up to 1. To first
    order in the camera's parameters. Seen straight down the focal length may be off by much: away from the middle of
    the picture balls are then taken to be seen less aslant, or more, than they are.
    """
    centres = np.column_stack([places_m, np.full(len(places_m), radius_m)])
    pixels = camera.project(centres)

    def log_size(seen_by: Camera) -> Vector:
        there = np.column_stack([seen_by.to_plane(pixels, radius_m), centres[:, 2]])
        edges = [outline_px(seen_by, centre, radius_m, CAMERA_RAYS) for centre in there]
        return np.array([np.log(np.linalg.norm(edge - edge.mean(axis=0), axis=1).mean()) for edge in edges])

    slopes = []
    for k, size in enumerate(PARAMETER_STEPS):
        step = np.zeros(len(PARAMETER_STEPS))
        step[k] = size
        slopes.append(float(weights @ (log_size(camera.moved(step)) - log_size(camera.moved(-step)))) / (2 * size))
    return float(np.sqrt(max(np.array(slopes) @ camera.covariance @ np.array(slopes), 0.0)))


def _middle(radius_m: Vector, sd_m: Vector, odd: Vector) -> float:
    """The radius of most balls (n,), those believed most on whose outlines all rays agree: ``odd`` (n,) is by what
    share a radius may be wrong by the others.

    On the ring that bounds the white pole of a stripe all rays agree, too, and where the band has the cloth's colour
    nothing else shows: a ball that is smaller than all the others, which agree, is not believed against them.
    """
    weight = np.hypot(sd_m, radius_m * odd) ** -2
    middle = _weighted_median(radius_m, weight)
    others = np.abs(radius_m - middle) > FAR_SDS * np.hypot(sd_m, sd_m.min())
    if others.sum() < max(LEAST_TO_JUDGE, len(others) - 1):
        return middle
    theirs = _weighted_median(radius_m[others], weight[others])
    agree = np.abs(radius_m - theirs)[others] < FAR_SDS * np.hypot(sd_m, sd_m.min())[others]
    return theirs if theirs > middle and agree.sum() >= LEAST_TO_JUDGE else middle


def _weighted_median(values: Vector, weights: Vector) -> float:
    order = np.argsort(values)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][np.searchsorted(share, 0.5)])


@dataclass(frozen=True)
class _Plan:
    """The bed seen from above: where in a frame each place of it shows, pixels x and y (h, w) each, on a grid of places
    from ``first_m`` (2,) on, and the terms (6, h * w) of how the cloth's colour may change over it."""

    x_px: NDArray[np.float32]
    y_px: NDArray[np.float32]
    first_m: Vector
    terms: NDArray[np.float32]


def _plan(camera: Camera, table: Table) -> _Plan:
    clear = EDGE_CLEARANCE * table.ball_radius_m
    xs = np.arange(clear, table.length_m - clear, PLAN_M)
    ys = np.arange(clear, table.width_m - clear, PLAN_M)
    starts = np.column_stack([np.zeros(len(ys)), ys, np.full(len(ys), table.ball_radius_m)])
    x_px, y_px = camera.project_beside(starts, np.array([1.0, 0.0, 0.0]), xs)
    x, y = np.meshgrid(np.linspace(-1, 1, len(xs), dtype=np.float32), np.linspace(-1, 1, len(ys), dtype=np.float32))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y]).reshape(6, -1)
    return _Plan(x_px.astype(np.float32), y_px.astype(np.float32), np.array([xs[0], ys[0]]), terms)


def _outlines(frames: Sequence[Picture], camera: Camera, table: Table) -> list[BallOutline]:
    step = max(1, len(frames) // FRAMES_LOOKED_AT)
    found: list[BallOutline] = []
    plan = _plan(camera, table)
    for frame in frames[::step][:FRAMES_LOOKED_AT]:
        _look_at(frame, camera, table, plan, found)
    return found


def _look_at(frame: Picture, camera: Camera, table: Table, plan: _Plan, found: list[BallOutline]) -> None:
    """Put the outlines of a frame's balls to those that were found, but for balls that were seen often enough."""
    places = _spots(frame, plan, table)
    frame, camera = _cut_to_bed(frame, camera, table)
    # Large arrays: they are let go before the next frame's are made.
    light, bright = linear_light(frame), outline_light(frame)
    for place in places:
        before = sum(bool(np.hypot(*(place - other.place_m)) < table.ball_radius_m) for other in found)
        if before >= SIGHTINGS_PER_PLACE or len(found) >= MOST_SIGHTINGS:
            continue
        guess = _first_outline(light, camera, table, place)
        outline = None if guess is None else fit_outline(bright, camera, *guess)
        if outline is not None:
            found.append(outline)


def _cut_to_bed(frame: Picture, camera: Camera, table: Table) -> tuple[Picture, Camera]:
    """That part of a frame in which balls are seen, and the camera that shows just it."""
    beside, r = BESIDE_RADII * table.ball_radius_m, table.ball_radius_m
    # Not by the corners alone: a lens may bend the sides outwards.
    xs, ys = np.linspace(-beside, table.length_m + beside, 9), np.linspace(-beside, table.width_m + beside, 9)
    seen = camera.project(np.stack(np.meshgrid(xs, ys, (0.0, 2 * r)), axis=-1).reshape(-1, 3))
    if not np.isfinite(seen).all():
        return frame, camera
    height, width = frame.shape[:2]
    left, top = np.clip(np.floor(seen.min(axis=0)).astype(int), 0, (width - 1, height - 1)).tolist()
    right, bottom = np.clip(np.ceil(seen.max(axis=0)).astype(int) + 1, (left + 1, top + 1), (width, height)).tolist()
    cx, cy = camera.centre_px
    cut = replace(camera, centre_px=(cx - left, cy - top), width=right - left, height=bottom - top)
    return frame[top:bottom, left:right], cut


def _spots(frame: Picture, plan: _Plan, table: Table) -> list[Vector]:
    """Rough centres (x, y) of round spots on the cloth, about the size of a ball, in a plan view of the bed."""
    seen = cv2.remap(frame, plan.x_px, plan.y_px, cv2.INTER_AREA)
    lab = cv2.cvtColor(seen, cv2.COLOR_BGR2LAB).reshape(-1, 3).T.astype(np.float32)
    few, few_terms = lab[:, ::PLAN_SHARE], plan.terms[:, ::PLAN_SHARE]
    cloth = np.ones(few.shape[1], bool)
    model, limit = np.zeros((3, len(plan.terms)), np.float32), 1.0
    for _ in range(4):
        model = np.linalg.lstsq(few_terms[:, cloth].T, few[:, cloth].T, rcond=None)[0].T
        difference = np.linalg.norm(few - model @ few_terms, axis=0)
        limit = max(5 * 1.4826 * float(np.median(difference[cloth])), 8.0)
        cloth = difference < limit
    left = lab - model @ plan.terms
    other = (np.einsum("ck,ck->k", left, left) > (1.3 * limit) ** 2).reshape(plan.x_px.shape)
    spots = cv2.morphologyEx(other.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, _, stats, centres = cv2.connectedComponentsWithStats(spots)
    expected = np.pi * (table.ball_radius_m / PLAN_M) ** 2
    found = []
    for stat, centre in zip(stats[1:], centres[1:], strict=True):
        wide, high, area = stat[cv2.CC_STAT_WIDTH], stat[cv2.CC_STAT_HEIGHT], stat[cv2.CC_STAT_AREA]
        if SPOT_AREA[0] * expected < area < SPOT_AREA[1] * expected and max(wide, high) < 1.9 * min(wide, high):
            found.append(plan.first_m + centre * PLAN_M)
    return found


def _first_outline(light: Linear, camera: Camera, table: Table, place_m: Vector) -> tuple[Vector, float] | None:
    """Place and radius of the sphere on the cloth near ``place_m`` whose outline shows as a circle of sharp change."""
    centre, radius = place_m, table.ball_radius_m
    low, high = np.array(SHARE_RANGE) * table.ball_radius_m
    for _ in range(2):
        fitted = _fit_sphere(camera, _sharpest(_profiles(light, camera, centre, radius)), centre, radius)
        if fitted is None:
            return None
        centre, radius = fitted
        if np.hypot(*(centre - place_m)) > table.ball_radius_m or not low < radius < high:
            return None
    return centre, radius


@dataclass(frozen=True)
class _Profiles:
    """Linear light (sectors, places, 3) along rays from a ball's middle; places in shares of ``radius_px``."""

    middle_px: Vector
    radius_px: float
    unit: Matrix
    share: Vector
    light: Linear


def _profiles(light: Linear, camera: Camera, centre_m: Vector, radius_m: float) -> _Profiles:
    centre = np.array([*centre_m, radius_m])
    middle = camera.project(centre[None])[0]
    side = np.cross(centre - camera.position_m, camera.rotation[1])
    across = camera.project((centre + radius_m * side / np.linalg.norm(side))[None])[0]
    radius_px = float(np.linalg.norm(across - middle))
    reach = np.arange(*SHARE_RANGE, PROFILE_STEP_PX / max(radius_px, 1.0))
    angle = np.arange(RAYS) * 2 * np.pi / RAYS
    ray = np.column_stack([np.cos(angle), np.sin(angle)])
    where = (middle + radius_px * reach[None, :, None] * ray[:, None, :]).astype(np.float32)
    colour = cv2.remap(light, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    colour = colour.reshape(SECTORS, RAYS // SECTORS, len(reach), 3).mean(axis=1)
    unit = ray.reshape(SECTORS, RAYS // SECTORS, 2).mean(axis=1)
    return _Profiles(middle, radius_px, unit / np.linalg.norm(unit, axis=1, keepdims=True), reach, colour)


def _sharpest(profiles: _Profiles) -> Matrix:
    """Pixels at which, going outwards, the logarithm of the light changes most.

    The limb of a ball is darker than its middle and its foot stands in its own shadow. Both are factors on the light,
    so the logarithm shows the outline best; a share of the usual brightness is added, for in deep shadow the logarithm
    would find the outer end of the blurred edge instead of its middle.
    """
    smooth = cv2.GaussianBlur(profiles.light, (0, 1), sigmaX=BLUR_PX / PROFILE_STEP_PX, sigmaY=0.01)
    # A picture of the dark has no brightness at all.
    floor = max(DARK_SHARE * float(np.median(smooth)), LEAST_LIGHT)
    change = np.linalg.norm(np.gradient(np.log(np.maximum(smooth, 0) + floor), axis=1), axis=2)
    share = profiles.share[np.argmax(change[:, 2:-2], axis=1) + 2]
    return np.asarray(profiles.middle_px + profiles.radius_px * share[:, None] * profiles.unit)


def _fit_sphere(camera: Camera, edge: Matrix, centre_m: Vector, radius_m: float) -> tuple[Vector, float] | None:
    """Centre (x, y) and radius of a sphere lying on the cloth."""
    rays = camera.rays(edge)
    rays = rays / np.linalg.norm(rays, axis=1, keepdims=True)

    def gap(unknowns: Vector) -> Vector:
        x, y, r = unknowns
        to_centre = np.array([x, y, r]) - camera.position_m
        return np.linalg.norm(np.cross(rays, to_centre), axis=1) - r

    start = np.array([*centre_m, radius_m])
    solved = least_squares(gap, start, loss="cauchy", f_scale=0.02 * radius_m, max_nfev=50)
    if not solved.success and solved.status != 0:
        return None
    return solved.x[:2], float(solved.x[2])
