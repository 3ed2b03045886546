"""What a page says when it cannot be shown: a page too, one clear sentence in plain words."""

import re

import pytest

from app.web.errors import wrong_value
from tests.app.conftest import Client


@pytest.mark.parametrize(
    ("path", "status", "heading", "sentence"),
    [
        ("/nowhere", 404, "Nothing here", "There is nothing at this address."),
        ("/shots/7", 404, "Nothing here", "There is no shot 7."),
        ("/shots/7/entries", 404, "Nothing here", "There is no shot 7."),
        ("/sessions/7", 404, "Nothing here", "There is no session 7."),
        (
            "/sessions/first",
            422,
            "That cannot be done",
            "'session_id' cannot be used: it takes a whole number (given: 'first').",
        ),
        ("/rates?cell=abc", 422, "That cannot be done", "'cell' cannot be used: it takes a number (given: 'abc')."),
        (
            "/rates?since=spring",
            422,
            "That cannot be done",
            "'since' cannot be used: it takes a day such as 2026-03-01 (given: 'spring').",
        ),
        (
            "/rates?tries=some",
            422,
            "That cannot be done",
            "'tries' cannot be used: it takes 'all', 'first' or 'repeat' (given: 'some').",
        ),
        ("/rates?cell=99", 422, "That cannot be done", "'cell' cannot be used: it must be 8 or less (given: '99')."),
        ("/rates?shot=none", 422, "That cannot be done", "The log has no shot named 'none'; it has none yet."),
    ],
)
def test_an_error_is_a_page_with_a_sentence(
    client: Client, path: str, status: int, heading: str, sentence: str
) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")
    page = answer.text.replace("&#39;", "'")
    assert f"<h1>{heading}</h1>" in page
    assert re.findall(r'<p class="lead">(.*)</p>', page) == [sentence]
    assert '<a href="/">To the log</a>' in page


def test_a_request_that_is_turned_away_gets_a_page_and_a_program_gets_json(client: Client) -> None:
    elsewhere = {"host": "elsewhere.example"}
    page = client.get("/", headers=elsewhere)
    assert page.status_code == 403
    assert "<h1>Not allowed</h1>" in page.text
    assert "This host name is not allowed" in page.text
    assert "frame-ancestors 'none'" in page.headers["content-security-policy"]
    answer = client.get("/api/sessions", headers=elsewhere)
    assert answer.status_code == 403
    assert answer.json()["error"]["message"].startswith("This host name is not allowed")


def test_what_has_no_words_of_ours_is_told_in_the_frameworks() -> None:
    said = wrong_value({"loc": ("query", "x"), "type": "odd", "msg": "Input is odd", "input": None})
    assert said == "'x' cannot be used: input is odd."
