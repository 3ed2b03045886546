"""The page that takes a file in."""

from html import unescape

import httpx
import pytest
from sqlalchemy import Engine

from app.store.log import store_reading
from app.store.log_views import list_attempts
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, reading

FILE = (
    f'shot,start_x_m,start_y_m,bearing_deg,outcome,note\r\n{KICK.name},0.9,0.3,55,made,"two\r\nlines, ½"\r\n'.encode()
)


@pytest.fixture(autouse=True)
def filmed(engine: Engine) -> None:
    store_reading(engine, reading(), clip(), player="A. Player")


def post(client: Client, content: bytes, **fields: str) -> httpx.Response:
    return client.request("POST", "/import", files={"file": ("spring.csv", content, "text/csv")}, data=fields)


def test_the_page_takes_a_file_once(client: Client, engine: Engine) -> None:
    assert "enctype" in client.get("/import").text
    assert 'href="/import"' in client.get("/").text
    first = post(client, b"\xef\xbb\xbf" + FILE, player="B", table="9ft")
    assert first.status_code == 200
    assert f"Imported 1 attempt at {KICK.name}." in first.text
    logged = list_attempts(engine)[-1]
    assert logged.entry is not None
    assert (logged.source, logged.player, logged.entry.file) == ("import", "B", "spring.csv")
    assert logged.entry.note == "two  lines, ½"
    assert "1 row of the file is in the log already" in post(client, FILE, player="B").text
    assert len(list_attempts(engine)) == 6


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (FILE.replace(b"0.9", b"x"), "spring.csv, row 3: start_x_m is 'x'; it must be a number."),
        (FILE.replace(KICK.name.encode(), b"none"), "row 3: the log has no shot 'none'"),
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"", "the file is empty"),
    ],
)
def test_what_cannot_be_used_is_said_and_nothing_imported(
    client: Client, engine: Engine, content: bytes, words: str
) -> None:
    told = post(client, content)
    assert told.status_code == 422
    assert words in unescape(told.text)
    assert len(list_attempts(engine)) == 5


def test_what_is_no_form_is_turned_away(client: Client, engine: Engine) -> None:
    assert client.request("POST", "/import", data={"file": "x"}).status_code == 415
    assert client.request("POST", "/import", files={"other": b"x"}).status_code == 422
    kind = {"content-type": "multipart/form-data; boundary=x"}
    for body in (b"", b"--x", b"--x\r\n\r\n\r\n--x--", b"--x\r\nContent-Disposition: form-data\r\n\r\na\r\n--x--\r\n"):
        assert client.request("POST", "/import", content=body, headers=kind).status_code == 422
    assert (
        client.request("POST", "/import", content=b"x", headers={"content-type": "multipart/form-data"}).status_code
        == 422
    )
    headers = {"Sec-Fetch-Site": "cross-site"}
    assert client.request("POST", "/import", files={"file": FILE}, headers=headers).status_code == 403
    assert len(list_attempts(engine)) == 5
