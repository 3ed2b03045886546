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
