"""Entries over the web: the form with its echo, the list, the JSON interface, and what is turned away."""

import re
from html import unescape

import httpx
import pytest
from sqlalchemy import Engine

from app.store.log import store_reading
from app.store.log_views import list_attempts
from app.web.entries_form import MOST_FORM_BYTES
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, reading

LINE = "start 6 by 1, through 3.25, long half a ball, medium"
TWO = f"{LINE}\r\nstart 5 by 1, through 3, made"


@pytest.fixture(autouse=True)
def filmed(engine: Engine) -> None:
    store_reading(engine, reading(), clip(), player="A. Player")


def post(client: Client, path: str, **fields: str) -> httpx.Response:
    return client.request("POST", path, data=fields)


def test_the_shots_page_has_the_form(client: Client) -> None:
    text = client.get("/shots/1").text
    assert 'action="/shots/1/entries"' in text
    assert "<textarea" in text
    assert "Sights count from the foot-right corner" in text
    assert '<option value="A. Player">' in text
    assert "film, at 0:03.0" in text


def test_lines_are_told_back_before_they_are_logged(client: Client, engine: Engine) -> None:
    told = post(client, "/shots/1/entries", lines=TWO, player="B. <b>", at="2026-03-02", do="check")
    assert told.status_code == 200
    text = unescape(told.text)
    assert "start 6 by 1, through 3.25, long half a ball, medium" in text
    assert "line 50.2 ± 1.1°, passes sight 3.25 of the left rail; 2.9 ± 1.2 cm long" in text
    assert "Log these 2 attempts" in text
    assert "<b>" not in told.text
    assert len(list_attempts(engine)) == 5
    # The second form carries on what the first one held.
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', told.text))
    assert unescape(hidden["lines"]) == TWO
    logged = post(client, "/shots/1/entries", do="log", **{name: unescape(value) for name, value in hidden.items()})
    assert logged.status_code == 303
    assert logged.headers["location"].startswith("/shots/1/entries?logged=6,7&player=B.")
    assert [(a.source, a.player, f"{a.at:%m-%d}") for a in list_attempts(engine)[5:]] == [
        ("hand", "B. <b>", "03-02")
    ] * 2
    seen = client.get(logged.headers["location"])
    assert "Logged." in seen.text
    assert 'value="2026-03-02"' in seen.text
    assert "entered by hand, no. 6" in client.get("/shots/1").text
    assert client.get("/sessions/2").status_code == 200


def test_mistakes_keep_what_was_typed(client: Client, engine: Engine) -> None:
    told = post(client, "/shots/1/entries", lines=f"{LINE}\nstrat 2, through 3, made", at="2026-03-02", do="log")
    assert told.status_code == 422
    text = unescape(told.text)
    assert "line 2: 'strat 2' cannot be read (do you mean 'start'?)" in text
    assert "strat 2, through 3, made</textarea>" in text
    assert 'value="2026-03-02"' in text
    assert len(list_attempts(engine)) == 5
    for fields in ({"lines": ""}, {"lines": LINE, "at": "2999-01-01"}, {"lines": LINE, "table": "10ft"}, {}):
        assert post(client, "/shots/1/entries", do="log", **fields).status_code == 422
    assert len(list_attempts(engine)) == 5


def test_taking_out_putting_back_and_putting_right(client: Client, engine: Engine) -> None:
    post(client, "/shots/1/entries", lines=LINE, do="log")
    assert post(client, "/shots/1/entries/6/withdraw").headers["location"] == "/shots/1/entries#entry-6"
    assert len(list_attempts(engine)) == 5
    page = client.get("/shots/1/entries").text
    assert "taken out" in page
    assert 'action="/shots/1/entries/6/restore"' in page
    post(client, "/shots/1/entries/6/restore")
    form = client.get("/shots/1/entries?right=6").text
    assert f"{LINE}</textarea>" in form
    assert "Put entry 6 right" in form
    checked = post(client, "/shots/1/entries", lines="start 6 by 1, through 3.5, made", put_right="6", do="check").text
    assert "Log it in place of 6" in checked
    post(client, "/shots/1/entries", lines="start 6 by 1, through 3.5, made", put_right="6", do="log")
    assert [a.id for a in list_attempts(engine)] == [1, 2, 3, 4, 5, 7]
    assert "put right as 7" in client.get("/shots/1/entries").text
    for path in ("/shots/1/entries?right=1", "/shots/1/entries?right=99", "/shots/9/entries"):
        assert client.get(path).status_code == 404
    assert post(client, "/shots/1/entries/99/withdraw").status_code == 422


def test_what_is_no_form_is_turned_away(client: Client, engine: Engine) -> None:
    assert client.request("POST", "/shots/1/entries", content=b"{}").status_code == 415
    assert client.request("POST", "/shots/1/entries", files={"lines": b"x"}).status_code == 415
    kind = {"content-type": "application/x-www-form-urlencoded"}
    large = b"lines=" + b"x" * MOST_FORM_BYTES
    assert client.request("POST", "/shots/1/entries", content=large, headers=kind).status_code == 413
    many = "&".join(f"a{k}=1" for k in range(100)).encode()
    assert client.request("POST", "/shots/1/entries", content=many, headers=kind).status_code == 422
    assert client.request("POST", "/shots/1/entries", content=b"lines=\xff", headers=kind).status_code == 422
    assert len(list_attempts(engine)) == 5


@pytest.mark.parametrize(
    "path",
    [
        "/shots/1/entries",
        "/shots/1/entries/1/withdraw",
        "/api/shots/1/entries",
        "/api/attempts/1/withdraw",
        "/api/imports",
    ],
)
def test_other_sites_cannot_write(client: Client, engine: Engine, path: str) -> None:
    for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://elsewhere.example"}):
        answer = client.request("POST", path, data={"lines": LINE, "do": "log"}, headers=headers)
        assert answer.status_code == 403
    assert len(list_attempts(engine)) == 5


def test_the_interface_checks_and_logs(client: Client, engine: Engine) -> None:
    checked = client.request("POST", "/api/shots/1/entries", json={"lines": [LINE], "check": True}).json()
    assert checked["logged"] is False
    assert checked["items"][0] | {"measured": {}} == {
        "id": None,
        "line": LINE,
        "words": LINE,
        "coordinates": "start 0.635 m, 0.318 m ± 0.028 m; line 50.2 ± 1.1°, passes sight 3.25 of the left rail; "
        "2.9 ± 1.2 cm long; 2.2 ± 0.3 m/s",
        "measured": {},
    }
    assert len(list_attempts(engine)) == 5
    body = {"lines": [LINE, "start 5 by 1, through 3, made"], "player": "B", "at": "2026-03-02", "table": "9ft"}
    logged = client.request("POST", "/api/shots/1/entries", json=body).json()
    assert [e["id"] for e in logged["items"]] == [6, 7]
    assert logged["items"][0]["measured"]["miss_m"] == 0.02857
    listed = client.get("/api/shots/1/entries").json()
    assert listed["total"] == 7
    assert [e["origin"] for e in listed["items"]] == [*["clip"] * 5, "hand", "hand"]
    assert client.get("/api/attempts/6").json()["source"] == "hand"
    assert client.request("POST", "/api/attempts/6/withdraw").json() == {"id": 6, "withdrawn": True}
    assert client.get("/api/shots/1").json()["attempts"] == 6
    assert client.get("/api/attempts/6").status_code == 404
    assert client.request("POST", "/api/attempts/6/restore").json() == {"id": 6, "withdrawn": False}
    right = client.request("POST", "/api/attempts/6/put-right", json={"line": "start 6 by 1, through 3.5, made"}).json()
    assert right["id"] == 8
    assert client.get("/api/shots/1/entries", params={"offset": 7}).json()["items"][0]["replaces"] == 6


def test_the_interfaces_mistakes(client: Client, engine: Engine) -> None:
    wrong = client.request("POST", "/api/shots/1/entries", json={"lines": [LINE, "strat 2"]})
    assert wrong.status_code == 422
    assert "line 2: 'strat 2' cannot be read" in wrong.json()["error"]["message"]
    for path, body, status in (
        ("/api/shots/9/entries", {"lines": [LINE]}, 404),
        ("/api/shots/1/entries", {}, 422),
        ("/api/shots/1/entries", {"lines": ["x"] * 1001}, 422),
        ("/api/shots/1/entries", {"lines": [LINE], "at": "soon"}, 422),
        ("/api/attempts/99/withdraw", {}, 422),
        ("/api/attempts/0/withdraw", {}, 404),
        ("/api/attempts/99999999999/restore", {}, 404),
        ("/api/attempts/99/put-right", {"line": LINE}, 404),
        ("/api/attempts/1/put-right", {"line": LINE}, 422),
        ("/api/imports", {"csv": ""}, 422),
        ("/api/imports", {"csv": "shot,start_x_m,start_y_m,bearing_deg\nnone,1,1,1\n"}, 422),
        ("/api/imports", {"csv": "x", "shots": [{}]}, 422),
    ):
        answer = client.request("POST", path, json=body)
        assert answer.status_code == status, (path, answer.text)
        assert answer.json()["error"]["message"].strip()
    assert len(list_attempts(engine)) == 5


def test_a_file_over_the_interface(client: Client, engine: Engine) -> None:
    text = f"shot,start_x_m,start_y_m,bearing_deg,outcome\nnew,0.9,0.3,55,made\n{KICK.name},0.8,0.3,54,missed\n"
    body = {"csv": text, "name": "spring.csv", "shots": [KICK.to_json() | {"name": "new"}], "player": "B"}
    assert client.request("POST", "/api/imports", json=body).json() == {
        "added": {"new": 1, KICK.name: 1},
        "already": 0,
        "remarks": [],
    }
    assert client.request("POST", "/api/imports", json=body).json()["already"] == 2
    assert len(list_attempts(engine)) == 7
    assert "imported from spring.csv" in client.get("/shots/1/entries").text
