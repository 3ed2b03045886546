"""From every page of a shot its other pages are one step away, in one order."""

import re

import pytest
from sqlalchemy import Engine

from app.store.log import store_reading
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, reading

OF_A_SHOT = ("The point", "Shoot next", "Aim card", "Marks in the room", "Margins", "Make-rates", "Stroke", "Entries")


def links(page: str) -> list[tuple[str, str]]:
    row = re.search(r'<nav class="of-shot".*?</nav>', page, re.DOTALL)
    assert row is not None
    return re.findall(r'<a href="([^"]+)"[^>]*>([^<]+)</a>', row[0])


@pytest.fixture(autouse=True)
def full(engine: Engine) -> None:
    store_reading(engine, reading(), clip())


@pytest.mark.parametrize("number", range(len(OF_A_SHOT)))
def test_pages_of_a_shot_lead_to_one_another(client: Client, number: int) -> None:
    row = links(client.get("/shots/1").text)
    assert tuple(name for _, name in row) == OF_A_SHOT
    address, name = row[number]
    answer = client.get(address)
    assert answer.status_code == 200
    assert links(answer.text) == row
    assert f"<h1>{KICK.name}</h1>" in answer.text
    if name != "Shoot next":
        current = re.search(r'aria-current="page">([^<]+)<', answer.text)
        assert current is not None
        assert current[1] == name


def test_every_page_at_the_top_leads_somewhere(client: Client) -> None:
    top = re.search(r'<nav aria-label="Pages">.*?</nav>', client.get("/").text, re.DOTALL)
    assert top is not None
    addresses = re.findall(r'href="([^"]+)"', top[0])
    assert {"/", "/rates", "/stroke", "/marks", "/import", "/camera", "/interface"} == set(addresses)
    assert all(client.get(address).status_code == 200 for address in addresses)


@pytest.mark.parametrize(
    ("page", "files"),
    [
        ("/shots/1", {"drawing.svg", "fit.csv", "attempts.csv", "fit", "next.csv", "next"}),
        ("/sessions/1", {"drawing.svg", "attempts", "fits"}),
        ("/shots/1/card", {"card.pdf", "card.csv", "card.svg", "card"}),
        ("/shots/1/marks", {"marks.csv", "marks.svg", "marks"}),
        ("/shots/1/margins?every=2", {"margins.csv", "margins.svg", "margins"}),
        ("/shots/1/entries", {"entries.csv", "entries"}),
        ("/rates?by=table", {"rates.csv", "rates.svg", "rates"}),
        ("/stroke?player=", {"stroke.csv", "stroke.svg", "stroke"}),
        ("/marks", {"marks.csv", "marks"}),
    ],
)
def test_every_table_and_picture_can_be_had_as_a_file(client: Client, page: str, files: set[str]) -> None:
    text = client.get(page).text.replace("&amp;", "&")
    offered = set(re.findall(r'href="(/api/[^"]+)"', text))
    assert {address.partition("?")[0].rpartition("/")[2] for address in offered} == files
    for address in offered:
        answer = client.get(address)
        assert answer.status_code == 200, address
        kind = {"csv": "text/csv; charset=utf-8", "svg": "image/svg+xml", "pdf": "application/pdf"}
        ending = address.partition("?")[0].rpartition(".")[2]
        assert answer.headers["content-type"] == kind.get(ending, "application/json"), address


def test_what_a_page_was_asked_goes_along_to_its_files(client: Client) -> None:
    for page, address in (
        ("/rates?by=table&cell=2", "/api/rates.csv?by=table&cell=2"),
        ("/stroke?player=", "/api/stroke.svg?player="),
        ("/shots/1/margins?every=2", "/api/shots/1/margins.csv?every=2"),
        ("/shots/1/card?near=right", "/api/shots/1/card.csv?near=right"),
    ):
        assert f'href="{address}"' in client.get(page).text.replace("&amp;", "&")
