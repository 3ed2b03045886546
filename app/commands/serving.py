"""``railpoint serve``: the pages and the JSON interface on this machine."""

import socket
from typing import Annotated

import typer
import uvicorn
from sqlalchemy import Engine

from app.commands.terminal import say
from app.settings import Settings, load_settings
from app.store.database import opened
from app.web.server import create_app
from calibration.errors import InputError

# Open pages do not hold up Ctrl-C for longer than this.
GRACE_S = 2


def serve(
    host: Annotated[str | None, typer.Option(help="Address to listen on; RAILPOINT_HOST without it.")] = None,
    port: Annotated[int | None, typer.Option(min=0, max=65535, help="Port; RAILPOINT_PORT without it.")] = None,
) -> None:
    """Serve the pages and the JSON interface."""
    settings = load_settings()
    changes = {key: value for key, value in (("host", host), ("port", port)) if value is not None}
    settings = settings.model_copy(update=changes)
    with opened(settings) as engine:
        serve_log(engine, settings)


def serve_log(engine: Engine, settings: Settings, page: str = "/") -> None:
    """Serve until interrupted. Raises InputError when the address cannot be listened on."""
    listening = listen(settings.host, settings.port)
    host, port = listening.getsockname()[:2]
    shown = f"[{host}]" if ":" in host else host
    say(f"Serving on http://{shown}:{port}{page} (Ctrl-C ends it).")
    config = uvicorn.Config(create_app(engine, settings), log_level="warning", timeout_graceful_shutdown=GRACE_S)
    with listening:
        uvicorn.Server(config).run(sockets=[listening])


def listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind, protocol)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            # From here on a browser that is told the address waits for the server instead of being refused.
            listening.listen()
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise InputError(
            f"{host}:{port} cannot be listened on ({error.strerror}); choose another with --port or --host."
        ) from error
    return listening
