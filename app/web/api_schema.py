"""The forms of the JSON interface, as its OpenAPI description publishes them."""

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field


class ErrorDetail(BaseModel):
    status: int
    message: str = Field(description="One sentence.")


class ErrorAnswer(BaseModel):
    """The shape of every error."""

    error: ErrorDetail


class Words(BaseModel):
    """An attempt in a player's words."""

    start: str
    line: str
    speed: str
    outcome: str
    side: str
    miss: str
    miss_sights: str
    remarks: list[str]


class AttemptOut(BaseModel):
    id: int
    number: int = Field(description="Counts within its session and shot, from 1.")
    session: int
    shot: str
    source: str = Field(description="clip (measured by film), hand or import.")
    clip: str = Field(description="The first digits of the clip's hash; empty without a clip.")
    at: datetime
    player: str
    words: Words
    measured: dict[str, Any] = Field(description="As in the reading's JSON.")


class SessionOut(BaseModel):
    id: int
    started_at: datetime
    table: str
    player: str
    shots: list[str]
    attempts: int
    made: int


class ClipOut(BaseModel):
    name: str
    shot: str
    reader: str
    facts: dict[str, Any]
    camera: dict[str, Any]
    not_attempts: list[dict[str, Any]]
    warnings: list[str]


class UnassignedOut(BaseModel):
    clip: str
    why: str
    measured: dict[str, Any] = Field(description="The cue ball's path as in the reading's JSON; no miss.")


class SessionDetail(BaseModel):
    id: int
    started_at: datetime
    player: str
    note: str
    table: dict[str, Any]
    shots: list[dict[str, Any]] = Field(description="Each as in its shot file.")
    clips: list[ClipOut]
    unassigned: list[UnassignedOut] = Field(description="Strokes of its clips that were at none of the shots.")


class ShotOut(BaseModel):
    id: int
    shot: dict[str, Any] = Field(description="As in its shot file.")
    attempts: int
    made: int


class Attempts(BaseModel):
    total: int
    items: list[AttemptOut]


class Sessions(BaseModel):
    total: int
    items: list[SessionOut]


class Shots(BaseModel):
    total: int
    items: list[ShotOut]
