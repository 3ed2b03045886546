"""Strokes as JSON: degrees of the cue ball's line, rates as shares, null where not known."""

from dataclasses import asdict
from math import degrees, isfinite
from typing import Any

from app.stroke.analysis import left_out
from app.stroke.expected import Expected
from app.stroke.from_log import PlaceStroke, PlayerStroke, ShotStroke, StrokeAnswer
from app.stroke.outcome_fit import OutcomeSpread
from app.stroke.spread import Spread

SCHEMA = 1


def stroke_json(answer: StrokeAnswer) -> dict[str, Any]:
    asked = answer.question
    return {
        "schema": SCHEMA,
        "shot": asked.shot,
        "player": asked.player,
        "since": None if asked.since is None else asked.since.isoformat(),
        "until": None if asked.until is None else asked.until.isoformat(),
        "aimed": asked.aimed,
        "strokes": [_stroke(s) for s in answer.strokes],
        "players": [_player(p) for p in answer.together],
    }


def expected_json(e: Expected) -> dict[str, Any]:
    low, high = e.limits
    return {
        "tries": e.tries,
        "made": e.made,
        "rate": _number(e.rate),
        "low": _number(low),
        "high": _number(high),
        "chance": _number(e.chance),
        "differs": ("fewer", "no", "more")[e.differs + 1],
    }


def _stroke(s: ShotStroke) -> dict[str, Any]:
    k = s.stroke
    return {
        "shot": s.shot.name,
        "player": s.player or None,
        "round": k.how,
        "aimed_at": None if s.aim is None else s.aim.name,
        "spread": _spread(k.spread),
        "aim_error": None if k.aim_error is None else k.aim_error.to_json(),
        "mark_error": None if k.mark_error is None else k.mark_error.to_json(),
        "off_best": k.off_best.to_json(),
        "rest": _spread(k.rest),
        "speed": None
        if k.speed is None
        else {
            "slope_deg_per_mps": _deg(k.speed.slope_rad),
            "sd_deg_per_mps": _deg(k.speed.sd_rad),
            "chance": _number(k.speed.chance),
        },
        "mixed_aim_chance": _number(k.mixed_aim),
        "account": asdict(s.account),
        "spread_used": "shot" if k.by is k.spread else "player",
        "expected": expected_json(s.expected),
        "spread_by_outcomes": _by_outcomes(s.by_outcomes),
        "expected_as_aimed": _number(s.aimed_rate),
        "expected_with_rest": _number(s.all_rate),
        "places": [_place(p) for p in s.places],
        "left_out": [{"attempt": a.id, "number": a.number, "why": why} for a, why in left_out(k)],
    }


def _by_outcomes(found: OutcomeSpread | None) -> dict[str, float | None] | None:
    if found is None:
        return None
    return {
        "spread_deg": _deg(found.spread_rad),
        "low_deg": _deg(found.low_rad),
        "high_deg": _deg(found.high_rad),
    }


def _place(p: PlaceStroke) -> dict[str, Any]:
    return {
        "start_m": [round(float(v), 4) for v in p.start_m],
        "lines": p.lines,
        "magnified": _number(p.magnified),
        "margin_deg": _deg(p.half_rad),
        "off_best_deg": _deg(p.off_best_rad),
        "expected": expected_json(p.expected),
        "expected_as_aimed": _number(p.aimed_rate),
    }


def _player(p: PlayerStroke) -> dict[str, Any]:
    return {"player": p.player or None, "shots": p.shots, "spread": _spread(p.spread), "alike_chance": _number(p.alike)}


def _spread(spread: Spread) -> dict[str, Any]:
    return {
        "lines": spread.lines,
        "freedom": spread.freedom,
        "spread_deg": _deg(spread.spread_rad),
        "sd_deg": _deg(spread.sd_rad),
        "low_deg": _deg(spread.low_rad),
        "high_deg": _deg(spread.high_rad),
    }


def _deg(value_rad: float) -> float | None:
    return round(degrees(value_rad), 5) + 0.0 if isfinite(value_rad) else None


def _number(value: float) -> float | None:
    return round(float(value), 5) + 0.0 if isfinite(value) else None
