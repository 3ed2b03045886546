"""The centre of a ball from its outline.

Shading, highlight and shadow move the middle of a ball's blob by up to a couple of pixels; its outline they leave
where it is. The ball's size and the camera being known, the outline can only shift: along rays from the projected
centre the edge is found as the centre of mass of the brightness gradient where cloth begins beyond it
(``vision.outlines.cloth_beyond``), and the shift is found that brings the predicted outline onto the edges
(``vision.outlines.shift``). Where these do not make up one outline of the known size, all rays vote for its place
(``vision.outlines.vote``) and the search begins again there. A ball in motion is smeared over its path during the
exposure; the smear is even, so the gradient's centre of mass stays on the outline of the ball at mid-exposure.
"""

from dataclasses import dataclass
from math import hypot, sqrt, tau
from typing import NamedTuple

import numpy as np

from calibration.ball_plane import BallPlane
from calibration.compiled import compiled, middle_of
from calibration.sphere import centre_and_outline_m
from calibration.table import Vector
from vision.film.clip import Frame
from vision.outlines.cloth_beyond import cloth_beyond
from vision.outlines.rays import (
    NEAR_EDGE,
    RAYS,
    SHADING_ENDS,
    SHADOW_SHARE,
    Edges,
    Rays,
    Window,
    edges_anywhere,
    edges_in,
    mix_of_planes,
    mixed,
    samples_along,
    shading,
    stretch,
)
from vision.outlines.shift import (
    LATER_REWEIGHTINGS,
    REWEIGHTINGS,
    Shift,
    edges_sd_px,
    no_shift,
    shift_onto,
    shift_sd_px,
    untold_sd_px,
)
from vision.outlines.shown import Shown, as_shown, inside_colour
from vision.outlines.vote import FAR_VOTES, REACH, lattice, votes_for

# From the second round on the edge is looked for near its predicted place: a Gaussian of this width, in radii.
WINDOW = 0.14
# Half a smear so short, in radii, needs no search for its ends: what is gathered round an edge holds them. A blob that
# is as little too long may be so by the ball's shadow.
LEAST_REACH = NEAR_EDGE / 2
# The search is done again round the shifted centre, windowed now, until it shifts no farther than so: of a shift of the
# window an edge takes over an eighth. The frame is sampled anew only when the centre is so far from the middle of the
# rays that these no longer cut the outline square.
ROUNDS, SETTLED_PX, OFF_MIDDLE_PX = 3, 0.25, 0.7
# Edge weight: contrast, in grey levels, at which a ray counts half.
HALF_CONTRAST = 12.0
# How far a whole outline may lie inside or outside the predicted one: blur, the camera's curve of brightness.
OUTLINE_OFFSET_SD_PX = 0.7
# An outline is doubted when fewer of its rays agree than this share, when it lies on a ring so much smaller than
# expected (a stripe's white pole does), or when its edges scatter so much; the last two in radii.
DOUBTFUL_SUPPORT, DOUBTFUL_OFFSET, DOUBTFUL_SCALE = 0.7, -0.06, 0.06
# A smaller ring is not allowed once its place was voted for.
VOTED_OFFSET_SD_PX = 0.2
# What is left of an outline's error when its edges scatter as little as they do in a clear picture (pixels).
FLOOR_SD_PX = 0.03
# What coding does to a picture pulls a ball's outline the same way in look after look, the less the more it stands out
# from the cloth: by so many pixels over the contrast in grey levels. Of 410 looks at balls at rest, in rendered and
# coded films with their true cameras, means are off by 2.3 (white balls) to 3.2 (others) over the contrast, whatever
# the ball's size; starts that were read off 40 films by 2.6. Less contrast than so many levels is noise.
PULL, LEAST_CONTRAST = 2.4, 8.0
_PIXEL_STEPS = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])


@dataclass(frozen=True)
class BallView:
    """A ball found in a frame.

    Attributes
    ----------
    at_m : (2,) centre on the plane of ball centres, metres.
    sd_m : standard deviation of either coordinate of this one look (the camera's part is kept apart).
    at_px : (2,) projected centre.
    colour : (3,) mean Y inside, and U, V of the most coloured quarter.
    support : fraction of the outline on which an edge was found where it should be.
    edges_sd_m : of ``sd_m``, what the scatter of its edges leaves open, each taken to err by itself.
    pull_px : standard deviation of what pulls the outline in all looks alike, pixels in any direction.
    """

    at_m: Vector
    sd_m: float
    at_px: Vector
    colour: Vector
    support: float
    edges_sd_m: float = 0.0
    pull_px: float = 0.0


def fit_outline(
    frame: Frame,
    plane: BallPlane,
    guess_m: Vector,
    smear_m: float = 0.0,
    *,
    patterned: bool = False,
    by_light: bool = False,
) -> BallView | None:
    """Find the centre of a ball near ``guess_m`` (2,); None when its outline leaves the picture.

    ``smear_m`` is how far the ball travels during the exposure, so that the search along the rays reaches that far; it
    may seem longer by the ball's shadow. One of which a pattern shows more than the outline (``patterned``) is looked
    for where all rays together see it. One of the cloth's own hue shows by its light alone (``by_light``), as a shadow
    does: whether it is one, its support does not tell then.
    """
    radius_m = plane.radius_m
    pixels = plane.pixels(centre_and_outline_m(plane.camera, np.array([*guess_m, radius_m]), radius_m, RAYS))
    centre = pixels[0]
    spokes = pixels[1:] - centre
    lengths = np.hypot(spokes[:, 0], spokes[:, 1])
    units = spokes / lengths[:, None]
    reach = smear_m / 2 / radius_m
    reach = reach if reach > LEAST_REACH else 0.0
    fractions = stretch(reach)
    height, width = frame.y.shape
    margin = float(lengths.max()) * float(fractions[-1]) + 2
    if not (margin < centre[0] < width - margin and margin < centre[1] < height - margin):
        return None
    radius_px = float(np.add.reduce(lengths)) / RAYS
    rays = Rays(spokes, lengths, units, fractions, reach, radius_px, 0.0 if by_light else SHADOW_SHARE)
    planes = as_shown(frame)
    start = centre + _most_votes(planes, rays, centre) * radius_px if patterned else centre
    found = _settle(planes, rays, start, False)
    if found.doubtful(radius_px):
        found = _voted(planes, rays, start, found)
    at_px, shift = found.at_px, found.shift
    # Written so that a place that is no number is none either.
    if not hypot(*(at_px - centre)) <= 1.5 * radius_px:
        return None
    # The place, and how far a pixel reaches there, in one look-up.
    at_m, right, below = plane.places_m(at_px + _PIXEL_STEPS)
    (ax, ay), (bx, by) = right - at_m, below - at_m
    scale, untold_px = sqrt(abs(ax * by - ay * bx)), untold_sd_px(found.strength, radius_px)
    return BallView(
        at_m=at_m,
        sd_m=scale * hypot(shift_sd_px(shift, tau * radius_px / RAYS), FLOOR_SD_PX, untold_px),
        at_px=at_px,
        colour=inside_colour(planes, at_px, radius_px),
        support=int(np.count_nonzero(found.there > 0.25)) / RAYS,
        edges_sd_m=scale * hypot(edges_sd_px(shift), untold_px),
        pull_px=PULL / max(found.contrast, LEAST_CONTRAST),
    )


class _Settled(NamedTuple):
    """Where the outline was found, (2,) pixels, by which shift, with which strength of each ray; what strength the
    edges have left that lie there, whatever is beyond them; and the contrast of the middle one, grey levels."""

    at_px: Vector
    shift: Shift
    strength: Vector
    there: Vector
    contrast: float

    def doubtful(self, radius_px: float) -> bool:
        """Whether edges may have been taken for the outline that are none: few agree, or on a smaller ring."""
        return bool(
            np.count_nonzero(self.shift.weights > 0.25) < DOUBTFUL_SUPPORT * RAYS
            or self.shift.step[2] < DOUBTFUL_OFFSET * radius_px
            or self.shift.scale > DOUBTFUL_SCALE * radius_px
        )


@compiled
def _settle(shown: Shown, rays: Rays, start_px: Vector, voted: bool) -> _Settled:
    """Shift the outline onto the edges, round by round; from a place that was ``voted`` for only near it."""
    step = rays.fractions[1] - rays.fractions[0]
    near_edge, width, ends = NEAR_EDGE + rays.reach, WINDOW + rays.reach, SHADING_ENDS + rays.reach
    offset_sd_px = VOTED_OFFSET_SD_PX if voted else OUTLINE_OFFSET_SD_PX
    samples = samples_along(shown, start_px, rays)
    mix = mix_of_planes(samples, rays.fractions, rays.shadow_share)
    profile = mixed(samples, mix)
    beyond = cloth_beyond(samples, step, rays.radius_px, rays.reach)
    dark = shading(samples, mix, rays.fractions, rays.reach)
    middle_px, off_px = start_px.copy(), np.zeros(2)
    shift = no_shift(len(rays.lengths))
    for done in range(ROUNDS):
        if abs(off_px[0]) + abs(off_px[1]) > OFF_MIDDLE_PX:
            middle_px[0], middle_px[1] = middle_px[0] + off_px[0], middle_px[1] + off_px[1]
            off_px[0] = off_px[1] = 0.0
            samples = samples_along(shown, middle_px, rays)
            profile = mixed(samples, mix)
            beyond = cloth_beyond(samples, step, rays.radius_px, rays.reach)
            dark = shading(samples, mix, rays.fractions, rays.reach)
        if done == 0 and not voted:
            edges = edges_anywhere(profile, rays.fractions, near_edge)
        else:
            edges = edges_in(Window(_cut(rays, off_px), width, beyond, dark, ends), profile, rays.fractions, near_edge)
        strength = _strength(edges.contrast, edges.counts)
        times = REWEIGHTINGS if done == 0 else LATER_REWEIGHTINGS
        shift = shift_onto(rays.units, _pixels_off(edges, rays), strength, shift, times, offset_sd_px)
        moved = abs(shift.step[0] - off_px[0]) + abs(shift.step[1] - off_px[1])
        if moved < SETTLED_PX and (voted or done > 0):
            break
        off_px[0], off_px[1] = shift.step[0], shift.step[1]
    middle_px[0], middle_px[1] = middle_px[0] + shift.step[0], middle_px[1] + shift.step[1]
    there = _strength(edges.contrast, np.ones(len(rays.lengths)))
    for ray in range(len(there)):
        there[ray] *= shift.kept[ray]
    return _Settled(middle_px, shift, strength, there, middle_of(edges.contrast * edges.counts))


@compiled
def _cut(rays: Rays, off_px: Vector) -> Vector:
    """Where the rays cut the outline of a ball that lies ``off_px`` (2,) from their middle, (rays,) in radii."""
    cut = np.empty(len(rays.lengths))
    for ray in range(len(cut)):
        along = rays.units[ray, 0] * off_px[0] + rays.units[ray, 1] * off_px[1]
        cut[ray] = 1 + along / rays.lengths[ray]
    return cut


@compiled
def _pixels_off(edges: Edges, rays: Rays) -> Vector:
    """How far beyond the outline the edges (rays,) lie."""
    off = np.empty(len(rays.lengths))
    for ray in range(len(off)):
        off[ray] = (edges.places[ray] - 1) * rays.lengths[ray]
    return off


@compiled
def _strength(contrast: Vector, counts: Vector) -> Vector:
    """What edges weigh (rays,), by their contrast and what that counts."""
    strength = np.empty(len(contrast))
    for ray in range(len(strength)):
        square = (contrast[ray] * counts[ray]) ** 2
        strength[ray] = square / (square + HALF_CONTRAST**2)
    return strength


def _voted(shown: Shown, rays: Rays, centre: Vector, found: _Settled) -> _Settled:
    """What is found from where all rays together see the outline, if they prefer that to what was found before."""
    before = (found.at_px - centre) / rays.radius_px
    best = _most_votes(shown, rays, centre, before)
    return found if best is before else _settle(shown, rays, centre + best * rays.radius_px, True)


def _most_votes(shown: Shown, rays: Rays, centre: Vector, before: Vector | None = None) -> Vector:
    """The shift from a centre, (2,) in radii, at which most rays see the outline; ``before`` if that has as many, which
    holds back what is far."""
    shifts = lattice() if before is None else np.vstack([before, lattice()])
    votes = votes_for(samples_along(shown, centre, rays), rays, shifts)
    if before is not None:
        votes -= FAR_VOTES * (shifts**2).sum(axis=1) / REACH**2
    best = int(votes.argmax())
    return before if before is not None and best == 0 else np.asarray(shifts[best])
