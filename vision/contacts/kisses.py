"""Where two balls met while both were under way.

Where two paths come within two radii of each other, what was seen of both shortly before and after is fitted with a
meeting and without. Beside a rail there is too little to fit; there, two balls that turn next to each other at one
moment met.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from calibration.table import Table, Vector
from vision.contacts.kiss_fit import LEAST_SEEN, Meeting, fitted_meeting, places
from vision.contacts.knocks import unseen
from vision.contacts.run import Run, follow, without_smeared
from vision.legs import Path, joined, motion_at
from vision.reading import BallHit

# Paths are fitted over this much on either side of a meeting, less where a rail or another ball was met.
WINDOW_S = 0.25
# Centres that come this near, beyond two radii and half of what they move between two frames, may have touched.
NEAR_M = 0.012
# While the balls are nearer than this beyond two radii, a view of one is spoilt by the other by so much.
BESIDE_M, BESIDE_SD_M = 0.004, 0.001
# A meeting this close in time to another of the same two balls is that one.
SAME_S = 0.06
# Two balls that turn where their centres come this near, beyond two radii, met; they turn at one moment, give or take
# so much and a frame.
MET_WITHIN_M, AT_ONE_TIME_S = 0.025, 0.03
# Where they would be is looked at so often in the gap between the sightings before and after.
CARRIED_STEPS = 9


def with_kisses(runs: Mapping[str, Run], table: Table) -> dict[str, Run]:
    """The runs of all balls that moved, by name, with the meetings of two that were both under way put in."""
    out = dict(runs)
    after_s = -np.inf
    while True:
        found = [
            (meeting, pair)
            for pair in combinations(out, 2)
            for meeting in _meetings(out[pair[0]], out[pair[1]], table)
            if meeting.time_s > after_s
        ]
        if not found:
            return out
        # One after another: the paths after a meeting are judged with that meeting known.
        meeting, pair = min(found, key=lambda each: each[0].time_s)
        after_s = meeting.time_s
        parted = {
            name: _cut(out[name], BallHit(meeting.time_s, (name, other), at_m), table)
            for name, other, at_m in zip(pair, reversed(pair), meeting.at_m, strict=True)
        }
        if all(run is not None for run in parted.values()):
            out |= {name: run for name, run in parted.items() if run is not None}


def _meetings(one: Run, other: Run, table: Table) -> list[Meeting]:
    """The meetings of two balls that their runs do not know of yet."""
    known = [hit.t_s for hit in one.ball_hits if other.ball in hit.balls]
    seen = joined(one.legs), joined(other.legs)
    found: list[Meeting | None] = []
    for near_s, frame_s in _near_moments(*seen, table):
        parts = [_around(run, path, near_s) for run, path in zip((one, other), seen, strict=True)]
        found.append(
            fitted_meeting(_spoilt(parts, seen, table), near_s, frame_s, table)
            or _turned_together(one, other, near_s, table)
        )
    return [m for m in found if m is not None and not any(abs(m.time_s - t) < SAME_S for t in known)]


def _near_moments(one: Path, other: Path, table: Table) -> list[tuple[float, float]]:
    """When two balls came so near to each other that they may have touched, and how far apart frames are then."""
    times = np.union1d(one.t, other.t)
    times = times[(times >= max(one.t[0], other.t[0])) & (times <= min(one.t[-1], other.t[-1]))]
    if len(times) < 2 * LEAST_SEEN:
        return []
    offsets = places(other, times) - places(one, times)
    apart = np.hypot(*offsets.T)
    step = np.hypot(*np.diff(offsets, axis=0).T)
    room = np.maximum(np.append(step, 0.0), np.append(0.0, step)) / 2
    near = apart < 2 * table.ball_radius_m + NEAR_M + room
    least = np.concatenate([[False], (apart[1:-1] <= apart[:-2]) & (apart[1:-1] <= apart[2:]), [False]])
    return [
        (float(times[k]), float(max(times[k] - times[k - 1], times[k + 1] - times[k])))
        for k in np.flatnonzero(near & least)
    ]


def _around(run: Run, path: Path, time_s: float) -> Path:
    """The sightings round a moment, as far as the ball met nothing else in between that is known."""
    met = [hit.t_s for hit in run.junctions if hit is not None]
    from_s = max([time_s - WINDOW_S, *(t for t in met if t < time_s)])
    until_s = min([time_s + WINDOW_S, *(t for t in met if t >= time_s)])
    return path.part((path.t > from_s) & (path.t < until_s))


def _spoilt(parts: list[Path], seen: tuple[Path, Path], table: Table) -> list[Path]:
    """The sightings, with those less sure that were made while the balls all but touched."""
    out = []
    for part, other in zip(parts, reversed(seen), strict=True):
        apart = np.hypot(*(part.xy - places(other, part.t)).T)
        beside = apart < 2 * table.ball_radius_m + BESIDE_M
        out.append(Path(part.t, part.xy, np.hypot(part.sd, BESIDE_SD_M * beside)))
    return out


def _turned_together(one: Run, other: Run, near_s: float, table: Table) -> Meeting | None:
    """The meeting of two balls that both turned at about a moment, next to each other, one of them off every rail.

    Either pair of legs is carried on into the gap between sightings, and back into it: the balls meet on both.
    """
    touch = 2 * table.ball_radius_m
    for k, i in product(range(len(one.junctions)), range(len(other.junctions))):
        turns = one.junctions[k], other.junctions[i]
        if any(isinstance(turn, BallHit) for turn in turns) or None not in turns:
            continue
        gaps = [(float(run.legs[n].t[-1]), float(run.legs[n + 1].t[0])) for run, n in ((one, k), (other, i))]
        from_s, until_s = min(gap[0] for gap in gaps), max(gap[1] for gap in gaps)
        if max(gap[0] for gap in gaps) - min(gap[1] for gap in gaps) > AT_ONE_TIME_S:
            continue
        if not from_s - AT_ONE_TIME_S < near_s < until_s + AT_ONE_TIME_S:
            continue
        before, after = (one.legs[k], other.legs[i]), (one.legs[k + 1], other.legs[i + 1])
        if min(len(leg) for leg in (*before, *after)) < LEAST_SEEN:
            continue
        times = np.linspace(from_s, until_s, CARRIED_STEPS)
        came, went = _carried(before, times), _carried(after, times)
        apart = [np.hypot(*(places_m[1] - places_m[0]).T) for places_m in (came, went)]
        if max(float(a.min()) for a in apart) < touch + MET_WITHIN_M:
            when = int(np.abs(apart[0] - touch).argmin())
            return Meeting(float(times[when]), came[:, when])
    return None


def _carried(legs: Sequence[Path], times: Vector) -> NDArray[np.float64]:
    """Where balls would be at some moments (n,) if they went on as they do at the ends of their legs: (balls, n, 2)."""
    middle_s = float(times.mean())
    motions = [motion_at(leg, middle_s) for leg in legs]
    return np.array([m.at_m + (times - middle_s)[:, None] * m.velocity_mps for m in motions])


def _cut(run: Run, hit: BallHit, table: Table) -> Run | None:
    """The run cut where the ball met another; None where nothing is seen of it on one side.

    Turns that were not told are looked for anew on either side: what was seen after the meeting may have hidden what
    turned the ball shortly before, and the other way round.
    """
    told = [(k, junction) for k, junction in enumerate(run.junctions) if junction is not None]
    earlier = max((each for each in told if each[1].t_s <= hit.t_s), key=lambda each: each[0], default=None)
    later = min((each for each in told if each[1].t_s > hit.t_s), key=lambda each: each[0], default=None)
    first = earlier[0] + 1 if earlier else 0
    last = later[0] if later else len(run.legs) - 1
    whole = joined(run.legs[first : last + 1])
    before, after = whole.part(whole.t < hit.t_s), whole.part(whole.t >= hit.t_s)
    if not (len(before) or earlier) or not (len(after) or later):
        return None
    come = follow(run.ball, without_smeared(before, hit.t_s), {}, table, straight=not first) if len(before) else None
    went = follow(run.ball, without_smeared(after, hit.t_s), {}, table, straight=False) if len(after) else None
    # Between a rail and a ball that were met within a frame nothing was seen.
    if come is None and earlier is not None:
        come = Run(run.ball, (unseen(earlier[1], hit),), ())
    if went is None and later is not None:
        went = Run(run.ball, (unseen(hit, later[1]),), ())
    if come is None or went is None:
        return None
    return replace(
        run,
        legs=(*run.legs[:first], *come.legs, *went.legs, *run.legs[last + 1 :]),
        junctions=(*run.junctions[:first], *come.junctions, hit, *went.junctions, *run.junctions[last:]),
    )
