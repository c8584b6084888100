"""An address at which others find the page, as it is set and as links use it."""

from __future__ import annotations

from urllib.parse import urlsplit


def web_address(said: str) -> str:
    """Scheme and host, with nothing behind them. Raises ValueError saying what is wanted."""
    try:
        parts = urlsplit(said.rstrip("/"))
        _ = parts.port
    except ValueError:
        parts = urlsplit("")
    bare = not (parts.path or parts.query or parts.fragment or "@" in parts.netloc)
    if parts.scheme not in ("http", "https") or not parts.hostname or not bare or not said.isprintable():
        raise ValueError("an address without a path is wanted, such as 'http://192.168.1.20:8765'")
    return f"{parts.scheme}://{parts.netloc.lower()}"
