"""The JSON interface and the pages: every endpoint, the one shape of errors, limits, and what is turned away."""

import logging
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from sqlalchemy import Engine

from app.settings import Settings
from app.store.log import store_reading
from app.web.api import MOST_ITEMS
from app.web.guard import HEADERS
from app.web.server import create_app
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, attempt, reading

PAGES = [
    "/",
    "/sessions/1",
    "/shots/1",
    "/shots/1/card",
    "/shots/1/entries",
    "/import",
    "/rates",
    "/stroke",
    "/camera",
    "/interface",
]


@pytest.fixture
def full(engine: Engine) -> None:
    store_reading(engine, reading(warnings=("dim light",)), clip(1), player="A. Player")
    store_reading(engine, reading([]), clip(2))


@pytest.mark.usefixtures("full")
def test_sessions(client: Client) -> None:
    listed = client.get("/api/sessions").json()
    assert listed["total"] == 2
    assert [s["id"] for s in listed["items"]] == [2, 1]
    assert listed["items"][1] | {"started_at": ""} == {
        "id": 1,
        "started_at": "",
        "table": "9ft",
        "player": "A. Player",
        "shots": [KICK.name],
        "attempts": 5,
        "made": 2,
    }
    assert client.get("/api/sessions", params={"limit": 1, "offset": 1}).json()["items"][0]["id"] == 1
    one = client.get("/api/sessions/1").json()
    assert one["table"] == {"name": "9ft", "length_m": 2.54, "width_m": 1.27}
    assert one["shots"] == [KICK.to_json()]
    assert one["clips"][0]["warnings"] == ["dim light"]


@pytest.mark.usefixtures("full")
def test_attempts(client: Client) -> None:
    listed = client.get("/api/sessions/1/attempts").json()
    assert listed["total"] == 5
    assert client.get("/api/attempts", params={"shot": KICK.name}).json() == listed
    assert client.get("/api/attempts", params={"limit": 2, "offset": 3}).json()["items"] == listed["items"][3:5]
    third = client.get("/api/attempts/3").json()
    assert third == listed["items"][2]
    assert third["words"]["miss"].startswith("short by 1.1 ball-widths")
    measured = third["measured"]
    assert measured["start_m"] == [0.98, 0.25]
    assert measured["miss_per_deg_m"] < 0
    assert measured["contacts"][0]["rail"] == "left"


@pytest.mark.usefixtures("full")
def test_shots_and_fits(client: Client) -> None:
    listed = client.get("/api/shots").json()
    assert listed["items"] == [{"id": 1, "shot": KICK.to_json(), "attempts": 5, "made": 2}]
    assert client.get("/api/shots/1").json() == listed["items"][0]
    fit = client.get("/api/shots/1/fit").json()
    assert (fit["schema"], fit["shot"], fit["attempts"], fit["used"]) == (1, KICK.name, 5, 5)
    # Ideal rails: the mirror image of the ghost ball in the left track line, 2 (1.27 - 0.02745) - 0.113 = 2.372.
    assert fit["point_m"] == pytest.approx([2.423, 2.372], abs=0.02)
    assert client.get("/api/fits").json() == [fit]
    assert client.get("/api/sessions/1/fits").json() == [fit]
    nothing = client.get("/api/sessions/2/fits").json()[0]
    assert nothing["point_m"] is None
    assert nothing["reason"]


@pytest.mark.usefixtures("full")
def test_the_drawing(client: Client) -> None:
    answer = client.get("/api/sessions/1/drawing.svg")
    assert answer.headers["content-type"] == "image/svg+xml"
    ET.fromstring(answer.text)
    refused(client.get("/api/sessions/1/drawing.svg", params={"shot": 1}), 404, "has 1 shots")


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("/api/sessions/7", 404, "There is no session 7."),
        ("/api/sessions/7/attempts", 404, "There is no session 7."),
        ("/api/sessions/7/fits", 404, "There is no session 7."),
        ("/api/sessions/7/drawing.svg", 404, "There is no session 7."),
        ("/api/sessions/99999999999999999999", 404, "There is no session"),
        ("/api/sessions/-1", 404, "There is no session -1."),
        ("/api/attempts/7", 404, "There is no attempt 7."),
        ("/api/attempts/99999999999999999999", 404, "There is no attempt"),
        ("/api/attempts?shot=nothing", 404, "There is no shot named 'nothing'."),
        ("/api/shots/7", 404, "There is no shot 7."),
        ("/api/shots/7/fit", 404, "There is no shot 7."),
        ("/api/nothing", 404, "There is nothing at this address."),
        ("/api/sessions/first", 422, "'session_id' cannot be used"),
        ("/api/sessions?limit=0", 422, "'limit' cannot be used"),
        (f"/api/attempts?limit={MOST_ITEMS + 1}", 422, f"it must be {MOST_ITEMS} or less"),
        ("/api/attempts?offset=-1", 422, "'offset' cannot be used"),
        ("/api/attempts?shot=" + "x" * 201, 422, "'shot' cannot be used"),
    ],
)
def test_errors_have_one_shape(client: Client, path: str, status: int, words: str) -> None:
    refused(client.get(path), status, words)


def test_body_that_is_no_json(client: Client) -> None:
    answer = client.request("POST", "/api/imports", content=b"{shot", headers={"content-type": "application/json"})
    refused(answer, 422, "The body of the request is not valid JSON.")


def test_wrong_methods(client: Client) -> None:
    refused(client.request("POST", "/api/sessions"), 405, "cannot be asked in that way")


def test_failures_inside_tell_nothing_of_the_inside(
    client: Client, engine: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP TABLE corrections")
        connection.exec_driver_sql("DROP TABLE attempts")
    with caplog.at_level(logging.ERROR):
        refused(client.get("/api/sessions"), 500, "Something went wrong inside Railpoint")
        page = client.get("/")
    assert page.status_code == 500
    assert "attempts" not in page.text
    assert "no such table" in caplog.text


@pytest.mark.usefixtures("full")
@pytest.mark.parametrize("path", [*PAGES, "/nothing", "/sessions/7", "/shots/7", "/static/page.css"])
def test_every_answer_is_guarded_and_needs_nothing_from_elsewhere(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == (404 if "7" in path or "nothing" in path else 200)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    if path.startswith("/static"):
        return
    seen = Looked()
    seen.feed(answer.text)
    assert seen.lang == "en"
    assert seen.headings[0] == "h1"
    assert not seen.scripts_and_styles
    for link in seen.links:
        assert link.startswith(("/", "#")), link
    for link in {link.split("#")[0] for link in seen.links if link.startswith("/") and "{" not in link}:
        assert client.get(link).status_code == 200, link
    for link in seen.links:
        if link.startswith("#"):
            assert link[1:] in seen.ids, link


@pytest.mark.usefixtures("full")
def test_the_session_page_tells_the_attempts(client: Client) -> None:
    text = re.sub(r"\s+", " ", client.get("/sessions/1").text)
    for words in ("long by 0.7 ball-widths", "medium, 2.20 m/s", "Of the others: 1 long, 2 short.", "dim light"):
        assert words in text
    assert "straight out from the nose of the left rail" in text
    assert 'class="ellipse"' in text
    assert "Ways to aim" in text
    assert "as if the rail were a mirror" in text
    assert "No point yet: there are no attempts." in client.get("/sessions/2").text


def test_the_camera_page_carries_the_cautions(client: Client) -> None:
    text = client.get("/camera").text
    for words in ("safety cable", "ladder work alone", "licensed electrician", "local code", "trip hazard", "guardian"):
        assert words in text


def test_names_are_escaped(client: Client, engine: Engine) -> None:
    odd = replace(KICK, name='<img src=x> & "quotes"')
    store_reading(engine, reading([attempt((0.5, 0.3), 0.1)], shot=odd), clip(1), player="<b>x</b>")
    for path in ("/", "/sessions/1", "/shots/1"):
        text = client.get(path).text
        assert "<img src=x>" not in text
        assert "<b>x</b>" not in text


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8348", "127.0.0.1.evil.example", ""])
def test_foreign_host_names_are_turned_away(client: Client, host: str) -> None:
    refused(client.get("/api/sessions", headers={"host": host}), 403, "RAILPOINT_ALLOWED_HOSTS")


@pytest.mark.parametrize("host", ["localhost:8348", "127.0.0.1", "[::1]:8348", "LOCALHOST"])
def test_own_host_names(client: Client, host: str) -> None:
    assert client.get("/api/sessions", headers={"host": host}).status_code == 200


def test_allowed_hosts_setting(engine: Engine, settings: Settings) -> None:
    room = Client(create_app(engine, settings.model_copy(update={"allowed_hosts": "room.example"})))
    assert room.get("/", headers={"host": "room.example"}).status_code == 200
    anyone = Client(create_app(engine, settings.model_copy(update={"allowed_hosts": "*"})))
    assert anyone.get("/", headers={"host": "what.example"}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "same-origin"}, True),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://127.0.0.1:8348"}, True),
        ({}, True),
    ],
)
def test_writing_requests_from_other_sites(client: Client, headers: dict[str, str], allowed: bool) -> None:
    # There is nothing to write to yet: what passes the guard is told that the method is wrong.
    assert client.request("POST", "/api/sessions", headers=headers).status_code == (405 if allowed else 403)


def test_the_openapi_description(client: Client) -> None:
    described = client.get("/api/openapi.json").json()
    for path, methods in described["paths"].items():
        assert path.startswith("/api/")
        for operation in methods.values():
            assert operation["description"].endswith("."), path
            assert "422" in operation["responses"]
    page = client.get("/interface").text
    assert all(path in page for path in described["paths"])


class Looked(HTMLParser):
    """What a page refers to."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: set[str] = set()
        self.headings: list[str] = []
        self.scripts_and_styles: list[str] = []
        self.lang = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        got = dict(attrs)
        self.links += [value for key, value in attrs if key in ("href", "src") and value]
        if got.get("id"):
            self.ids.add(str(got["id"]))
        if tag in ("h1", "h2", "h3"):
            self.headings.append(tag)
        if tag in ("script", "style") or "style" in got or any(key.startswith("on") for key in got):
            self.scripts_and_styles.append(tag)
        if tag == "html":
            self.lang = str(got.get("lang"))


def refused(answer: Any, status: int, words: str) -> None:
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert set(body) == {"error"}
    assert set(body["error"]) == {"status", "message"}
    assert body["error"]["status"] == status
    message = body["error"]["message"]
    assert words in message
    assert message.endswith(".")
    assert "\n" not in message
