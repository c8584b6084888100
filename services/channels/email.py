"""Mail over SMTP: encrypted and verified, or to this very machine."""

from __future__ import annotations

import ipaddress
import smtplib
import socket
import ssl
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Any

from services.channels import ChannelError, one_line
from services.channels.mail_message import address, as_mail
from services.queued_letter import Letter
from services.settings import Mail

# One slow answer may take as long as the settings say; a whole conversation this many times as long.
CONVERSATION_TIMEOUTS = 4

# How we introduce ourselves: an address literal (RFC 5321 §4.1.3) needs no name service, which can stall,
# and does not give this machine's name away.
_US = "[127.0.0.1]"


class _Bounded(smtplib.SMTP):
    """A conversation that ends, even when the server keeps it alive byte by byte. Greeted in the clear."""

    def connect(self, *where: Any, **how: Any) -> tuple[int, bytes]:
        self._end = threading.Timer(float(self.timeout) * CONVERSATION_TIMEOUTS, self._hang_up)
        self._end.daemon = True
        self._end.start()
        try:
            return super().connect(*where, **how)
        except BaseException:
            self._end.cancel()
            raise

    def close(self) -> None:
        self._end.cancel()
        super().close()

    def _hang_up(self) -> None:
        if self.sock is not None:
            with suppress(OSError):
                self.sock.shutdown(socket.SHUT_RDWR)


class _Encrypted(_Bounded, smtplib.SMTP_SSL):
    """TLS from the first byte."""


class EmailChannel:
    """Hands letters to a mail server. A fresh connection each: reminders are few and hours apart."""

    name = "email"

    def __init__(self, settings: Mail) -> None:
        self.settings = settings
        self._trusted: ssl.SSLContext | None = None

    def send(self, letter: Letter) -> None:
        """Return once the server has answered the message with a success.

        Raises ChannelError: permanent when the server refused this sender, rider or message for good (5xx);
        passing for 4xx, silence, a lost connection or no trust; in the server's own words where it had any.
        A connection lost after the message was handed over is passing: the repeat has the same Message-ID.
        """
        mail = as_mail(letter, sender=self.settings.sender, now=datetime.now(UTC))
        with self._conversation() as server:
            _hand_over(server, mail, sender=address(self.settings.sender).addr_spec)

    def check(self) -> list[str]:
        """What is wrong as far as can be seen without sending: addresses, password, trust, no answer."""
        found = []
        try:
            address(self.settings.sender)
        except ValueError as error:
            found.append(f"The sender cannot be used: {error}.")
        file = self.settings.password_file
        if file is not None and file.exists() and stat.S_IMODE(file.stat().st_mode) & 0o077:
            found.append(f"The password file {file} can be read by others; chmod 600 it.")
        if (self.settings.password or file) and not self.settings.user:
            found.append("There is a password but no user; set channels.mail.user.")
        if not found:
            try:
                with self._conversation():
                    pass
            except ChannelError as error:
                found.append(f"Mail: {error}.")
        return found

    @contextmanager
    def _conversation(self) -> Iterator[smtplib.SMTP]:
        """A greeted, encrypted, logged-in server; all that can go wrong on the way becomes a ChannelError."""
        server: _Bounded | None = None
        try:
            server = self._connect()
            self._encrypt(server)
            self._log_in(server)
            yield server
        except (smtplib.SMTPException, OSError) as error:
            raise self._trouble(error) from error
        finally:
            if server is not None:
                # The letter's fate is settled by now: a quarrel over goodbye changes nothing.
                with suppress(smtplib.SMTPException, OSError):
                    server.quit()
                server.close()

    def _trouble(self, error: smtplib.SMTPException | OSError) -> ChannelError:
        """What went wrong, what may help, and whether it holds up every letter: the narrowest case first."""
        where = f"the mail server {self.settings.host}:{self.settings.port}"
        try_this, everything = "", True
        match error:
            case ssl.SSLCertVerificationError():
                self._trusted = None  # the authorities on disk may be renewed before the next try
                why = f"shows a certificate that is not to be trusted: {one_line(error.verify_message)}"
                try_this = (
                    "nothing was sent; check channels.mail.host, or name your own authority in "
                    "channels.mail.authority_file"
                )
            case ssl.SSLError():
                why = f"does not speak TLS in this way: {one_line(error.reason or str(error))}"
                try_this = (
                    "try channels.mail.security = 'starttls' (often port 587) or 'tls' (often port 465)"
                )
            case smtplib.SMTPNotSupportedError():
                why = f"cannot do what is needed: {one_line(str(error)).rstrip('.')}"
                try_this = f"{self._other_way(error)}; nothing was sent"
            case smtplib.SMTPAuthenticationError():
                why = f"does not accept the user and password: {_words(error.smtp_code, error.smtp_error)}"
                try_this = "correct channels.mail.user and the password"
            case smtplib.SMTPConnectError():
                why = f"greets with a refusal: {_words(error.smtp_code, error.smtp_error)}"
            case TimeoutError() | smtplib.SMTPServerDisconnected(__context__=TimeoutError()):
                why = f"did not answer for {self.settings.timeout_s:g} seconds"
            case smtplib.SMTPServerDisconnected():
                why, everything = f"hung up: {one_line(str(error))}", False
            case smtplib.SMTPResponseException():
                why, everything = f"answers {_words(error.smtp_code, error.smtp_error)}", False
            case smtplib.SMTPException():
                why = f"cannot be agreed with: {one_line(str(error)).rstrip('.')}"
                try_this = "ask the server's owner for another way to sign in"
            case socket.gaierror():
                why = f"cannot be found: {one_line(error.strerror or str(error))}"
                try_this = "check channels.mail.host and the network"
            case _:
                why = f"cannot be reached: {one_line(error.strerror or str(error))}"
                try_this = "check that it runs, and channels.mail.port"
        return ChannelError(f"{where} {why}", try_this=try_this, everything=everything)

    def _other_way(self, error: smtplib.SMTPNotSupportedError) -> str:
        """What to set where a server lacks what these settings ask of it."""
        if "AUTH" in str(error):
            return (
                "it takes no user and password at this port: try port 465 with "
                "channels.mail.security = 'tls', or take channels.mail.user away"
            )
        return (
            f"it offers no STARTTLS at port {self.settings.port}: try port 465 with "
            "channels.mail.security = 'tls', or port 587; for a mail server on this very machine, "
            "'loopback only'"
        )

    def _connect(self) -> _Bounded:
        host, port, timeout_s = self.settings.host, self.settings.port, self.settings.timeout_s
        if self.settings.security == "tls":
            return _Encrypted(host, port, _US, timeout=timeout_s, context=self._trust())
        return _Bounded(host, port, _US, timeout=timeout_s)

    def _encrypt(self, server: smtplib.SMTP) -> None:
        if self.settings.security == "starttls":
            server.ehlo_or_helo_if_needed()
            server.starttls(context=self._trust())
            server.ehlo()
        elif self.settings.security == "loopback only":
            peer = ipaddress.ip_address(_socket(server).getpeername()[0].split("%")[0])
            if not peer.is_loopback:
                raise ChannelError(
                    f"{self.settings.host} is not this machine ({peer}), and mail to it is not encrypted",
                    try_this="set channels.mail.security to 'starttls' or 'tls'; nothing was sent",
                    everything=True,
                )

    def _log_in(self, server: smtplib.SMTP) -> None:
        if not self.settings.user:
            return
        try:
            password = (
                self.settings.password_file.read_text(encoding="utf-8").rstrip("\r\n")
                if self.settings.password_file
                else self.settings.password.get_secret_value()
                if self.settings.password
                else ""
            )
        except (OSError, UnicodeDecodeError) as error:
            raise ChannelError(
                f"the password file {self.settings.password_file} cannot be read: {one_line(str(error))}",
                try_this="correct channels.mail.password_file",
                everything=True,
            ) from error
        try:
            server.login(self.settings.user, password)
        except UnicodeEncodeError as error:
            raise ChannelError(
                "the mail user or password has letters beyond ASCII, which the login cannot carry",
                try_this="choose a password of plain letters, digits and signs",
                everything=True,
            ) from error

    def _trust(self) -> ssl.SSLContext:
        if self._trusted is not None:
            return self._trusted
        context = ssl.create_default_context()
        if self.settings.authority_file is not None:
            try:
                context.load_verify_locations(cafile=self.settings.authority_file)
            except OSError as error:  # ssl.SSLError is one: not a certificate at all
                raise ChannelError(
                    f"the authority file {self.settings.authority_file} is no use: {one_line(str(error))}",
                    try_this="name a PEM file in channels.mail.authority_file; nothing was sent",
                    everything=True,
                ) from error
        self._trusted = context
        return context


def _hand_over(server: smtplib.SMTP, mail: EmailMessage, *, sender: str) -> None:
    """Say sender, rider and message. A refusal for good of any of the three is permanent, word for word."""
    try:
        server.send_message(mail, from_addr=sender)
    except smtplib.SMTPRecipientsRefused as error:
        code, answer = next(iter(error.recipients.values()))
        raise _refusal("the rider's address", code, answer, "correct the rider's address") from error
    except smtplib.SMTPSenderRefused as error:
        raise _refusal(
            "the sender", error.smtp_code, error.smtp_error, "correct channels.mail.sender"
        ) from error
    except smtplib.SMTPDataError as error:
        raise _refusal("the message", error.smtp_code, error.smtp_error, "ask the server's owner") from error


def _refusal(what: str, code: int, answer: bytes | str, try_this: str) -> ChannelError:
    words = _words(code, answer)
    if 500 <= code <= 599:
        return ChannelError(f"the mail server refuses {what}: {words}", permanent=True, try_this=try_this)
    return ChannelError(f"the mail server does not take {what} now: {words}")


def _words(code: int, answer: bytes | str) -> str:
    text = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
    return one_line(f"{code} {text}")


def _socket(server: smtplib.SMTP) -> socket.socket:
    if server.sock is None:
        raise smtplib.SMTPServerDisconnected("the connection is gone")
    return server.sock
