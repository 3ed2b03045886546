"""One function for many things, shared among processes: this one and others that it starts, in the order of the things.

This process works as well: it takes portions from the end while the others begin at the front, and need not stand by
until they have started. What each thing gives does not depend on who computes it.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import current_process, get_context
from typing import TypeVar

# Portions for each process: many enough for all to end at about the same time.
PORTIONS = 16
# Portions given out to each other process at a time: one that it works at, and two for while this one is at its own.
AHEAD = 3

T = TypeVar("T")
R = TypeVar("R")


def usable_cores() -> int:
    """Cores that this process may run on; 1 where it may start no others."""
    if current_process().daemon:
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def crew(one: Callable[[T], R], processes: int) -> Iterator[Callable[[Sequence[T]], list[R]]]:
    """Gives the function that applies ``one`` (of a module's top level, or a ``partial`` of such) to many things.

    ``processes`` counts this one; each of the others takes about half a second to start. The first thing that raises an
    error is the one whose error comes out, as it would without them. Should the others end, this one does their work.
    """
    if processes < 2:
        yield lambda things: [one(thing) for thing in things]
        return
    with ProcessPoolExecutor(processes - 1, mp_context=get_context("spawn")) as pool:
        yield lambda things: _shared(pool, one, things, processes)


def _shared(pool: ProcessPoolExecutor, one: Callable[[T], R], things: Sequence[T], processes: int) -> list[R]:
    size = max(len(things) // (PORTIONS * processes), 1)
    parts = [things[k : k + size] for k in range(0, len(things), size)]
    # No more are given out than keep the others busy, and none is called off: when a process of Python's pool ends, its
    # thread fails at the first future that was cancelled.
    ahead = AHEAD * (processes - 1)
    theirs: dict[int, Future[list[R]]] = {}
    ours: dict[int, list[R] | Exception] = {}
    first, last = 0, len(parts) - 1
    while first <= last:
        try:
            # The last one left is this process's: another may still have to start.
            while first < last and sum(not future.done() for future in theirs.values()) < ahead:
                theirs[first] = pool.submit(_each, one, parts[first])
                first += 1
        except (BrokenProcessPool, OSError):
            ahead = 0
        try:
            ours[last] = _each(one, parts[last])
        except Exception as error:
            # Kept until it is known that no earlier thing raises one.
            ours[last] = error
        last -= 1
    found: list[R] = []
    for k, part in enumerate(parts):
        answer = ours[k] if k in ours else _result(theirs[k])
        if isinstance(answer, Exception):
            raise answer
        found += _each(one, part) if answer is None else answer
    return found


def _result(future: Future[list[R]]) -> list[R] | None:
    """What a portion gave, None when its process has ended; raises the portion's own error."""
    try:
        return future.result()
    except BrokenProcessPool:
        return None


def _each(one: Callable[[T], R], things: Sequence[T]) -> list[R]:
    return [one(thing) for thing in things]
