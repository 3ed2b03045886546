"""What the commands share at the terminal: progress on standard error, tables on standard output, outputs checked."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn

from app.commands.wrapping import sentence_lines, text_table
from calibration.errors import InputError

# Where the output is no terminal (a file, a pipe), lines may be this long.
PIPE_COLUMNS = 120


def out() -> Console:
    console = Console(highlight=False, soft_wrap=False, markup=False)
    return console if console.is_terminal else Console(highlight=False, markup=False, width=PIPE_COLUMNS)


def say(*sentences: str) -> None:
    """Sentences on standard output, each on a line of its own."""
    console = out()
    for sentence in sentences:
        console.print(*sentence_lines(sentence, console.width), sep="\n", soft_wrap=True)


def counted(number: int, what: str) -> str:
    """``1 attempt``, ``5 attempts``."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def grid(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    console = out()
    heading, lines = text_table(columns, rows, console.width)
    console.print(*heading, style="bold", sep="\n", end="\n" if heading else "", soft_wrap=True)
    console.print(*lines, sep="\n", end="\n" if lines else "", soft_wrap=True)


@contextmanager
def progress(what: str) -> Iterator[Callable[[float], None]]:
    """A bar on standard error; gives the function that takes the fraction done. No bar where that is no terminal."""
    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        disable=not console.is_interactive,
    ) as bars:
        task = bars.add_task(what, total=1.0)
        yield lambda fraction: bars.update(task, completed=min(max(fraction, 0.0), 1.0))


@contextmanager
def waiting(what: str) -> Iterator[None]:
    """A sign of life on standard error for work that cannot say how far it is."""
    console = Console(stderr=True)
    with Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        console=console,
        transient=True,
        disable=not console.is_interactive,
    ) as bars:
        bars.add_task(what, total=None)
        yield


def check_writable(path: Path | None) -> None:
    """Refuse an output that cannot be written before the work for it begins. Leaves nothing behind."""
    if path is None:
        return
    existed = path.exists()
    try:
        with path.open("ab"):
            pass
        if not existed:
            path.unlink()
    except OSError as error:
        raise InputError(f"{path}: this output cannot be written ({error.strerror}); choose another place.") from error


def check_apart(inputs: Sequence[Path | None], outputs: Mapping[str, Path | None]) -> None:
    """Refuse outputs, by the option that names each, that would overwrite an input or one another."""
    taken = {path.resolve() for path in inputs if path is not None}
    for option, path in outputs.items():
        if path is None:
            continue
        if path.resolve() in taken:
            raise InputError(f"{path}: {option} would overwrite a file that this command needs; choose another name.")
        taken.add(path.resolve())


def write_text(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: this output cannot be written ({error.strerror}); choose another place.") from error


def write_bytes(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InputError(f"{path}: this output cannot be written ({error.strerror}); choose another place.") from error


def check_clip(path: Path) -> None:
    if path.is_dir():
        raise InputError(f"{path}: this is a folder; give the clip itself.")
    if not path.exists():
        raise InputError(f"{path}: there is no such clip; check the name.")
    if not path.is_file():
        # A device or a pipe may never end.
        raise InputError(f"{path}: this is no file; save the film to one and give that.")
