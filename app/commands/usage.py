"""A command or option that does not exist, or a value of the wrong kind, told in one sentence."""

import re
from typing import Any

import typer

# What a command line that cannot be understood raises; typer names only this kind of it.
UsageError: Any = typer.BadParameter.__base__


def usage_sentence(error: Any) -> str:
    """What is wrong with the command line that raised ``error``, a ``UsageError``, and where to look."""
    said = str(error.format_message()).strip().rstrip(".")
    # What a checker of types adds to its sentences.
    said = re.sub(r"Value error, |, unable to parse.*", "", said).replace(": Input", ": input")
    command = error.ctx.command_path if error.ctx is not None else "railpoint"
    return f"{said[:1].lower()}{said[1:]}; '{command} --help' tells what it takes."
