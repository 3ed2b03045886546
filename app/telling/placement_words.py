"""How far the balls stood from their places, in a player's words."""

from math import isfinite

from app.telling.rounding import told
from vision.reading import Attempt, Placement

# Nobody puts a ball back more closely than this.
WORTH_A_WORD_M, SDS_WORTH_A_WORD = 0.003, 3.0
# A direction within about 22 degrees of an axis of the table is told by one rail, else by two.
SLANTED = 0.414


def tell_placement(attempt: Attempt) -> tuple[str, ...]:
    """``the target ball stood 6 mm from its place, towards the foot rail``, for each ball that stood noticeably off."""
    return tuple(_tell(p, attempt) for p in attempt.placement if _noticeable(p))


def _noticeable(p: Placement) -> bool:
    away_m = _away_m(p)
    sd_m = p.sd_m if isfinite(p.sd_m) else 0.0
    return isfinite(away_m) and away_m > max(WORTH_A_WORD_M, SDS_WORTH_A_WORD * sd_m)


def _tell(p: Placement, attempt: Attempt) -> str:
    ball = "cue ball" if p.ball == "cue" else "banked ball" if p.ball == attempt.ball else "target ball"
    place = "its place" if p.put_by == "drill" else "where it first lay"
    return f"the {ball} stood {told(1000 * _away_m(p), 1000 * p.sd_m, finest=0)} mm from {place}, towards {_towards(p)}"


def _away_m(p: Placement) -> float:
    return float((p.off_m[0] ** 2 + p.off_m[1] ** 2) ** 0.5)


def _towards(p: Placement) -> str:
    along, across = float(p.off_m[0]), float(p.off_m[1])
    end, side = "foot" if along > 0 else "head", "left" if across > 0 else "right"
    if abs(across) < SLANTED * abs(along):
        return f"the {end} rail"
    if abs(along) < SLANTED * abs(across):
        return f"the {side} rail"
    return f"the {end} and {side} rails"
