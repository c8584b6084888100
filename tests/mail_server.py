"""A real mail server on a free port of this machine, that answers as a test tells it to."""

from __future__ import annotations

import asyncio
import email
import email.policy
import socket
import ssl
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from typing import Any, Literal

import trustme
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session


@dataclass(frozen=True, slots=True)
class Answer:
    """What the server does with one attempt to hand it a message.

    reply: instead of success, at `stage`. hang: no answer until the client leaves. drop: hangs up without an
    answer; at "data" that is after the whole message was received and kept, which is how duplicates arise.
    slow_s: takes its time before it answers.
    """

    stage: Literal["mail", "rcpt", "data"] = "data"
    reply: str | None = None
    hang: bool = False
    drop: bool = False
    slow_s: float = 0.0


TAKE = Answer()
Script = Callable[[str, int], Answer]  # (address, number of the attempt from 1) -> what to do


@dataclass(frozen=True, slots=True)
class Received:
    """A message as the server kept it."""

    to: str
    sender: str
    content: bytes
    encrypted: bool
    user: str | None

    @property
    def message(self) -> EmailMessage:
        """The message, parsed."""
        parsed = email.message_from_bytes(self.content, policy=email.policy.default)
        assert isinstance(parsed, EmailMessage)
        return parsed

    @property
    def message_id(self) -> str:
        """Its Message-ID header."""
        return str(self.message["Message-ID"])


@dataclass
class MailServer:
    """Where it listens and what it has seen."""

    host: str
    port: int
    authority_file: Path | None
    received: list[Received] = field(default_factory=list)
    attempts: Counter[str] = field(default_factory=Counter)
    connections: int = 0
    script: Script = lambda _address, _attempt: TAKE


class _Handler:
    def __init__(self, server: MailServer) -> None:
        self.server = server

    async def handle_RCPT(
        self, protocol: SMTP, session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        self.server.attempts[address] += 1
        answer = self.server.script(address, self.server.attempts[address])
        session.answer = answer  # type: ignore[attr-defined] - ours, carried to handle_DATA
        if answer.stage == "rcpt" and (said := await _say(answer, protocol)):
            return said
        envelope.rcpt_tos.append(address)
        return "250 fine"

    async def handle_DATA(self, protocol: SMTP, session: Session, envelope: Envelope) -> str:
        answer: Answer = session.answer  # type: ignore[attr-defined]
        if answer.stage == "data" and (answer.reply or answer.hang):
            return await _say(answer, protocol) or "250 never reached"
        assert isinstance(envelope.content, bytes)
        self.server.received.append(
            Received(
                to=envelope.rcpt_tos[0],
                sender=envelope.mail_from or "",
                content=envelope.content,
                encrypted=protocol.transport.get_extra_info("sslcontext") is not None,
                user=session.auth_data if session.authenticated else None,
            )
        )
        return await _say(answer, protocol) or "250 kept"


async def _say(answer: Answer, protocol: SMTP) -> str | None:
    await asyncio.sleep(answer.slow_s)
    if answer.hang:
        await asyncio.sleep(600)  # ended when the client hangs up
    if answer.drop:
        protocol.transport.abort()
        await asyncio.sleep(600)
    return answer.reply


def _authenticate(known: dict[str, str]) -> Any:
    def decide(
        _server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: Any
    ) -> AuthResult:
        user, password = data.login.decode(), data.password.decode()
        return AuthResult(success=known.get(user) == password, handled=False, auth_data=user)

    return decide


@contextmanager
def mail_server(
    *,
    security: Literal["starttls", "tls", "none"] = "starttls",
    certificate_for: str = "localhost",
    accounts: dict[str, str] | None = None,
    script: Script | None = None,
    folder: Path | None = None,
) -> Iterator[MailServer]:
    """A running server at localhost.

    certificate_for: another name makes it a certificate that must not be trusted. accounts: user -> password;
    with accounts, nobody may send without logging in. folder: where the certificate authority's file is put.
    """
    context = None
    authority_file = None
    if security != "none":
        assert folder is not None, "an encrypted server needs a folder for its authority's file"
        authority = trustme.CA()
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        authority.issue_cert(certificate_for).configure_cert(context)
        authority_file = folder / f"authority-{certificate_for}.pem"
        authority.cert_pem.write_to_path(str(authority_file))

    state = MailServer("localhost", 0, authority_file)
    if script is not None:
        state.script = script

    def protocol() -> SMTP:
        state.connections += 1
        return SMTP(
            _Handler(state),
            hostname="localhost",
            enable_SMTPUTF8=False,
            tls_context=context if security == "starttls" else None,
            require_starttls=security == "starttls",
            authenticator=_authenticate(accounts) if accounts else None,
            auth_required=bool(accounts),
            auth_require_tls=security == "starttls",
            loop=loop,
        )

    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="mail server", daemon=True)
    thread.start()

    async def start() -> asyncio.Server:
        # With the protocol named, asyncio switches off the pause that gathers small packets.
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        listening.bind(("127.0.0.1", 0))
        return await loop.create_server(protocol, sock=listening, ssl=context if security == "tls" else None)

    server = asyncio.run_coroutine_threadsafe(start(), loop).result(60)
    state.port = server.sockets[0].getsockname()[1]

    async def stop() -> None:
        server.close()
        running = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)

    try:
        yield state
    finally:
        asyncio.run_coroutine_threadsafe(stop(), loop).result(60)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


@contextmanager
def bare_server(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    """A port where every connection is handed to `talk`: for greetings no proper server would give."""
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(0.1)
    over = threading.Event()

    def serve() -> None:
        while not over.is_set():
            try:
                connection, _ = listening.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with connection:
                try:
                    talk(connection)
                except OSError:
                    continue  # the client left first

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        over.set()
        thread.join(10)
        listening.close()
