"""``railpoint settings``: every setting, its value, what it is for."""

from app.commands.terminal import grid
from app.settings import load_settings, settings_table


def settings() -> None:
    """List every setting with its value and what it is for."""
    grid(
        ("Setting", "Value", "What it is"),
        [(line.name, line.value or "–", line.help) for line in settings_table(load_settings())],
    )
