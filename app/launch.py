"""The door of the command ``railpoint``: says in a sentence what the system lacks, where a traceback would not help."""

import sys


def main() -> None:
    """Run the command line."""
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
