"""The command ``railpoint``. A mistake of the user's ends in one sentence on standard error and exit code 1.

A command's module is not loaded before the command is given: all of them together take seconds.
"""

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from importlib import import_module
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console
from typer.core import TyperGroup

from app.commands.usage import UsageError, usage_sentence
from app.version import program_version
from calibration.errors import InputError


@dataclass(frozen=True)
class Place:
    """Where a command's function is, a module of ``app.commands`` and its name there, and the command in a sentence."""

    module: str
    function: str
    summary: str


COMMANDS = {
    "demo": Place("demonstration", "demo", "Do the whole job on the sample clip."),
    "setup": Place("setup", "setup", "Register the camera over the table, once."),
    "markers": Place("markers", "markers", "Write sheets of markers to print."),
    "read": Place("reading", "read", "Read a clip's attempts into the log."),
    "enter": Place("entering", "enter", "Enter attempts by hand, in the words of the trade."),
    "fit": Place("fits", "fit", "Fit the convergence point of each shot."),
    "card": Place("card", "card", "Tell a shot's aim card."),
    "rates": Place("rates", "rates", "Tell how often shots are made."),
    "stroke": Place("stroke", "stroke", "Tell how steadily lines are delivered."),
    "margins": Place("margins", "margins", "Tell how far the line of a shot may stray."),
    "marks": Place("marks", "marks", "Tell what aiming at each mark of the room costs."),
    "serve": Place("serving", "serve", "Serve the pages and the JSON interface."),
    "export": Place("fits", "export", "Write the log's attempts as CSV."),
    "settings": Place("settings", "settings", "List every setting with its value and what it is for."),
    # "import" is a word of the language itself and names no function.
    "import": Place("importing", "import_file", "Take a file of attempts into the log."),
}


class OneSentence(TyperGroup):
    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """A command, loaded with what it needs; None when there is none of that name."""
        place = COMMANDS.get(cmd_name)
        if place is None:
            return None
        function = getattr(import_module(f"app.commands.{place.module}"), place.function)
        alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
        alone.command(name=cmd_name)(function)
        return typer.main.get_command(alone)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, place.summary) for name, place in COMMANDS.items()])

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        # No words at all ask what there is.
        with _in_one_sentence() if args else nullcontext():
            return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        with _in_one_sentence():
            return super().invoke(ctx)


@contextmanager
def _in_one_sentence() -> Iterator[None]:
    try:
        yield
    except InputError as error:
        _refuse(str(error), error)
    except UsageError as error:
        _refuse(usage_sentence(error), error)


def _refuse(sentence: str, error: Exception) -> NoReturn:
    Console(stderr=True, highlight=False, markup=False, soft_wrap=True).print(f"railpoint: {sentence}")
    raise typer.Exit(1) from error


main = typer.Typer(
    name="railpoint",
    cls=OneSentence,
    help="Practice of rail shots on film: attempts, their log, and the convergence point.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"railpoint {program_version()}")
        raise typer.Exit


@main.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Tell the version and end.")
    ] = False,
) -> None:
    """Practice of rail shots on film: attempts, their log, and the convergence point."""
