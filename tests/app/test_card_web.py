"""The aim card's page and endpoints."""

import csv
import xml.etree.ElementTree as ET
from io import StringIO

import pytest

from tests.app.conftest import Client
from tests.app.scenario import KICK
from tests.app.test_card_command import drilled

__all__ = ["drilled"]


def ids(client: Client) -> dict[str, int]:
    return {one["shot"]["name"]: one["id"] for one in client.get("/api/shots").json()["items"]}


@pytest.mark.usefixtures("drilled")
def test_the_endpoints_tell_one_card(client: Client) -> None:
    where = f"/api/shots/{ids(client)[KICK.name]}/card"
    card = client.get(where).json()
    assert (card["kind"], card["used"], card["near_rail"]["rail"]) == ("point", 22, "right")
    assert card["pooled"] == [{"by": "speed", "attempts": {"medium": 14, "soft": 8}}]
    rows = list(csv.DictReader(StringIO(client.get(f"{where}.csv").text)))
    assert [float(row["near_sight"]) for row in rows] == [row["near_sight"] for row in card["rows"]]
    picture = client.get(f"{where}.svg")
    assert picture.headers["content-type"].startswith("image/svg+xml")
    ET.fromstring(picture.text)
    sheet = client.get(f"{where}.pdf", params={"paper": "letter"})
    assert sheet.headers["content-type"] == "application/pdf"
    assert 'filename="aim-card-one-rail-to-the-foot-right-corner.pdf"' in sheet.headers["content-disposition"]
    assert sheet.content.startswith(b"%PDF")


@pytest.mark.usefixtures("drilled")
def test_parts_and_near_rails_by_address(client: Client) -> None:
    where = f"/api/shots/{ids(client)[KICK.name]}/card"
    soft = client.get(where, params={"split": ["speed=soft", "player=A. Player"]}).json()
    assert (soft["used"], soft["pooled"]) == (8, [])
    assert client.get(where, params={"near": ""}).json()["near_rail"]["rail"] == "right"
    for asked, said in (
        ({"near": "left"}, "cannot be the left rail"),
        ({"near": "moon"}, "'near' cannot be used"),
        ({"split": "speed=firm"}, "there is medium, soft."),
        ({"split": "moon"}, "write one of english, speed, player, day"),
        ({"split": ["speed=soft"] * 6}, "'split' cannot be used"),
    ):
        answer = client.get(where, params=asked)
        assert answer.status_code == 422
        assert said in answer.json()["error"]["message"]
    assert client.get(f"{where}.pdf", params={"paper": "a3"}).status_code == 422
    assert client.get("/api/shots/99/card").status_code == 404


@pytest.mark.usefixtures("drilled")
def test_no_card_is_a_reason_and_no_paper(client: Client) -> None:
    where = f"/api/shots/{ids(client)['young']}/card"
    none = client.get(where).json()
    assert (none["kind"], none["reason"]) == ("none", "2 usable attempts; a point needs at least 3")
    for ending in ("csv", "svg", "pdf"):
        answer = client.get(f"{where}.{ending}")
        assert answer.status_code == 404
        assert answer.json()["error"]["message"].startswith("No aim card: 2 usable attempts")
    page = client.get(where.removeprefix("/api"))
    assert page.status_code == 200
    assert "No aim card: 2 usable attempts" in page.text
    assert "card.pdf" not in page.text


@pytest.mark.usefixtures("drilled")
def test_the_page(client: Client) -> None:
    shot_id = ids(client)[KICK.name]
    assert f'href="/shots/{shot_id}/card"' in client.get(f"/shots/{shot_id}").text
    shown = client.get(f"/shots/{shot_id}/card", params={"split": "speed=soft", "near": "right"})
    assert shown.status_code == 200
    for words in (
        "speed soft alone",
        "From the nose of the left rail opposite sight",
        "card.pdf?split=speed%3Dsoft&amp;near=right",
        "holds",
        '<option value="right" selected>',
        "trip hazard",
    ):
        assert words in shown.text
    assert "split=speed%3Dmedium" in client.get(f"/shots/{shot_id}/card").text
