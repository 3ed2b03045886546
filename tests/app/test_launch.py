"""A missing system library is told in one sentence."""

import builtins
import os
from typing import Any

import pytest

from app.launch import main, one_thread_for_sums


def test_missing_system_library_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    real = builtins.__import__

    def without_opencv(name: str, *rest: Any, **more: Any) -> Any:
        if name == "app.command_line":
            raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without_opencv)
    with pytest.raises(SystemExit) as end:
        main()
    assert end.value.code == 1
    told = capsys.readouterr().err
    assert "libGL.so.1" in told
    assert "libgl1" in told
    assert len(told.strip().splitlines()) == 1


def test_other_import_errors_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def broken(name: str, *rest: Any, **more: Any) -> Any:
        if name == "app.command_line":
            raise ImportError("cannot import name 'x' from 'y'")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", broken)
    with pytest.raises(ImportError, match="cannot import name"):
        main()


def test_sums_run_in_one_thread_unless_the_surroundings_say_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "3")
    one_thread_for_sums()
    assert (os.environ["OMP_NUM_THREADS"], os.environ["OPENBLAS_NUM_THREADS"]) == ("1", "3")
