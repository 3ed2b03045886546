"""The README names every command, option, setting and endpoint, and nothing that is not there."""

import re
from pathlib import Path

import pytest
from sqlalchemy import Engine
from typer.main import get_command

from app.command_line import main
from app.settings import Settings, settings_table
from app.web.server import create_app

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    found = re.search(rf"^## {heading}$(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL)
    assert found is not None, heading
    return found[1]


def test_commands_and_options() -> None:
    told = section("Commands")
    group = get_command(main)
    commands = {name: group.get_command(None, name) for name in group.list_commands(None)}  # type: ignore[attr-defined]
    for name, command in commands.items():
        assert f"`railpoint {name}" in told, name
        for parameter in command.params:
            if parameter.param_type_name == "option":
                names = [n for n in (*parameter.opts, *parameter.secondary_opts) if n != "--help"]
                assert any(f"[{n}" in told or f" {n} " in told for n in names), f"{name} {names}"
            assert parameter.param_type_name == "argument" or parameter.help, f"{name} {parameter.name}"
    assert set(re.findall(r"`railpoint ([a-z]+)", told)) == set(commands)


def test_settings() -> None:
    told = section("Settings")
    lines = settings_table(Settings())
    for line in lines:
        assert f"`{line.name}`" in told
        assert f"| {line.help} |" in told, line.name
        if line.name != "RAILPOINT_DATA_DIR":
            assert re.search(rf"`{line.name}` \|\s*{re.escape(line.default)}\s*\|", told), line.name
    assert set(re.findall(r"`(RAILPOINT_\w+)`", told)) == {line.name for line in lines}


def test_endpoints(engine: Engine, settings: Settings) -> None:
    told = section("API")
    described = create_app(engine, settings).openapi()["paths"]
    listed = re.findall(r"^\| `(GET|POST) (/api/[^`]*)` \| (.*?) \|$", told, re.MULTILINE)
    assert [(method.lower(), path) for method, path, _ in listed] == [
        (method, path) for path, methods in described.items() for method in methods
    ]
    for method, path, words in listed:
        summary = described[path][method.lower()]["description"].rstrip(".")
        assert words.startswith(summary), path


@pytest.mark.parametrize("heading", ["Commands", "Settings", "API"])
def test_sections_are_there_once(heading: str) -> None:
    assert len(re.findall(rf"^## {heading}$", README, re.MULTILINE)) == 1
