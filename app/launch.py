"""The door of the command ``railpoint``: says in a sentence what the system lacks, where a traceback would not help."""

import os
import sys


def one_thread_for_sums() -> None:
    """Let linear algebra run in the thread that asks for it, here and in processes started from here.

    The matrices are small, and the cores have whole fits and films to share: threads of its own cost twice the
    processor time and save none by the clock. A choice already made in the surroundings stands. To be called before
    numpy is imported.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def main() -> None:
    """Run the command line."""
    one_thread_for_sums()
    try:
        from app.command_line import main as command_line
    except ImportError as error:
        # OpenCV's wheel needs libraries that a machine without a desktop may lack; the loader names the file.
        if ".so" not in str(error):
            raise
        print(
            f"railpoint: a system library is missing ({error}); on Debian or Ubuntu install libgl1 and libglib2.0-0.",
            file=sys.stderr,
        )
        raise SystemExit(1) from error
    command_line()
