"""From a stroke to an attempt at the shot: which ball took the rails, whether it was made, by how much it missed."""

from dataclasses import replace
from math import nan, sqrt

import numpy as np

from calibration.table import Vector
from vision.contacts.run import TURNED_ALONE_S, Run
from vision.contacts.turns import comes_from_elsewhere
from vision.finer_results import Delivered, finer_flags
from vision.flags import known
from vision.legs import Path, joined, off_rolling, turn_rad
from vision.met_unseen import met_unseen
from vision.miss import miss_of
from vision.place_error import PlaceError, along_sd_m
from vision.rail_ball import RailBall, ball_start, launch_line, lost_as_it_set_off, rail_ball
from vision.reading import Attempt, BallHit, RailHit
from vision.serial import inflation
from vision.shot import Shot
from vision.strokes import Stroke
from vision.undecided import ends_before_a_hit, undecided

# The target ball is the one that rests nearest to the place the shot names, if it is this near.
TARGET_REACH_M = 0.15
# One that was not seen lies where the shot says, as well as people put balls down by eye: common practice, no source.
PUT_DOWN_SD_M = 0.02
# A start seen this long before the strike, no later, is flagged.
HIDDEN_START_S = 0.15
# What the model of a launch may be wrong by: speed as a fraction, time in seconds. A stick gives any spin, and so any
# slide; a ball sent off by another one starts without, and slides as the model says.
STRUCK_SPEED_FLOOR, SENT_SPEED_FLOOR, LAUNCH_TIME_FLOOR_S = 0.005, 0.004, 0.00015
# Where a path reaches a rail is not told any less surely for its coming flatter than this, the sine of its angle to it.
FLATTEST = 0.1
# Flags that are not known to be true where the path was lost before the shot was decided.
LEFT_OPEN = ("stopped_short", "wrong_rails", "wrong_ball_first")


def attempt(stroke: Stroke, shot: Shot, errors: PlaceError) -> Attempt:
    """The attempt that a stroke was, measured by the shot's own definition."""
    flags: list[str] = []
    table = errors.table
    ball = rail_ball(stroke, shot, table, flags)
    cue_line = launch_line(stroke.rest, stroke.cue)
    target_name, target_m = _target_ball(stroke, shot, ball, flags)
    leg = _last_leg(ball, shot, target_name, flags)
    target = shot.target_point_m(table, target_m) if shot.target_ball != "any" or target_m is not None else None
    target_rest = stroke.resting.get(target_name) if target_name is not None else None
    own_leg = None if ball is None or leg is None or _turned_aside(ball.run, leg) else leg
    target_m2 = PUT_DOWN_SD_M**2 * np.eye(2) if target_rest is None else errors.lying_m2(target_rest)
    miss, miss_sd, per_rad = miss_of(ball, own_leg, target, target_m, target_m2, shot, errors)
    if ball is not None and leg is not None and target is not None and not np.isfinite(miss):
        met = ball.run.junctions[leg : leg + 1]
        aside = own_leg is None or any(not isinstance(junction, RailHit) for junction in met)
        flags.append("turned_aside" if aside else "few_sightings")
    outcome = _outcome(stroke, shot, ball, target_name, leg, flags)
    if outcome == "missed" and ball and undecided(stroke, shot, table, ball.run, leg, target_name, target, flags):
        outcome = "unclear"
        flags = [flag for flag in flags if flag not in LEFT_OPEN] + ["path_lost"]
    if outcome == "missed" and ball and "target_not_seen" in flags and leg is not None:
        # Whether it lay there, and what became of it, nobody knows.
        outcome = "unclear" if met_unseen(ball.run, leg, target_m, table) else outcome
    if ball is None and (_never_seen_again(stroke) or ends_before_a_hit(stroke, table)):
        outcome, flags = "unclear", [flag for flag in flags if flag != "no_ball_hit"] + ["path_lost"]
    elif ball is None and "path_lost" in flags:
        outcome = "unclear"
    flags = _with_early_drop(flags, ball, stroke, shot)
    if stroke.hidden_s > HIDDEN_START_S:
        flags.append("start_hidden")
    kicked = ball or lost_as_it_set_off(stroke, table) or RailBall("cue", stroke.rest, stroke.launch, stroke.cue)
    line = launch_line(kicked.rest, kicked.run)
    speed_floor = STRUCK_SPEED_FLOOR if kicked.name == "cue" else SENT_SPEED_FLOOR
    # A launch bends to errors that go on for a while: how alike neighbours err is told by all legs, not by its own few.
    once_more = sqrt(inflation([left for path in kicked.run.straight_parts(table) for left in off_rolling(path)]))
    # The strike is when the path, carried back, is at the resting place: what that is off along the path is time, too.
    began_s = along_sd_m(errors.lying_m2(stroke.rest), cue_line.direction) / stroke.launch.speed_mps
    turning_m = along_sd_m(errors.turning_m2(kicked.rest), line.left)
    if any(len(part) < 4 for part in kicked.run.legs[: len(shot.rails) + 1]):
        flags.append("few_sightings")
    if ball is not None:
        flags += finer_flags(
            Delivered(ball.name, ball.rest.at_m, line.bearing_rad, ball.run, leg),
            shot,
            table,
            (target_name, target_m) if target_name is not None and target_m is not None else None,
            target,
            {"cue": stroke.cue, **stroke.others},
            {p.ball: p.pocket for p in stroke.pocketed},
            stroke.end_s,
        )
    path = stroke.cue_path if kicked.name == "cue" else joined(kicked.run.legs)
    return Attempt(
        t_s=stroke.launch.time_s,
        t_sd_s=float(np.linalg.norm([once_more * stroke.launch.time_sd_s, began_s, LAUNCH_TIME_FLOOR_S])),
        ball=kicked.name,
        start_m=kicked.rest.at_m,
        start_sd_m=errors.resting_sd_m(kicked.rest),
        bearing_rad=line.bearing_rad,
        bearing_sd_rad=float(np.hypot(line.bearing_sd_rad, turning_m / _length_m(kicked.run.legs[0]))),
        speed_mps=kicked.launch.speed_mps,
        speed_sd_mps=float(np.hypot(once_more * kicked.launch.speed_sd_mps, speed_floor * kicked.launch.speed_mps)),
        cue_start_m=stroke.rest.at_m,
        cue_bearing_rad=cue_line.bearing_rad,
        cut_rad=turn_rad(cue_line.bearing_rad, line.bearing_rad) if kicked.name != "cue" else nan,
        contacts=tuple(_placed(hit, kicked.rest.pull_px, errors) for hit in kicked.run.rail_hits),
        ball_contacts=_ball_contacts(stroke, kicked),
        pocketed=stroke.pocketed,
        outcome=outcome,
        miss_m=miss,
        miss_sd_m=miss_sd,
        miss_per_rad_m=per_rad,
        flags=known(flags),
        path_m=np.vstack([[ball_start(kicked, stroke)], np.column_stack([path.t, path.xy])]),
    )


def _placed(hit: RailHit, pull_px: float, errors: PlaceError) -> RailHit:
    """A contact with its whole error along the rail; NaN stays NaN.

    It is where the path reaches the rail's track line: a path that is seen too near to the rail reaches it too early,
    and the more so the flatter it comes.
    """
    if not np.isfinite(hit.at_sd_m):
        return hit
    axis, _ = errors.table.track_coordinate(hit.rail)
    ahead = np.array([np.cos(hit.bearing_in_rad), np.sin(hit.bearing_in_rad)])
    moves = np.array([1.0, 1.0])
    moves[axis] = -ahead[1 - axis] / np.copysign(max(abs(float(ahead[axis])), FLATTEST), ahead[axis])
    placed = along_sd_m(errors.way_covariance_m2(hit.at_m, pull_px), moves)
    return replace(hit, at_sd_m=float(np.hypot(hit.at_sd_m, placed)))


def _ball_contacts(stroke: Stroke, kicked: RailBall) -> tuple[BallHit, ...]:
    """Contacts of the cue ball and of the kicked or banked ball, in order of time, each meeting once."""
    hits = list(stroke.cue.ball_hits)
    if kicked.name != "cue":
        hits += [h for h in kicked.run.ball_hits if "cue" not in h.balls]
    return tuple(sorted(hits, key=lambda h: h.t_s))


def _never_seen_again(stroke: Stroke) -> bool:
    """Whether the ball that the cue ball met was lost from sight as it set off."""
    hit = next(iter(stroke.cue.ball_hits), None)
    return hit is not None and hit.balls[1] in stroke.vanished


def _target_ball(
    stroke: Stroke, shot: Shot, ball: RailBall | None, flags: list[str]
) -> tuple[str | None, Vector | None]:
    """Name and resting place of the target ball; (None, None) when the shot has none or it was not seen."""
    if shot.target_ball is None or ball is None:
        return None, None
    others = {name: rest.at_m for name, rest in stroke.resting.items() if name != ball.name}
    if shot.target_ball == "any":
        hits = _hits_on_others(ball)
        name = hits[0].balls[1] if hits else None
        return (name, others.get(name)) if name else (None, None)
    place = np.array(shot.target_ball)
    if others:
        name = min(others, key=lambda n: float(np.hypot(*(others[n] - place))))
        if np.hypot(*(others[name] - place)) < TARGET_REACH_M:
            return name, others[name]
    flags.append("target_not_seen")
    return None, place


def _hits_on_others(ball: RailBall, since: int = 0) -> list[BallHit]:
    """The balls that the kicked or banked ball met, from a junction on: a bank's own cue ball is none of them."""
    return [j for j in ball.run.junctions[since:] if isinstance(j, BallHit) and j.balls[1] != "cue"]


def _last_leg(ball: RailBall | None, shot: Shot, target: str | None, flags: list[str]) -> int | None:
    """Index of the leg after the last rail named, or None when the ball never got onto it (a flag says why)."""
    if ball is None:
        return None
    rails = list(shot.rails)
    for i, junction in enumerate(ball.run.junctions):
        if not rails:
            break
        if isinstance(junction, RailHit):
            if junction.rail != rails[0]:
                flags.append("wrong_rails")
                return None
            rails.pop(0)
        elif isinstance(junction, BallHit) and junction.balls[1] != "cue":
            flags.append("wrong_rails" if target is not None and target in junction.balls else "wrong_ball_first")
            return None
        if not rails:
            return i + 1
    flags.append("stopped_short")
    return None


def _turned_aside(run: Run, leg: int) -> bool:
    """Whether something else than a rail turned the ball before that leg, which is then not that of its own line.

    A turn that nothing told explains counts where it stands alone: beside a contact it is that contact, seen unsurely.
    """
    for k, junction in enumerate(run.junctions[:leg]):
        if isinstance(junction, BallHit):
            return True
        alone = all(part.t[-1] - part.t[0] > TURNED_ALONE_S for part in run.legs[k : k + 2])
        if junction is None and alone:
            return True
        if isinstance(junction, RailHit) and comes_from_elsewhere(run.legs[k + 1], junction.at_m, junction.t_s):
            return True
    return False


def _outcome(
    stroke: Stroke, shot: Shot, ball: RailBall | None, target: str | None, leg: int | None, flags: list[str]
) -> str:
    dropped = {p.ball: p.pocket for p in stroke.pocketed}
    if "cue" in dropped and not (shot.kind == "kick" and shot.target_ball is None):
        flags.append("scratch")
    if ball is None or leg is None:
        return "missed"
    if shot.made == "hit":
        later = _hits_on_others(ball, leg - 1)
        if later and target is not None and target not in later[0].balls:
            flags.append("wrong_ball_first")
            return "missed"
        return "made" if later else "missed"
    wanted = ball.name if shot.kind == "bank" or shot.target_ball is None else target
    if wanted is None or wanted not in dropped:
        return "missed"
    if dropped[wanted] != shot.target_pocket:
        flags.append("wrong_pocket")
        return "missed"
    return "made"


def _with_early_drop(flags: list[str], ball: RailBall | None, stroke: Stroke, shot: Shot) -> list[str]:
    """The flags, where a ball did not stop short of its rails but dropped before them."""
    pocket = next((p.pocket for p in stroke.pocketed if ball and p.ball == ball.name), None)
    if not ball or pocket is None or "stopped_short" not in flags:
        return flags
    left = [flag for flag in flags if flag != "stopped_short"]
    if ball.name == "cue" and "scratch" in flags:
        return left
    return [*left, "wrong_rails" if pocket == shot.target_pocket else "wrong_pocket"]


def _length_m(leg: Path) -> float:
    """Distance from the first to the last sighting of a leg, never so short that it divides to infinity."""
    return max(float(np.hypot(*(leg.xy[-1] - leg.xy[0]))), 0.02)
