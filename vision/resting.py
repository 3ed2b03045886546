"""Balls that lie still in a film: where, from when to when, how large they look, how steadily they are found.

A film is looked at a few times a second. What is seen in one place look after look is a ball at rest; each look is
taken afresh, so that the looks at one ball tell how well it is found.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from calibration.ball_outline import BallOutline, outline_light
from calibration.ball_outline import fit_outline as fit_size
from calibration.ball_plane import BallPlane
from calibration.camera import Setup
from calibration.table import Vector
from vision.background import Background
from vision.balls import BallFinder
from vision.colours import colour_name
from vision.film.clip import Clip
from vision.outlines.outline import BallView, fit_outline
from vision.table_view import TableView, colour_distance

LOOK_EVERY_S = 0.2
# A film longer than this is looked at in so many stretches, spread evenly, of together this length.
LONGEST_S, STRETCHES = 120.0, 24
# A ball lies still when it is seen so often, for so long, within so far of its mean place or that many sds.
LEAST_LOOKS, LEAST_REST_S = 4, 0.6
STILL_M, STILL_SDS = 0.003, 5.0
SAME_COLOUR = 30.0
# A place over which nothing is seen is empty; one that stays covered for so long is given up.
LONGEST_COVER_S = 5.0
# Just before it comes to rest a ball creeps, and just before it is struck or taken something touches it.
SETTLE_S = 0.5
# Looks at which a ball's size is measured, and the time between two of them.
SIZE_LOOKS, SIZE_EVERY_S = 6, 0.6
# Frames in a row that tell how much a centre scatters.
LONGEST_WATCH_S, LEAST_WATCH_S = 2.0, 1.0


@dataclass(frozen=True)
class RestingBall:
    """A ball that lay still.

    Attributes
    ----------
    colour : its colour's name.
    at_m : (2,) mean place of its centre.
    sd_m : standard deviation stated for one look, either coordinate, the camera's part left out; its median.
    time_s, places_m : (n,), (n, 2) the looks.
    outlines : its outline with the radius free, at some of the looks.
    """

    colour: str
    at_m: Vector
    sd_m: float
    time_s: Vector
    places_m: Vector
    outlines: tuple[BallOutline, ...]

    @property
    def first_s(self) -> float:
        return float(self.time_s[0])

    @property
    def last_s(self) -> float:
        return float(self.time_s[-1])


@dataclass
class _Chain:
    """Looks at one place; it may turn out to be a ball at rest, or one that rolled by.

    ``came`` and ``ended``: whether the place was empty before, or was so afterwards.
    """

    colour: Vector
    at_m: Vector
    came: bool
    ended: bool = False
    looks: list[tuple[float, BallView]] = field(default_factory=list)
    outlines: list[tuple[float, BallOutline]] = field(default_factory=list)

    @property
    def last_s(self) -> float:
        return self.looks[-1][0]

    def rests(self) -> bool:
        return len(self.looks) >= LEAST_LOOKS and self.last_s - self.looks[0][0] >= LEAST_REST_S

    def wants_size(self, now_s: float) -> bool:
        last_s = self.outlines[-1][0] if self.outlines else -np.inf
        return self.rests() and len(self.outlines) < SIZE_LOOKS and now_s - last_s >= SIZE_EVERY_S

    def take(self, time_s: float, view: BallView) -> None:
        self.looks.append((time_s, view))
        n = min(len(self.looks), 20)
        self.at_m = self.at_m + (view.at_m - self.at_m) / n
        self.colour = self.colour + (view.colour - self.colour) / n

    def ball(self) -> RestingBall:
        times = np.array([time for time, _ in self.looks])
        inner = (times >= times[0] + SETTLE_S * self.came) & (times <= times[-1] - SETTLE_S * self.ended)
        kept = inner if inner.sum() >= LEAST_LOOKS else np.ones(len(times), bool)
        views = [view for (_, view), keep in zip(self.looks, kept, strict=True) if keep]
        places = np.array([view.at_m for view in views])
        return RestingBall(
            colour=colour_name(self.colour),
            at_m=np.median(places, axis=0),
            sd_m=float(np.median([view.sd_m for view in views])),
            time_s=times[kept],
            places_m=places,
            outlines=tuple(outline for _, outline in self.outlines),
        )


def find_resting(
    clip: Clip,
    setup: Setup,
    background: Background,
    from_s: float,
    until_s: float,
    progress: Callable[[float], None] | None = None,
) -> list[RestingBall]:
    """All balls that lay still between two times of a clip, in order of time; ``progress`` gets the fraction done."""
    finder = BallFinder(background, setup.camera, setup.table)
    chains: list[_Chain] = []
    done: list[_Chain] = []
    for start_s, end_s in stretches(from_s, until_s):
        due_s = -np.inf
        for frame in clip.frames_between(start_s, end_s):
            if frame.time_s < due_s:
                continue
            chains = _followed(chains, done, finder.find(frame, ()), setup, first=not np.isfinite(due_s))
            due_s = frame.time_s + LOOK_EVERY_S - 0.001
            wanting = [c for c in chains if c.last_s == frame.time_s and c.wants_size(frame.time_s)]
            if wanting:
                light = outline_light(frame.bgr())
                for chain in wanting:
                    outline = fit_size(light, setup.camera, chain.at_m, setup.table.ball_radius_m)
                    if outline is not None:
                        chain.outlines.append((frame.time_s, outline))
            if progress is not None and until_s > from_s:
                progress(min((frame.time_s - from_s) / (until_s - from_s), 1.0))
    balls = [chain.ball() for chain in [*done, *chains] if chain.rests()]
    return sorted(balls, key=lambda ball: ball.first_s)


def stretches(from_s: float, until_s: float) -> Iterator[tuple[float, float]]:
    """The stretches of a film that are looked at: all of it, or of a long one some, evenly spread."""
    if not LONGEST_S < until_s - from_s < np.inf:
        yield from_s, until_s
        return
    length, step = LONGEST_S / STRETCHES, (until_s - from_s - LONGEST_S / STRETCHES) / (STRETCHES - 1)
    for k in range(STRETCHES):
        yield from_s + k * step, from_s + k * step + length


def _followed(chains: list[_Chain], done: list[_Chain], seen: TableView, setup: Setup, *, first: bool) -> list[_Chain]:
    """The chains with one frame's view taken in, the ``first`` of a stretch or not; those that ended go to ``done``."""
    left = list(seen.balls)
    going = []
    for chain in chains:
        near = [view for view in left if _same(chain, view)]
        if near:
            view = min(near, key=lambda v: float(np.hypot(*(v.at_m - chain.at_m))))
            left = [other for other in left if other is not view]
            chain.take(seen.time_s, view)
            going.append(chain)
        elif seen.covered(_pixel(chain.at_m, setup)) and (
            chain.rests() and seen.time_s - chain.last_s < LONGEST_COVER_S
        ):
            going.append(chain)
        else:
            chain.ended = True
            done.append(chain)
    for view in left:
        going.append(_Chain(view.colour, view.at_m, came=not first))
        going[-1].take(seen.time_s, view)
    done[:] = [chain for chain in done if chain.rests()]
    return going


def _same(chain: _Chain, view: BallView) -> bool:
    apart = float(np.hypot(*(view.at_m - chain.at_m)))
    return apart < max(STILL_M, STILL_SDS * view.sd_m) and colour_distance(view.colour, chain.colour) < SAME_COLOUR


def _pixel(at_m: Vector, setup: Setup) -> Vector:
    return setup.camera.project(np.array([[*at_m, setup.table.ball_radius_m]]))[0]


def busiest_stretch(balls: Sequence[RestingBall]) -> tuple[float, float] | None:
    """From and until when most balls lie still together for as long as is watched, or for less; None for too short."""
    best = None
    for start in balls:
        from_s, until_s = start.first_s, min(start.first_s + LONGEST_WATCH_S, start.last_s)
        if until_s - from_s < LEAST_WATCH_S:
            continue
        score = sum(b.first_s <= from_s and b.last_s >= until_s for b in balls) + (until_s - from_s) / 10
        if best is None or score > best[0]:
            best = (score, from_s, until_s)
    return None if best is None else best[1:]


def watch(clip: Clip, setup: Setup, balls: Sequence[RestingBall], from_s: float, until_s: float) -> list[Vector]:
    """Every frame's centre (n, 2), metres, of each ball, between two times at which they lie still."""
    plane = BallPlane(setup.camera, setup.table.ball_radius_m)
    places: list[list[Vector]] = [[] for _ in balls]
    for frame in clip.frames_between(from_s, until_s):
        for ball, found in zip(balls, places, strict=True):
            view = fit_outline(frame, plane, ball.at_m)
            if view is not None:
                found.append(view.at_m)
    return [np.array(found).reshape(-1, 2) for found in places]
