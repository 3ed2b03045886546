"""Days as the command line takes them."""

from datetime import date

from calibration.errors import InputError


def day_option(option: str, text: str | None) -> date | None:
    """The day that ``option`` names. Raises InputError for what is no day."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{option} is {text!r}; write a day such as 2026-03-01.") from error
