"""Who may speak to the page: this machine, or whoever has the passphrase. Checked before anything else."""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from fastapi import Request
from markupsafe import Markup
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SIGN_IN, SIGN_IN_FIRST = "/sign-in", "Sign in first."  # the page; what programs are told
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
MOST_BODY_BYTES = 1_000_000
# Ride files, which are kept as they come and never held whole: a piece by script, a form without one.
MOST_BYTES_AT = {"/drop/piece": 4_200_000, "/drop/files": 5_000_000_000}
TOKEN_FIELD = "the_page"  # noqa: S105 - the name of a form field
LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})

# No 'unsafe-inline' anywhere: neither script nor style can be smuggled in with a ride's title.
CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
SECURITY_HEADERS: Mapping[str, str] = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # 'no-referrer' would make browsers send 'Origin: null' with our own forms.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


def own_names(host: str) -> frozenset[str]:
    """By which Host names may the page be asked for? Names an attacker's domain cannot take."""
    bare = f"[{host}]" if ":" in host and not host.startswith("[") else host
    if is_loopback(host):
        return LOOPBACK_NAMES | {bare.lower()}
    machine = socket.gethostname().lower()
    return LOOPBACK_NAMES | {bare.lower(), machine, f"{machine.split('.')[0]}.local"}


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True)
class Tokens:
    """Proof that a form came from a page of ours: nobody else can read or make one."""

    secret: bytes = field(default_factory=lambda: secrets.token_bytes(32))

    def of(self, session: str) -> str:
        """The token that this session's forms carry; "" = no sign-in needed."""
        return hmac.new(self.secret, session.encode(), hashlib.sha256).hexdigest()

    def proof(self, session: str) -> Markup:
        """The hidden field that a form of this session carries its token in."""
        return Markup('<input type="hidden" name="{}" value="{}">').format(TOKEN_FIELD, self.of(session))

    def good(self, session: str, token: str) -> bool:
        """Whether a form carries its session's token."""
        return hmac.compare_digest(self.of(session).encode(), token.encode("utf-8", "replace"))


class Guard:
    """ASGI middleware: foreign names, foreign origins and huge bodies end here; every answer is sealed."""

    def __init__(
        self, app: ASGIApp, *, names: frozenset[str], any_address: bool, public_url: str | None = None
    ) -> None:
        """names: Host names that are ours.  any_address: bare IP addresses are ours as well.

        public_url: where others reach us, whose host is ours too; something in front may speak TLS for us.
        """
        self.app, self.any_address, self.public_url = app, any_address, public_url
        self.public_name = None if public_url is None else _name_of(urlsplit(public_url).netloc)
        self.names = names if self.public_name is None else names | {self.public_name}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through, or answer it here."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        answer: ASGIApp = self.app if refusal is None else refusal

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    out[name] = value
                out.setdefault("Cache-Control", "no-store")
            await send(message)

        # Whoever asks for the head alone is answered as for the page; the server keeps the body back.
        asked = {**scope, "method": "GET"} if scope["method"] == "HEAD" else scope
        await answer(asked, _bounded(receive, _most_at(scope["path"])), sealed)

    def _refusal(self, scope: Scope, headers: Headers) -> PlainTextResponse | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._is_ours(hosts[0]):
            return PlainTextResponse("This page answers only to its own address.\n", 421)
        if scope["method"] not in SAFE_METHODS and not self._same_origin(headers, hosts[0], scope["scheme"]):
            return PlainTextResponse("This form was not sent from this page; nothing was changed.\n", 403)
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > _most_at(scope["path"]):
            return PlainTextResponse("That is more than this page takes.\n", 413)
        return None

    def _is_ours(self, host: str) -> bool:
        name = _name_of(host)
        if name in self.names:
            return True
        if not self.any_address or name is None:
            return False
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return False
        return True

    def _same_origin(self, headers: Headers, host: str, scheme: str) -> bool:
        """Browsers say where a form comes from; what says nothing is judged by its token alone."""
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return False
        origin = headers.get("origin")
        if origin is None or origin.lower() == f"{scheme}://{host}".lower():
            return True
        return _name_of(host) == self.public_name and origin.lower() == self.public_url


class TooMuch(Exception):  # noqa: N818 - it names what came
    """A body went on beyond what is taken."""


def _most_at(path: str) -> int:
    return MOST_BYTES_AT.get(path, MOST_BODY_BYTES)


def _bounded(receive: Receive, most: int) -> Receive:
    """A body without a length is counted as it comes."""
    taken = 0

    async def counting() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most:
            raise TooMuch
        return message

    return counting


def _name_of(host: str) -> str | None:
    try:
        parts = urlsplit(f"//{host}")
        _ = parts.port
    except ValueError:
        return None
    if parts.username is not None or parts.path or parts.query or parts.fragment or not parts.hostname:
        return None
    return f"[{parts.hostname}]" if ":" in parts.hostname else parts.hostname


def session_of(request: Request) -> str:
    """The session a request was let in with; "" where no sign-in is needed."""
    return str(getattr(request.state, "session", ""))
