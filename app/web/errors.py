"""Every error of the server in one shape: under /api as JSON, elsewhere as a page, always one plain sentence."""

import logging
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from calibration.errors import InputError

logger = logging.getLogger(__name__)

# The framework's words for what is wrong with a value are a programmer's.
REASONS = {
    "missing": "it is needed and was not given",
    "int_parsing": "it takes a whole number",
    "float_parsing": "it takes a number",
    "bool_parsing": "it takes true or false",
    "date_parsing": "it takes a day such as 2026-03-01",
    "date_from_datetime_parsing": "it takes a day such as 2026-03-01",
    "literal_error": "it takes {limit}",
    "greater_than": "it must be more than {limit}",
    "greater_than_equal": "it must be {limit} or more",
    "less_than_equal": "it must be {limit} or less",
    "string_too_long": "it has more than {limit} letters",
    "too_long": "too many were given",
}
Show = Callable[[Request, int, str], Response]


def error_body(status: int, message: str) -> dict[str, dict[str, int | str]]:
    return {"error": {"status": status, "message": message}}


def wrong_value(first: Mapping[str, Any]) -> str:
    """What is wrong with a value that was given, in a sentence: which, why, and what it was."""
    where = " ".join(str(part) for part in first["loc"] if part not in ("query", "path", "body"))
    if first["type"] == "json_invalid":
        # The framework names the letter at which it gave up, and calls that the value.
        return "The body of the request is not valid JSON."
    given = f" (given: {str(first.get('input'))[:80]!r})" if first.get("input") is not None else ""
    reason = REASONS.get(str(first["type"]), "").format(limit=_limit(first.get("ctx") or {}))
    if not reason:
        reason = str(first["msg"])[:1].lower() + str(first["msg"])[1:]
    return f"'{where}' cannot be used: {reason}{given}."


def _limit(context: Mapping[str, Any]) -> str:
    value = next((v for v in context.values() if isinstance(v, str | int | float)), "")
    return value if isinstance(value, str) else f"{value:g}"


def answer_with(show: Show, request: Request, status: int, message: str) -> Response:
    if request.url.path.startswith("/api/"):
        return JSONResponse(error_body(status, message), status_code=status)
    return show(request, status, message)


def install(app: FastAPI, show_page: Show) -> None:
    """Answer errors in one shape; ``show_page`` makes the page for those outside /api."""

    answer = partial(answer_with, show_page)

    @app.exception_handler(InputError)
    def input_error(request: Request, error: InputError) -> Response:
        return answer(request, 422, str(error))

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: RequestValidationError) -> Response:
        return answer(request, 422, wrong_value(error.errors()[0]))

    @app.exception_handler(HTTPException)
    def refused(request: Request, error: HTTPException) -> Response:
        plain = {404: "There is nothing at this address.", 405: "This address cannot be asked in that way."}
        # The framework's own words are its phrases for the status; ours are sentences and end in a full stop.
        detail = str(error.detail)
        message = detail if detail.endswith(".") else plain.get(error.status_code, f"{detail}.")
        response = answer(request, error.status_code, message)
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(Exception)
    def failed(request: Request, error: Exception) -> Response:
        logger.error("%s %s failed", request.method, request.url.path, exc_info=error)
        return answer(request, 500, "Something went wrong inside Railpoint; its own output tells more.")
