"""Settings at the command line: listed with what they do, and one sentence for a wrong one or a port that is taken."""

import socket

import pytest

from app.commands.serving import listen
from calibration.errors import InputError
from tests.app.test_command_line import refused, run


def test_settings_are_listed() -> None:
    result = run("settings")
    assert result.exit_code == 0
    assert "RAILPOINT_DATA_DIR" in result.stdout


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [("RAILPOINT_PORT", "many", "RAILPOINT_PORT is 'many'"), ("RAILPOINT_PORT", "70000", "RAILPOINT_PORT is '70000'")],
)
def test_wrong_settings(monkeypatch: pytest.MonkeyPatch, name: str, value: str, words: str) -> None:
    monkeypatch.setenv(name, value)
    refused(run("settings"), words)


def test_a_port_that_is_taken() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(InputError, match="cannot be listened on"):
            listen("127.0.0.1", taken.getsockname()[1])
