"""Which sighting of a frame is of which ball.

A sighting goes to the ball that is nearest to where it should be; what is left over goes, by colour, to a ball that has
left its place (a struck ball may be a foot away in the next frame), and at last, in whatever colour, to a ball that is
under way just there.
"""

from collections.abc import Sequence
from math import hypot

from vision.outlines.outline import BallView
from vision.table_view import TableView, colour_distance
from vision.track import Track

# No ball on a table is faster; what would be faster is another ball. Break shots reach 30 mph, 13 m/s (D. G. Alciatore,
# Colorado State University, billiards.colostate.edu, physical properties).
FASTEST_MPS = 14.0
SAME_COLOUR = 35.0
# How far off a ball's colour may be that rolls on where it should be: at this speed at least, seen this lately.
ROLLING_COLOUR, ROLLING_MPS, ROLLING_GAP_S = 75.0, 0.2, 0.07
# A resting ball that seems this much off its colour may be something else.
DOUBTFUL_COLOUR = 12.0
# What is seen as unsurely as this, and off the ball's colour by more than that, is no ball that has left its place: a
# hand or a sleeve beside it. A fast ball's smear is seen twice as surely.
UNSURE_M = 0.005
# So many standard deviations of a sighting count as much against it as being so far from where the ball should be.
UNSURE_SHARE = 2.0
# What is seen this near to where a ball should be may be that ball whatever its speed.
REACH_M = 0.012
# A sighting this far from where a ball should be counts as much against it as half the colour gate.
NEAR_M = 0.02
# A ball that was out of sight may be off its prediction by what friction can do, but no more than this.
MOST_DECELERATION_MPS2 = 4.0
MOST_SURPRISE_M = 0.3
TURNED_BACK = 2.2


def near_pairs(
    tracks: Sequence[Track], seen: TableView, views: Sequence[int], light: float, ball_radius_m: float
) -> list[tuple[Track, int]]:
    """Pairs that are close to where the ball should be, the closest first."""
    pairs = []
    rolling = _rolling_by(tracks, seen, views)
    # Balls that leave their places have no speed yet.
    still = [t for t in tracks if t.rests and hypot(*t.velocity_mps()) == 0.0]
    left = [t for t in still if all(hypot(*(seen.balls[k].at_m - t.at_m)) >= REACH_M for k in views)]
    for track in tracks:
        where = track.predicted_m(seen.time_s)
        elapsed = seen.time_s - track.seen_s
        # A collision may turn a ball back on its way: twice its step and a little.
        gate = REACH_M + TURNED_BACK * track.lately_mps() * elapsed
        gate += 0.0 if track.resting else min(MOST_DECELERATION_MPS2 / 2 * elapsed**2, MOST_SURPRISE_M)
        found = []
        for k in views:
            ball = seen.balls[k]
            distance = hypot(*(ball.at_m - where))
            hue = colour_distance(ball.colour, track.colour)
            if distance < gate and hue < SAME_COLOUR * light:
                found.append((distance, hue, k))
        best = min((hue for _, hue, _ in found), default=0.0)
        others = [t for t in left if t is not track]
        for distance, hue, k in found:
            ball = seen.balls[k]
            if elapsed > ROLLING_GAP_S and _is_of(ball, others, hue, seen.time_s):
                continue
            if _is_another(track, rolling.get(k), seen.time_s):
                continue
            if (
                best < hue / 2
                and hue > DOUBTFUL_COLOUR
                and _was_hit(ball, track, others, seen.time_s, light, ball_radius_m)
            ):
                continue
            # Of two balls that part after they met, colour tells which is which; what is seen unsurely, a glint on the
            # rail that the ball comes off, may be nearer to where it should be than the ball itself.
            off = (distance + UNSURE_SHARE * ball.sd_m) / NEAR_M + 2 * hue / SAME_COLOUR
            pairs.append((off, track.ident, track, k))
    return _greedy(pairs)


def _was_hit(
    ball: BallView, moving: Track, left: Sequence[Track], time_s: float, light: float, ball_radius_m: float
) -> bool:
    """Whether a view is of a ball that has left its place because the moving one has just run into it."""
    touching = 2 * ball_radius_m + hypot(*moving.velocity_mps()) * (time_s - moving.seen_s)
    return any(
        hypot(*(other.at_m - moving.at_m)) < touching + NEAR_M
        and colour_distance(ball.colour, other.colour) < SAME_COLOUR * light
        for other in left
    )


def far_pairs(tracks: Sequence[Track], seen: TableView, views: Sequence[int], light: float) -> list[tuple[Track, int]]:
    """Balls that left their place, and sightings of their colour within reach."""
    pairs = []
    rolling = _rolling_by(tracks, seen, views)
    for track in tracks:
        elapsed = max(seen.time_s - track.seen_s, 1e-6)
        # Only a ball that lay still can have been struck to any speed; one under way goes on much as before.
        speed = track.lately_mps()
        reach = FASTEST_MPS * elapsed if track.frames < 5 or speed == 0.0 else TURNED_BACK * speed * elapsed
        for k in views:
            ball = seen.balls[k]
            distance = hypot(*(ball.at_m - track.at_m))
            hue = colour_distance(ball.colour, track.colour)
            if _is_another(track, rolling.get(k), seen.time_s):
                continue
            if speed == 0.0 and ball.sd_m > UNSURE_M and hue > DOUBTFUL_COLOUR:
                continue
            if distance < reach + 0.02 and hue < SAME_COLOUR * light:
                pairs.append((2 * hue / SAME_COLOUR + distance, track.ident, track, k))
    return _greedy(pairs)


def rolling_pairs(tracks: Sequence[Track], seen: TableView, views: Sequence[int]) -> list[tuple[Track, int]]:
    """Balls under way that are seen, free, just where they should be, in another colour.

    A stripe that rolls shows its white and its colour by turns.
    """
    pairs = []
    for track in tracks:
        elapsed, velocity = seen.time_s - track.seen_s, track.velocity_mps()
        if not velocity.any():
            velocity = track.first_step_mps()
        speed = hypot(*velocity)
        if track.resting or elapsed > ROLLING_GAP_S or speed < ROLLING_MPS:
            continue
        for k in views:
            ball = seen.balls[k]
            distance = hypot(*(ball.at_m - track.at_m - velocity * elapsed))
            hue = colour_distance(ball.colour, track.colour)
            if distance < 0.006 + speed * elapsed / 2 and hue < ROLLING_COLOUR and not seen.under_large(ball.at_px):
                pairs.append((distance, track.ident, track, k))
    return _greedy(pairs)


def _rolling_by(tracks: Sequence[Track], seen: TableView, views: Sequence[int]) -> dict[int, Track]:
    """The balls that are seen just where they should be as they roll, in whatever colour, by the view's number; told
    only where a ball was lost under way, that might be taken for one of them."""
    if not any(_lost(track, seen.time_s) for track in tracks):
        return {}
    return {view: track for track, view in rolling_pairs(tracks, seen, views)}


def _is_another(track: Track, rolling: Track | None, time_s: float) -> bool:
    """Whether a view is rather of the ball that should be ``rolling`` just there than of one that was lost under way a
    while ago: a stripe shows its white for a moment. One that lay still may have been sent that way unseen."""
    return rolling not in (None, track) and _lost(track, time_s)


def _lost(track: Track, time_s: float) -> bool:
    return time_s - track.seen_s > ROLLING_GAP_S and track.lately_mps() > 0


def has_left(track: Track, seen: TableView, view: int, views: Sequence[int]) -> bool:
    """Whether a ball at rest is better seen elsewhere within reach than where it lay: in colour and in outline."""
    if not track.resting:
        return False
    here = seen.balls[view]
    hue = colour_distance(here.colour, track.colour)
    reach = FASTEST_MPS * (seen.time_s - track.seen_s)
    return hue > DOUBTFUL_COLOUR and any(
        colour_distance(seen.balls[k].colour, track.colour) < hue / 2
        and seen.balls[k].support > here.support
        and hypot(*(seen.balls[k].at_m - track.at_m)) < reach
        for k in views
        if k != view
    )


def _is_of(ball: BallView, left: Sequence[Track], hue: float, time_s: float) -> bool:
    """Whether a ball is much rather one of those that left their places than one whose colour is ``hue`` off.

    A stick or a hand that was followed as a ball for a moment is expected over half the table a little later.
    """
    return hue > DOUBTFUL_COLOUR and any(
        colour_distance(ball.colour, other.colour) < hue / 2
        and hypot(*(ball.at_m - other.at_m)) < FASTEST_MPS * (time_s - other.seen_s) + NEAR_M
        for other in left
    )


def _greedy(pairs: list[tuple[float, int, Track, int]]) -> list[tuple[Track, int]]:
    """Best pairs first, each ball and each sighting once."""
    out: list[tuple[Track, int]] = []
    used_tracks: set[int] = set()
    used_views: set[int] = set()
    for _, ident, track, view in sorted(pairs, key=lambda p: p[:2] + p[3:]):
        if ident not in used_tracks and view not in used_views:
            used_tracks.add(ident)
            used_views.add(view)
            out.append((track, view))
    return out
