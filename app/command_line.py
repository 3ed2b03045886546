"""The command ``railpoint``. A mistake of the user's ends in one sentence on standard error and exit code 1."""

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console
from typer.core import TyperGroup

from app.commands.card import card
from app.commands.demonstration import demo
from app.commands.entering import enter
from app.commands.fits import export, fit
from app.commands.importing import import_file
from app.commands.margins import margins
from app.commands.markers import markers
from app.commands.marks import marks
from app.commands.rates import rates
from app.commands.reading import read
from app.commands.serving import serve
from app.commands.setup import setup
from app.commands.stroke import stroke
from app.commands.terminal import grid
from app.commands.usage import UsageError, usage_sentence
from app.settings import load_settings, settings_table
from app.version import program_version
from calibration.errors import InputError


class OneSentence(TyperGroup):
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


def settings() -> None:
    """List every setting with its value and what it is for."""
    grid(
        ("Setting", "Value", "What it is"),
        [(line.name, line.value or "–", line.help) for line in settings_table(load_settings())],
    )


for command in (demo, setup, markers, read, enter, fit, card, rates, stroke, margins, marks, serve, export, settings):
    main.command()(command)
# "import" is a word of the language itself and names no function.
main.command(name="import")(import_file)
