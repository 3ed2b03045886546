"""A missing system library is told in one sentence."""

import builtins
from typing import Any

import pytest

from app.launch import main


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
