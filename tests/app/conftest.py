"""A log of its own for every test, on disk, and the server on it."""

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import Engine

from app.settings import Settings
from app.store.database import open_database
from app.store.log import ClipFile
from app.web.server import create_app


@pytest.fixture(autouse=True)
def own_data_dir(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No test of the app may touch the user's log."""
    folder = tmp_path / "data"
    for name in Settings.model_fields:
        monkeypatch.delenv(f"RAILPOINT_{name.upper()}", raising=False)
    monkeypatch.setenv("RAILPOINT_DATA_DIR", str(folder))
    return folder


@pytest.fixture
def settings(own_data_dir: Path) -> Settings:
    return Settings(data_dir=own_data_dir)


@pytest.fixture
def engine(settings: Settings) -> Iterator[Engine]:
    engine = open_database(settings)
    yield engine
    engine.dispose()


class Client:
    """Asks the server in this process, as a browser on this machine would."""

    def __init__(self, app: FastAPI) -> None:
        self.app = app

    def request(self, method: str, path: str, **parts: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            transport = httpx.ASGITransport(self.app, raise_app_exceptions=False)
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8348") as client:
                return await client.request(method, path, **parts)

        return asyncio.run(ask())

    def get(self, path: str, **parts: Any) -> httpx.Response:
        return self.request("GET", path, **parts)


@pytest.fixture
def client(engine: Engine, settings: Settings) -> Client:
    return Client(create_app(engine, settings))


def clip(k: int = 1) -> ClipFile:
    return ClipFile(f"drill{k}.mp4", f"{k:064x}", datetime(2026, 3, k, 18, 30, tzinfo=UTC))
