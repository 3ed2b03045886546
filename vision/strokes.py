"""Strokes: when and how the cue ball was struck, and what was no stroke.

A stroke is told from a ball rolled or carried by hand by the path itself: a struck ball sets off from the place where
it lay, at a moment between the last sight of it there and the first sight of it under way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.table import Table, Vector
from vision.changed_colour import rejoined
from vision.colours import colour_name, whiteness
from vision.contacts.kisses import with_kisses
from vision.contacts.knocks import departure, with_knocks
from vision.contacts.over_rails import struck_from, with_rebounds
from vision.contacts.rail_after_hit import with_rail_after
from vision.contacts.run import Run, ball_hit, follow
from vision.contacts.sent_into_rail import first_rail, seen_to_meet, sent_by, turned_at_once, way_unseen
from vision.contacts.struck_into_rail import bounced_first, set_off_by_rail
from vision.contacts.struck_over_rails import set_off_over_rails
from vision.contacts.struck_then_hidden import faster_than, set_off_then_hidden
from vision.contacts.struck_then_turned import set_off_then_turned
from vision.contacts.struck_unseen import UNSEEN_S as STRUCK_UNSEEN_S
from vision.contacts.struck_unseen import first_of_all, set_off_unseen
from vision.dropped import dropped, vanished
from vision.launch import Launch
from vision.legs import Path
from vision.no_attempt.pushed import gathers_speed
from vision.no_attempt.struck_again import struck_again, under_way
from vision.reading import BallHit, NotAttempt, Pocketing
from vision.set_off import SetOff, apart_m, seen_lying, set_off, set_off_before, set_off_into, without_stray
from vision.sightings import Rest, Sighting
from vision.track import Loss, Track
from vision.tracks import GONE_S

# A slower start is a nudge.
LEAST_SPEED_MPS = 0.3
# A ball hidden longer than this before it moved, and then no faster than this, was moved by hand.
HAND_HIDDEN_S, HAND_SPEED_MPS = 0.25, 1.0
# One that had lain still no longer than this was perhaps never let go: a shorter time out of sight tells then.
SET_DOWN_S, HELD_HIDDEN_S = 1.0, 0.15
# A struck ball leaves hand and stick behind: one that still has something over it at all but this share of its
# sightings from so far on, for so long and so many of them, is carried.
FREE_SHARE, BY_HAND_M, CARRIED_S, CARRIED_SIGHTINGS = 0.1, 0.15, 0.4, 5
BY_HAND = "the cue ball was moved by hand"
NUDGED = f"the cue ball was nudged: slower than {LEAST_SPEED_MPS} m/s"
PUSHED = "the cue ball was pushed: it gathered speed on its way"
# Moves shorter than this are not worth a word: a ball put right by a finger's breadth.
LEAST_MOVE_M = 0.05
# What is seen no farther than this from where a ball lies is seen of it where it lies.
LAY_WITHIN_M = 0.015
# Two tracks of one colour that were both seen for longer than this are two balls; a shorter gap is no gap.
TOGETHER_S, UNSEEN_S = 0.3, 0.2
# A ball less white than this (luma less twice the chroma) is no cue ball, even when nothing whiter is on the table.
WHITE_ENOUGH = 60.0
# A cue ball's chroma lies this near to that of the whitest thing seen: a knuckle's does not.
SAME_TINT = 25.0


@dataclass(frozen=True)
class Ball:
    """One ball's tracks under one name: its rests and sightings in order of time."""

    name: str
    rests: tuple[Rest, ...]
    path: tuple[Sighting, ...]
    lost: tuple[Loss, ...]

    def rest_at(self, time_s: float) -> Rest | None:
        """Where it lay at a moment, or when last at rest before, unless it has moved or gone since."""
        before = [r for r in self.rests if r.first_s <= time_s + 0.02]
        if not before:
            return None
        rest = before[-1]
        moved = any(rest.last_s + 0.05 < s.time_s < time_s - 0.05 for s in self.path)
        gone = any(rest.last_s - 0.05 < loss.time_s < time_s - GONE_S for loss in self.lost)
        return None if moved or gone else rest


@dataclass(frozen=True)
class Stroke:
    """A struck cue ball and all that followed until ``end_s``.

    ``vanished`` names the balls that were lost from sight under way with nothing over them, and did not drop;
    ``covered`` those over which something came under way.
    """

    rest: Rest
    launch: Launch
    cue: Run
    others: Mapping[str, Run]
    resting: Mapping[str, Rest]
    pocketed: tuple[Pocketing, ...]
    hidden_s: float
    end_s: float
    cue_path: Path
    vanished: frozenset[str] = frozenset()
    covered: frozenset[str] = frozenset()


def name_balls(tracks: Sequence[Track]) -> list[Ball]:
    """The tracks as balls with names: the whitest one "cue", the others by colour, in order of appearance."""
    tracks = [t for t in rejoined(tracks) if t.rests or len(t.path) > 3]
    if not tracks:
        return []
    whitest_track = max(tracks, key=lambda t: whiteness(t.colour))
    whitest = whiteness(whitest_track.colour)
    groups: dict[str, list[Track]] = {}
    seen = {id(track): _seen_intervals(track) for track in tracks}
    for track in sorted(tracks, key=lambda t: -t.frames):
        tint = float(np.hypot(*(track.colour - whitest_track.colour)[1:]))
        white = whiteness(track.colour) > max(whitest - 45.0, WHITE_ENOUGH) and tint < SAME_TINT
        base = "cue" if white else colour_name(track.colour)
        name = base if base != "white" else "light"
        # Two balls of one colour are told apart by a number; of two white ones the longest seen is the cue ball.
        base, k = name, 2
        while any(_together(seen[id(track)], seen[id(other)]) for other in groups.get(name, [])):
            name, k = f"{'light' if base == 'cue' else base}-{k}", k + 1
        groups.setdefault(name, []).append(track)
    return [_merged(name, members) for name, members in groups.items()]


def find_strokes(balls: Sequence[Ball], table: Table, until_s: float) -> tuple[list[Stroke], list[NotAttempt]]:
    """All strokes of the cue ball among what was seen, and its other moves with the reason why they are none."""
    cue = next((ball for ball in balls if ball.name == "cue"), None)
    if cue is None:
        return [], []
    strokes: list[Stroke] = []
    others: list[NotAttempt] = []
    for k, rest in enumerate(cue.rests):
        following = cue.rests[k + 1] if k + 1 < len(cue.rests) else None
        end_s = following.last_s if following else until_s
        moving = [s for s in cue.path if rest.last_s < s.time_s <= end_s]
        if following:
            moving = [s for s in moving if s.time_s <= following.first_s + 0.1]
        rest, moving = seen_lying(rest, without_stray(rest, _until_lost(cue, moving)))
        since_s = moving[0].time_s if moving else end_s
        again = struck_again(moving, (under_way(b.rests, b.path, since_s) for b in balls if b.name != "cue"), table)
        if again is not None:
            # What follows is no part of the attempt.
            moving = moving[: again + 1]
            end_s = moving[-1].time_s
        found = _stroke(cue, rest, moving, balls, table, end_s)
        if isinstance(found, Stroke):
            strokes.append(found)
        elif found is not None:
            others.append(found)
    return strokes, others


def _stroke(
    cue: Ball, rest: Rest, moving: list[Sighting], balls: Sequence[Ball], table: Table, end_s: float
) -> Stroke | NotAttempt | None:
    if len(moving) < 3:
        return None
    whole = Path.of(moving)
    if float(np.hypot(*(whole.xy - rest.at_m).T).max()) < LEAST_MOVE_M:
        return None
    began_s = float(whole.t[0])
    hidden_s = began_s - rest.last_s
    others = _others(balls, table, rest.last_s, began_s, end_s)
    moved = {name: (place, path) for name, (place, path) in others.items() if len(path) >= 3}
    places = {name: place.at_m for name, (place, _) in others.items()}
    seen_s = {name: place.last_s for name, (place, _) in others.items()}
    begun = set_off(rest, whole) or set_off_into(rest, whole, moved, table)
    cue_run = _cue_run(begun, places, seen_s, table) if begun is not None else None
    bounced = set_off_by_rail(rest, whole, table)
    if bounced is not None and bounced_first(cue_run, bounced, rest):
        begun, cue_run = bounced, _cue_run(bounced, places, seen_s, table)
    if begun is None:
        begun = set_off_over_rails(rest, whole, table) or set_off_before(rest, whole, others, table)
        cue_run = _cue_run(begun, places, seen_s, table) if begun is not None else None
    unseen = set_off_unseen(rest, whole, moved, table)
    if unseen is not None and first_of_all(begun, cue_run, unseen):
        begun, cue_run = unseen, _cue_run(unseen, places, seen_s, table)
    hidden = set_off_then_hidden(rest, whole, moved, table)
    if hidden is not None and faster_than(begun, hidden):
        begun, cue_run = hidden, _cue_run(hidden, places, seen_s, table)
    if begun is None:
        begun = set_off_then_turned(rest, whole, moved, table)
        cue_run = _cue_run(begun, places, seen_s, table) if begun is not None else None
    if begun is None or cue_run is None or _carried(rest, moving):
        return NotAttempt(began_s, BY_HAND)
    if begun.launch.speed_mps < LEAST_SPEED_MPS:
        return NotAttempt(began_s, NUDGED)
    if gathers_speed(begun):
        return NotAttempt(began_s, PUSHED)
    at_first = moving[:4]
    unseen_s = float(np.diff([rest.last_s, *(s.time_s for s in at_first)]).max())
    held = unseen_s > (HAND_HIDDEN_S if rest.last_s - rest.first_s > SET_DOWN_S else HELD_HIDDEN_S)
    if (held or sum(s.in_crowd for s in at_first) >= 3) and begun.launch.speed_mps < HAND_SPEED_MPS:
        return NotAttempt(began_s, "the cue ball was rolled by hand")
    left = {n: gone for n, (place, path) in others.items() if (gone := departure(place, path, table)) is not None}
    runs = {
        name: with_knocks(_sent_run(name, others, cue_run, places, seen_s, table), left, table)
        for name, (_, path) in others.items()
        # One that is known to have been hit is believed from the first sight of it under way.
        if len(path) >= 3 or (len(path) and any(name in hit.balls for hit in cue_run.ball_hits))
    }
    for name in runs:
        cue_run = with_rail_after(cue_run, name, others[name][0], table)
    struck_s = begun.launch.time_s
    sent = {name: sent_by(cue_run, place, name, table) for name, (place, _) in others.items()}
    pocketed = tuple(
        p
        for ball in balls
        if ball.name == "cue" or ball.name in others
        for p in [dropped(ball.name, ball.rests, ball.path, ball.lost, struck_s, end_s, table, sent.get(ball.name))]
        if p
    )
    met = with_kisses({"cue": with_knocks(cue_run, left, table), **runs}, table)
    begins = {name: each.begin() for name, each in sent.items() if each is not None}
    begins["cue"] = struck_from(rest, begun.launch, met["cue"])
    met = {name: with_rebounds(run, table, begins.get(name)) for name, run in met.items()}
    # All that was seen of its way may tell another speed than its first moments did.
    launch = met["cue"].launch or begun.launch
    if launch.speed_mps < LEAST_SPEED_MPS:
        return NotAttempt(began_s, NUDGED)
    return Stroke(
        rest=rest,
        launch=launch,
        cue=met.pop("cue"),
        others=met,
        resting={name: place for name, (place, _) in others.items()},
        pocketed=pocketed,
        hidden_s=hidden_s,
        end_s=end_s,
        cue_path=whole,
        vanished=frozenset(b.name for b in balls if vanished(b.rests, b.path, b.lost, struck_s, end_s))
        - {p.ball for p in pocketed},
        covered=frozenset(b.name for b in balls if vanished(b.rests, b.path, b.lost, struck_s, end_s, covered=True)),
    )


def _carried(rest: Rest, moving: Sequence[Sighting]) -> bool:
    """Whether something larger than a ball goes with the ball, over it or beside it, from where it lay."""
    away = [s for s in moving if s.time_s < moving[0].time_s + CARRIED_S and apart_m(rest, s) > BY_HAND_M]
    return len(away) >= CARRIED_SIGHTINGS and sum(not s.in_crowd for s in away) <= FREE_SHARE * len(away)


def _others(
    balls: Sequence[Ball], table: Table, lay_s: float, began_s: float, end_s: float
) -> dict[str, tuple[Rest, Path]]:
    """The other balls that lay still when the cue ball was first seen under way, and their paths until ``end_s``.

    Or when it was last seen lying, a moment before: it may have sent them off while it was out of sight.
    """
    found = {}
    for ball in balls:
        if ball.name == "cue":
            continue
        rest = ball.rest_at(began_s) or _first_seen_lying(ball, began_s, end_s)
        if rest is None and began_s - lay_s < STRUCK_UNSEEN_S:
            rest = ball.rest_at(lay_s)
        if rest is not None:
            after = [s for s in ball.path if rest.last_s < s.time_s <= end_s]
            found[ball.name] = (rest, Path.of(_until_lost(ball, after)))
    # Two balls in one place are one, that was seen in two colours: the one that was seen to move, or was seen last.
    kept: dict[str, tuple[Rest, Path]] = {}
    for name in sorted(found, key=lambda n: (len(found[n][1]) >= 3, found[n][0].last_s), reverse=True):
        place = found[name][0].at_m
        if all(np.hypot(*(other.at_m - place)) > table.ball_radius_m for other, _ in kept.values()):
            kept[name] = found[name]
    return {name: kept[name] for name in found if name in kept}


def _first_seen_lying(ball: Ball, began_s: float, end_s: float) -> Rest | None:
    """Where a ball lay that was first seen, hardly told from the cloth, while the cue ball was under way already."""
    first = next(iter(ball.rests), None)
    if first is None or not began_s < first.first_s < end_s or any(loss.time_s < first.first_s for loss in ball.lost):
        return None
    # One that hands put down, or that rolled there, is seen elsewhere before.
    before = [s for s in ball.path if s.time_s <= first.first_s]
    return first if all(float(np.hypot(*(s.at_m - first.at_m))) < LAY_WITHIN_M for s in before) else None


def _cue_run(begun: SetOff, places: Mapping[str, Vector], seen_s: Mapping[str, float], table: Table) -> Run:
    """The cue ball's run; the way before it met a ball or rail at once, or went out of sight, is put first."""
    if begun.way is None:
        return follow("cue", begun.path, places, table, seen_s)
    met = begun.hit.balls if isinstance(begun.hit, BallHit) else ()
    rest_of_it = follow("cue", begun.path, {n: p for n, p in places.items() if n not in met}, table, seen_s)
    return Run("cue", (begun.way, *rest_of_it.legs), (begun.hit, *rest_of_it.junctions))


def _sent_run(
    name: str,
    others: Mapping[str, tuple[Rest, Path]],
    cue: Run,
    places: Mapping[str, Vector],
    seen_s: Mapping[str, float],
    table: Table,
) -> Run:
    """Another ball's run; one that the cue ball sent straight into a rail close by came off that rail first."""
    rest, path = others[name]
    elsewhere = {n: place for n, place in places.items() if n != name}
    run = follow(name, path, elsewhere, table, seen_s)
    sent = sent_by(cue, rest, name, table)
    first = first_rail(rest, path, sent, table) if sent is not None else None
    if first is None:
        turned = turned_at_once(rest, path, run, sent) if sent is not None else None
        if turned is not None:
            way, after = turned
            run = follow(name, after, elsewhere, table, seen_s, straight=False)
            hit = ball_hit(name, way, run.legs[0], elsewhere, table)
            return Run(name, (way, *run.legs), (hit, *run.junctions))
        unseen = way_unseen(rest, path, sent) if sent is not None else None
        return run if unseen is None else Run(name, (unseen, *run.legs), (None, *run.junctions))
    if seen_to_meet(run, first.hit):
        return run
    rest_of_it = follow(name, first.after, elsewhere, table, seen_s)
    return Run(name, (first.way, *rest_of_it.legs), (first.hit, *rest_of_it.junctions))


def _until_lost(ball: Ball, sightings: Sequence[Sighting]) -> list[Sighting]:
    """Sightings up to the moment when the ball was lost from view; what is seen there later was put there by hand."""
    for lost_s in (loss.time_s for loss in ball.lost):
        if not any(lost_s < s.time_s < lost_s + GONE_S for s in sightings):
            sightings = [s for s in sightings if s.time_s <= lost_s or lost_s < sightings[0].time_s]
    return list(sightings)


def _merged(name: str, tracks: Sequence[Track]) -> Ball:
    # Where two tracks overlap for a moment, the longer one is believed.
    longest = sorted(tracks, key=lambda t: -t.frames)
    lain = [r for k, t in enumerate(longest) for r in t.rests if not _under_way_then(r, longest[:k])]
    rests = sorted(lain, key=lambda r: r.first_s)
    by_time = {s.time_s: s for t in reversed(longest) for s in t.path}
    path = [by_time[time_s] for time_s in sorted(by_time)]
    lost = sorted((s for t in tracks for s in t.lost), key=lambda s: s.time_s)
    return Ball(name, tuple(rests), tuple(path), tuple(lost))


def _under_way_then(rest: Rest, tracks: Sequence[Track]) -> bool:
    """Whether a ball was seen elsewhere for most of the time for which it seems to lie still: that was a hand."""
    seen = [s for t in tracks for s in t.path if rest.first_s <= s.time_s <= rest.last_s]
    elsewhere_s = sorted(s.time_s for s in seen if apart_m(rest, s) > LEAST_MOVE_M)
    return len(elsewhere_s) > 1 and elsewhere_s[-1] - elsewhere_s[0] > (rest.last_s - rest.first_s) / 2


def _together(first: Sequence[tuple[float, float]], second: Sequence[tuple[float, float]]) -> bool:
    """Whether two tracks were seen at the same time for more than a moment (then they are two balls)."""
    both = sum(max(min(a[1], b[1]) - max(a[0], b[0]), 0.0) for a in first for b in second)
    return both > TOGETHER_S


def _seen_intervals(track: Track) -> list[tuple[float, float]]:
    """From when to when the ball was seen, at rest or under way."""
    intervals = [(r.first_s, r.last_s) for r in track.rests]
    for sighting in track.path:
        if intervals and 0 <= sighting.time_s - intervals[-1][1] < UNSEEN_S:
            intervals[-1] = (intervals[-1][0], sighting.time_s)
        else:
            intervals.append((sighting.time_s, sighting.time_s))
    return intervals
