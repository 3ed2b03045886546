"""Benchmarks: ``python -m tests.benchmarks [NAME ...] [OPTIONS]``.

Runs those named, all when none is named. Each benchmark is a module beside this one with a function ``run`` that gives
rows (mappings of the same keys), or several such tables by name, and takes those options that it has a parameter for.
"""

import argparse
import importlib
import inspect
import pkgutil
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter
from typing import Any

import tests.benchmarks as benchmarks


def names() -> list[str]:
    """Modules here that can be run."""
    found = (m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_"))
    return sorted(n for n in found if hasattr(importlib.import_module(f"tests.benchmarks.{n}"), "run"))


def text_table(rows: Sequence[dict[str, Any]]) -> str:
    """Rows as aligned columns under their keys; numbers to four digits."""
    if not rows:
        return "(nothing to show)"
    keys = list(rows[0])
    cells = [[k.replace("_", " ") for k in keys]]
    cells += [[f"{v:.4g}" if isinstance(v, float) else str(v) for v in (row.get(k, "") for k in keys)] for row in rows]
    widths = [max(len(line[i]) for line in cells) for i in range(len(keys))]
    return "\n".join("  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in cells)


def _words(text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


def _lengths(text: str) -> list[float]:
    return [float(word) for word in _words(text)]


def main() -> None:
    """Run what the command line names."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description="Run benchmarks and print them.")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(names())}; all when none is named")
    parser.add_argument("--drills", type=int, help="simulated drills a family (2000 when not given)")
    parser.add_argument("--seed", type=int, help="another number draws other films")
    parser.add_argument("--first", type=int, help="begin at this one of the films drawn (0 when not given)")
    parser.add_argument("--disturbed", action="store_true", default=None, help="draw films of disturbed practice")
    parser.add_argument("--like-cloth", action="store_true", default=None, help="draw balls of the cloth's colour")
    parser.add_argument("--true-camera", action="store_true", default=None, help="read drawn films with theirs given")
    parser.add_argument("--shots", type=int, help="shots in the log whose fit is timed (500 when not given)")
    parser.add_argument("--minutes", type=_lengths, help="lengths of looped films, parted by commas (1,5 else)")
    parser.add_argument("--variants", type=_words, help="how films are altered for reading, names parted by commas")
    parser.add_argument("--clips", type=_words, help="parts of the names of the clips to be read, parted by commas")
    parser.add_argument("--attempts", type=int, help="films to be read end after so many attempts")
    parser.add_argument("--to", type=Path, metavar="FOLDER", help="where overlays, or films that were made, are kept")
    given = parser.parse_args()
    unknown = sorted(set(given.names) - set(names()))
    if unknown:
        parser.error(f"no benchmark is called {unknown[0]!r}; there are {', '.join(names())}")
    for name in given.names or names():
        module = importlib.import_module(f"tests.benchmarks.{name}")
        takes = inspect.signature(module.run).parameters
        began = perf_counter()
        options = {name: value for name, value in vars(given).items() if value is not None and name in takes}
        found = module.run(**options)
        tables = found if isinstance(found, dict) else {"": found}
        doc = (module.__doc__ or name).strip().splitlines()[0]
        text = "\n".join(
            f"{title}{':' if title else ''}\n{text_table(rows)}".lstrip() for title, rows in tables.items()
        )
        print(f"{name}: {doc}\n{text}\n({perf_counter() - began:.0f} s)\n")


if __name__ == "__main__":
    main()
