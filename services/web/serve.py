"""Serving the page to this machine's browser."""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import replace

import uvicorn

from services.app import App
from services.settings import Page, SettingsError
from services.store.club import Club
from services.web.app import create_app, create_club_app
from services.web.guard import is_loopback
from services.web.idle_connections import PatientProtocol


def serve(app: App, *, port: int | None, say: Callable[[str], None]) -> None:
    """Serve until stopped with Ctrl-C. Raises SettingsError."""
    if port is not None:
        page = app.settings.page.model_copy(update={"port": port})
        app = replace(app, settings=app.settings.model_copy(update={"page": page}))
    server = page_server(app)
    page = app.settings.page
    say(f"The page is at {address_of(page)}; stop it with Ctrl-C.")
    if not is_loopback(page.host):
        say("Others can reach it with the passphrase. Plain http can be listened to: put TLS in front of it.")
    server.run()


def address_of(page: Page) -> str:
    """Where a browser finds the page."""
    host = f"[{page.host}]" if ":" in page.host else page.host
    return f"http://{host}:{page.port}"


class PageServer(uvicorn.Server):
    """A server that holds its address before it runs: two started at once cannot both believe it theirs."""

    def __init__(self, config: uvicorn.Config, bound: socket.socket) -> None:
        super().__init__(config)
        self._bound = bound

    def run(self, sockets: list[socket.socket] | None = None) -> None:
        """Serve until told to stop."""
        super().run(sockets or [self._bound])


def page_server(app: App) -> PageServer:
    """A server of the page, ready to run, in this thread or in another one.

    Raises SettingsError when the page would be open to others unprotected, or its address is taken.
    """
    page = app.settings.page
    here = replace(app, page_url=app.page_url or address_of(page))
    if Club.is_at(app.settings.database_url):
        pages = create_club_app(here, Club.open(app.settings.database_url))
    else:
        pages = create_app(here)
    bound = _bound(page.host, page.port)
    config = uvicorn.Config(
        pages,
        host=page.host,
        port=page.port,
        log_level="warning",
        access_log=False,  # what riders look at is nobody's business
        server_header=False,
        date_header=True,
        proxy_headers=False,  # nobody in front may say who is asking
        timeout_graceful_shutdown=3,
        http=PatientProtocol,
        limit_concurrency=200,
        h11_max_incomplete_event_size=16_384,
    )
    return PageServer(config, bound)


def _bound(host: str, port: int) -> socket.socket:
    """A taken port is told in a sentence, before the server starts in a thread where nobody hears it."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        bound = socket.socket(family, kind, protocol)
        try:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            bound.bind(address)
            bound.listen()
        except OSError:
            bound.close()
            raise
        return bound
    except OSError as error:
        raise SettingsError(
            f"The page cannot be served at {host}, port {port} ({error.strerror or error}); "
            "is it served already? Otherwise choose another with --port or page.port in the settings"
        ) from error
