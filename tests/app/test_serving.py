"""The server as a program of its own: it says where it is, answers, and ends at once when interrupted."""

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest


@pytest.mark.skipif(sys.platform == "win32", reason="interrupts are sent otherwise there")
def test_serve_answers_and_ends(own_data_dir: Path) -> None:
    words = [sys.executable, "-c", "from app.command_line import main; main()", "serve", "--port", "0"]
    environment = os.environ | {"PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    ) as server:
        assert server.stdout is not None
        assert server.stderr is not None
        try:
            line = server.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:\d+/", line)
            assert found is not None, line + server.stderr.read()
            with answer_of(found[0]) as answer:
                assert answer.status == 200
                assert "The log is empty." in answer.read().decode()
            asked = time.monotonic()
            server.send_signal(signal.SIGINT)
            server.wait(timeout=20)
            assert time.monotonic() - asked < 10
            assert "Traceback" not in server.stderr.read()
        finally:
            if server.poll() is None:
                server.kill()


def answer_of(url: str):  # type: ignore[no-untyped-def]
    """The server listens before it is ready; the first question waits for it."""
    return urllib.request.urlopen(url, timeout=20)
