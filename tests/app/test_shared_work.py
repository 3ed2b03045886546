"""Work shared among processes: same answers in the same order, the same error, and nothing lost when a process ends."""

import os
from functools import partial
from time import sleep

import pytest

from app.fitting.shared_work import crew
from calibration.errors import InputError


def squared(n: int) -> tuple[int, int]:
    sleep(0.01)
    return n * n, os.getpid()


def refused(n: int, bad: tuple[int, ...]) -> int:
    sleep(0.002)
    if n in bad:
        raise InputError(f"thing {n} cannot be.")
    return n


def dies_elsewhere(n: int, home: int, after_s: float) -> int:
    if os.getpid() != home:
        sleep(after_s)
        os._exit(3)
    return -n


def test_answers_come_in_order_from_both_processes() -> None:
    things = list(range(200))
    with crew(squared, 2) as each:
        answers = each(things)
        assert each([]) == []
        assert [value for value, _ in each(things[:3])] == [0, 1, 4]
    assert [value for value, _ in answers] == [n * n for n in things]
    assert len({by for _, by in answers}) == 2


def test_alone_it_starts_no_other() -> None:
    with crew(squared, 1) as each:
        assert {by for _, by in each(range(4))} == {os.getpid()}


@pytest.mark.parametrize("bad", [(0, 199), (120, 199), (5, 6), (199,)])
def test_the_first_error_is_the_one_that_comes_out(bad: tuple[int, ...]) -> None:
    with crew(partial(refused, bad=bad), 2) as each, pytest.raises(InputError, match=f"thing {bad[0]} cannot"):
        each(range(200))


@pytest.mark.parametrize("after_s", [0.0, 0.3])
def test_what_a_process_that_ends_leaves_is_done_here(after_s: float) -> None:
    """At once, and when all else is done."""
    with crew(partial(dies_elsewhere, home=os.getpid(), after_s=after_s), 2) as each:
        assert each(range(50)) == [-n for n in range(50)]
        assert each(range(3)) == [0, -1, -2]
