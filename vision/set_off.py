"""How a struck cue ball set off: from where it lay, at once, on a line; or straight into a ball close by.

A ball rolled or carried by hand does neither: it gathers speed on the way, or comes from elsewhere.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from calibration.table import Table, Vector
from vision.launch import LAUNCH_S, Launch, fit_launch
from vision.legs import SLIDING_MPS2, Path, fit_line, legs
from vision.pairing import FASTEST_MPS
from vision.reading import BallHit, RailHit
from vision.sightings import Rest, Sighting
from vision.tracks import MOVED_M

# The line of the first leg must pass this close to the resting place, and the times must agree this well.
START_TOLERANCE_M = 0.012
TIME_TOLERANCE_S = 0.05
# A ball that set off is seen to get farther away over its first leg, by this much at least and by so many standard
# deviations: one that is seen to lie elsewhere was put there.
LEAST_AWAY_M, AWAY_SDS = 0.008, 5.0
# So many sightings, and so near to the resting place, may be spoilt by the stick that strikes.
MOST_SPOILT, SPOILT_WITHIN_M = 2, 0.06
# A ball that is out of sight for longer in between is in a hand.
HIDDEN_S = 0.1
# A ball met no later than this after the cue ball was first seen under way was close by.
CLOSE_S = 0.15
# Sightings this close to a contact are smeared round it.
SMEARED_S = 0.004
# A ball that lies so much farther into another's way stops it, however unsurely the way is known.
CLEARLY_IN_THE_WAY_M = 0.01
# Nearer than this to the ball that it met, where the cue ball went cannot be told from the two places.
LEAST_WAY_M = 0.02
# So many first sightings may be of a stick or a hand elsewhere.
MOST_STRAY = 2
# A sighting that could not show a move, this near to where a ball lay in its standard deviations, is of it lying there.
LYING_SDS = 1.0
# Hands roll balls more slowly than this (common practice, no source).
FASTER_THAN_HAND_MPS = 2.0
# What sliding takes of a way is known to this share: a ball may roll from the start, or a cloth be twice as slow.
SLOWED_SD = 0.5
# Share of the closing speed that a ball takes from another: (1 + e) / 2 with e = 0.92 to 0.98 (D. G. Alciatore,
# Colorado State University, billiards.colostate.edu, physical properties).
SHARE, SHARE_SD = 0.975, 0.03


@dataclass(frozen=True)
class SetOff:
    """The cue ball's path, how it set off, and, if into a ball or rail close by, its way there and the contact.

    ``path`` begins after that contact; ``way`` ends with the place of contact as if it had been sighted. Of a ball that
    went out of sight, ``way`` without a ``hit`` is what was seen before.
    """

    path: Path
    launch: Launch
    way: Path | None = None
    hit: BallHit | RailHit | None = None


def set_off(rest: Rest, whole: Path) -> SetOff | None:
    """How a ball set off from its resting place; None when that is not how a struck ball does.

    The first sightings, while the stick or its tip is still beside the ball, may be off: they are left out if the rest
    sets off from the resting place as a struck ball does.
    """
    for k in range(MOST_SPOILT + 1):
        path = whole.part(slice(k, None))
        if len(path) < 3:
            break
        if k and (np.hypot(*(whole.xy[k - 1] - rest.at_m)) > SPOILT_WITHIN_M or path.t[0] - whole.t[k - 1] > HIDDEN_S):
            break
        first = legs(path)[0]
        if len(first) < 3 or not _gets_away(rest, first):
            continue
        launch = fit_launch(rest.at_m, first)
        # A ball met so softly that the velocity shows no kink turns the line all the same.
        off_line, sd = fit_line(first.part(first.t <= first.t[0] + LAUNCH_S)).miss(rest.at_m)
        if abs(off_line) < START_TOLERANCE_M + 3 * sd and _in_time(launch, rest, whole):
            return SetOff(path, launch)
    return None


def set_off_into(rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> SetOff | None:
    """How a cue ball set off that met another ball within a few frames, told from what it did to that ball.

    ``near`` gives resting place and path of the other balls. The ball that was met left along the line of centres: the
    cue ball's centre then stood two radii behind it, at the moment when that ball set off. None when no ball fits.
    """
    for name, (other, path) in near.items():
        first = legs(path)[0]
        if len(first) < 3:
            continue
        met = fit_launch(other.at_m, first)
        if not -TIME_TOLERANCE_S < met.time_s - whole.t[0] < CLOSE_S:
            continue
        line = fit_line(from_rest(other, first))
        centre = other.at_m - 2 * table.ball_radius_m * line.direction
        centre_sd = float(np.hypot(other.sd_m, 2 * table.ball_radius_m * line.bearing_sd_rad))
        ahead = centre - rest.at_m
        distance = float(np.hypot(*ahead))
        fullness = float(ahead @ line.direction) / max(distance, 1e-9)
        if distance < LEAST_WAY_M or fullness <= 0.05:
            continue
        lay = [each.at_m for one, (each, _) in near.items() if one != name]
        if any(_in_the_way(place, rest.at_m, centre, table) for place in lay):
            # That one was met before, and sent this one off.
            continue
        before = whole.part(whole.t < met.time_s - SMEARED_S)
        aside = np.abs((before.xy - rest.at_m) @ np.array([-ahead[1], ahead[0]]) / distance)
        if (aside > START_TOLERANCE_M + 3 * before.sd).any():
            continue
        way = Path(
            np.append(before.t, met.time_s), np.vstack([before.xy, centre]), np.append(before.sd, max(centre_sd, 1e-4))
        )
        if len(before):
            launch = fit_launch(rest.at_m, way)
        else:
            speed = met.speed_mps / (SHARE * fullness)
            speed_sd = speed * float(np.hypot(met.speed_sd_mps / met.speed_mps, SHARE_SD))
            gone_s = distance / speed
            launch = Launch(met.time_s - gone_s, float(np.hypot(met.time_sd_s, gone_s * SHARE_SD)), speed, speed_sd)
        if _in_time(launch, rest, whole):
            hit = BallHit(met.time_s, ("cue", name), centre, met.time_sd_s)
            return SetOff(whole.part(whole.t > met.time_s + SMEARED_S), launch, way, hit)
    return None


def _in_the_way(place_m: Vector, from_m: Vector, to_m: Vector, table: Table) -> bool:
    """Whether a ball at a place (2,) stops another from getting from one place to the next."""
    way = to_m - from_m
    share = float(np.clip((place_m - from_m) @ way / max(float(way @ way), 1e-12), 0, 1))
    return float(np.hypot(*(place_m - from_m - share * way))) < 2 * table.ball_radius_m - CLEARLY_IN_THE_WAY_M


def set_off_before(rest: Rest, whole: Path, near: Mapping[str, tuple[Rest, Path]], table: Table) -> SetOff | None:
    """How a cue ball set off that was seen twice before it met another ball, told by those sightings alone.

    They lie in line with where it lay, and in time with it, faster than a hand rolls a ball; and the line leads to a
    ball that was not seen in its place after the cue ball came there, and before that was seen again. None when no
    ball fits.
    """
    if len(whole) < 3 or whole.t[1] - rest.last_s > HIDDEN_S + whole.t[1] - whole.t[0]:
        return None
    step = whole.xy[1] - whole.xy[0]
    speed = float(np.hypot(*step)) / float(whole.t[1] - whole.t[0])
    if speed < FASTER_THAN_HAND_MPS:
        return None
    before = whole.part(slice(0, 2))
    line = fit_line(from_rest(rest, before))
    aside = line.left
    if (np.abs((before.xy - rest.at_m) @ aside) > START_TOLERANCE_M + 3 * before.sd).any():
        return None
    # When it set off by the two of them: their own errors, and what it slowed by, count.
    begun_s = float(whole.t[0]) - float((whole.xy[0] - rest.at_m) @ line.direction) / speed
    if not rest.last_s - SMEARED_S <= begun_s <= whole.t[0]:
        return None
    for name, (other, _) in near.items():
        ahead = other.at_m - whole.xy[1]
        along, off = float(ahead @ line.direction), float(ahead @ aside)
        if abs(off) >= 2 * table.ball_radius_m or along <= 0:
            continue
        gap_m = along - float(np.sqrt(4 * table.ball_radius_m**2 - off**2))
        # Out of sight it slides on, slower and slower, or rolls already.
        step_s, gap_s = float(whole.t[1] - whole.t[0]), gap_m / speed
        slowed_m = SLIDING_MPS2 / 2 * gap_s * (step_s + gap_s)
        met_s = float(whole.t[1]) + (gap_m + slowed_m) / speed
        if not whole.t[1] - SMEARED_S < met_s < whole.t[2] + SMEARED_S or other.last_s > met_s + SMEARED_S:
            continue
        centre = whole.xy[1] + gap_m * line.direction
        sd_m = float(np.hypot(line.miss(centre)[1], SLOWED_SD * slowed_m))
        way = Path(np.append(before.t, met_s), np.vstack([before.xy, centre]), np.append(before.sd, max(sd_m, 1e-4)))
        launch = fit_launch(rest.at_m, way)
        if _in_time(launch, rest, whole):
            return SetOff(whole.part(whole.t > met_s + SMEARED_S), launch, way, BallHit(met_s, ("cue", name), centre))
    return None


def without_stray(rest: Rest, moving: Sequence[Sighting]) -> list[Sighting]:
    """Sightings without first ones where no ball gets in time from where it lay, or on to the next from there."""

    def in_reach(one_m: Vector, one_s: float, other: Sighting) -> bool:
        return bool(np.hypot(*(other.at_m - one_m)) < FASTEST_MPS * (other.time_s - one_s))

    for k, (here, following) in enumerate(pairwise(moving[: MOST_STRAY + 2])):
        if in_reach(rest.at_m, rest.last_s, here) and in_reach(here.at_m, here.time_s, following):
            return list(moving[k:])
    return list(moving)


def seen_lying(rest: Rest, moving: Sequence[Sighting]) -> tuple[Rest, list[Sighting]]:
    """The rest with first sightings taken in that are too unsure to say that the ball has moved, and the others.

    Under a hand a ball is seen off its place by as much as it can be: it was not on its way for that.
    """
    k = 0
    while k < len(moving) and moving[k].sd_m > MOVED_M and apart_m(rest, moving[k]) < LYING_SDS * moving[k].sd_m:
        k += 1
    return (replace(rest, last_s=moving[k - 1].time_s, told_s=rest.surely_s) if k else rest), list(moving[k:])


def apart_m(rest: Rest, sighting: Sighting) -> float:
    """How far from where it lay a ball is seen, metres."""
    return float(np.hypot(*(sighting.at_m - rest.at_m)))


def _gets_away(rest: Rest, leg: Path) -> bool:
    """Whether the sightings of a leg show a ball on its way from the place where it lay."""
    away = np.hypot(*(leg.xy - rest.at_m).T)
    return bool(away[-1] - away[0] > max(LEAST_AWAY_M, AWAY_SDS * float(np.median(leg.sd))))


def from_rest(rest: Rest, leg: Path) -> Path:
    """A leg with the place from which it began."""
    return Path(np.append(rest.last_s, leg.t), np.vstack([rest.at_m, leg.xy]), np.append(max(rest.sd_m, 1e-4), leg.sd))


def _in_time(launch: Launch, rest: Rest, whole: Path) -> bool:
    """Whether a ball set off after it was last seen at rest and before it was first seen under way, or nearly so."""
    return bool(rest.last_s - TIME_TOLERANCE_S <= launch.time_s <= whole.t[0] + TIME_TOLERANCE_S)
