"""The installed version, as the distribution states it."""

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    try:
        return version("railpoint")
    except PackageNotFoundError:
        return "0"
