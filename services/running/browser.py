"""Shows the page in the rider's own browser, or says what to type where there is none."""

from __future__ import annotations

import os
import socket
import sys
import webbrowser
from collections.abc import Callable
from urllib.parse import urlsplit

from services.web.guard import is_loopback


def show(url: str, say: Callable[[str], None]) -> None:
    """Open the address in a browser of this machine; without one, say how to reach it from another."""
    if _has_screen() and webbrowser.open(url):
        say("It is open in your browser; stop with Ctrl-C.")
        return
    say(f"There is no browser to show it in here; type {url} into one on this machine.")
    parts = urlsplit(url)
    if parts.port and is_loopback(parts.hostname or ""):
        say("From another machine, first type there:")
        say(f"  ssh -N -L {parts.port}:127.0.0.1:{parts.port} {socket.gethostname()}")
        say(f"and then open http://127.0.0.1:{parts.port} there.")


def _has_screen() -> bool:
    """Whether a window can be shown; a browser that the rider named in $BROWSER is always tried."""
    if sys.platform in ("win32", "darwin"):
        return True
    return any(os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "BROWSER"))
