"""What every answer carries for safety, and which requests are turned away before anything else happens."""

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.web.errors import Show, answer_with

SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


class Guard:
    """Refuses foreign host names (a page elsewhere could reach a local server under its own name) and writing requests
    sent by other sites; adds the headers to every answer."""

    def __init__(self, app: ASGIApp, hosts: tuple[str, ...], show_page: Show) -> None:
        self.app = app
        self.hosts = hosts
        self.show_page = show_page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        headers = Headers(scope=scope)
        why = self._why_not(scope["method"], headers)
        if why:
            refusal = answer_with(self.show_page, Request(scope), 403, why)
            await refusal(scope, receive, send_with_headers)
            return
        await self.app(scope, receive, send_with_headers)

    def _why_not(self, method: str, headers: Headers) -> str:
        host = headers.get("host", "").lower()
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        if "*" not in self.hosts and name not in self.hosts:
            return "This host name is not allowed; name it in the setting RAILPOINT_ALLOWED_HOSTS."
        if method in SAFE_METHODS:
            return ""
        site = headers.get("sec-fetch-site")
        if site is not None:
            allowed = site in ("same-origin", "none")
        else:
            origin = headers.get("origin")
            allowed = origin is None or origin.split("://", 1)[-1].lower() == host
        return "" if allowed else "A request that changes something must come from Railpoint's own pages."
