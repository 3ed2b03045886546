"""Every error of the server in one shape: under /api as JSON, elsewhere as a page, always one plain sentence."""

import logging
from collections.abc import Callable

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from calibration.errors import InputError

logger = logging.getLogger(__name__)

Show = Callable[[Request, int, str], Response]


def error_body(status: int, message: str) -> dict[str, dict[str, int | str]]:
    return {"error": {"status": status, "message": message}}


def install(app: FastAPI, show_page: Show) -> None:
    """Answer errors in one shape; ``show_page`` makes the page for those outside /api."""

    def answer(request: Request, status: int, message: str) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse(error_body(status, message), status_code=status)
        return show_page(request, status, message)

    @app.exception_handler(InputError)
    def input_error(request: Request, error: InputError) -> Response:
        return answer(request, 422, str(error))

    @app.exception_handler(RequestValidationError)
    def wrong_request(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = " ".join(str(part) for part in first["loc"] if part not in ("query", "path", "body"))
        given = f" (given: {str(first.get('input'))[:80]!r})" if first.get("input") is not None else ""
        reason = str(first["msg"])
        return answer(request, 422, f"'{where}' cannot be used: {reason[0].lower()}{reason[1:]}{given}.")

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
