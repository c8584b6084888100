"""Mail over real TCP to a real server: what is taken, what is refused, and in whose words."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from rules.vocabulary import ReminderId, RiderId
from services.channels import ChannelError
from services.channels.email import EmailChannel
from services.messages.sample_letter import sample_letter
from services.queued_letter import Letter
from services.settings import Mail
from tests.mail_server import Answer, MailServer, bare_server, mail_server

QUEUED = datetime(2025, 6, 3, 18, 52, tzinfo=UTC)


def letter(**changed: Any) -> Letter:
    return Letter(
        **{
            "id": 7,
            "rider": RiderId(1),
            "channel": "email",
            "to": "ines@plateau.example",
            "subject": "Wipe and drip the chain on Plover tonight",
            "text": "Home from 1 h 35 min of wet road – left wet, it rusts by morning.\n",
            "html": "<p>Home from 1 h 35 min of wet road.</p>",
            "message_id": "<r12.0@gritledger.invalid>",
            "reminders": (ReminderId(12),),
            "queued_at": QUEUED,
            **changed,
        }
    )


def channel(server: MailServer, **changed: Any) -> EmailChannel:
    return EmailChannel(
        Mail(
            **{
                "host": server.host,
                "port": server.port,
                "sender": "Chains <chains@plateau.example>",
                "authority_file": server.authority_file,
                "timeout_s": 10.0,
                **changed,
            }
        )
    )


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_letter_arrives_encrypted_with_its_own_message_id(tmp_path: Path, security: Any) -> None:
    with mail_server(security=security, folder=tmp_path) as server:
        channel(server, security=security).send(letter())

    (received,) = server.received
    message = received.message
    assert received.encrypted
    assert (received.to, received.sender) == ("ines@plateau.example", "chains@plateau.example")
    assert message["Message-ID"] == "<r12.0@gritledger.invalid>"
    assert message["Date"].datetime == QUEUED
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834 §5
    assert message["From"] == "Chains <chains@plateau.example>"
    text, html = message.get_body(("plain",)), message.get_body(("html",))
    assert text is not None
    assert html is not None
    assert text.get_content().replace("\r\n", "\n") == letter().text
    assert html.get_content().strip() == letter().html


def test_a_repeat_is_the_same_to_the_byte(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as server:
        channel(server).send(letter())
        channel(server).send(letter(attempts=3))

    first, second = server.received
    assert first.content == second.content


def test_a_user_logs_in_and_a_wrong_password_waits_for_the_rider(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path, accounts={"chains": "right"}) as server:
        channel(server, user="chains", password=SecretStr("right")).send(letter())
        with pytest.raises(ChannelError, match=r"535 5\.7\.8 Authentication credentials invalid") as refused:
            channel(server, user="chains", password=SecretStr("wrong")).send(letter())

    assert server.received[0].user == "chains"
    assert not refused.value.permanent  # the letter is fine, the settings are not: it must not be lost
    assert refused.value.everything
    assert "password" in refused.value.try_this


def test_the_password_may_be_kept_in_a_file(tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("right\n")
    secret.chmod(0o644)
    with mail_server(folder=tmp_path, accounts={"chains": "right"}) as server:
        post = channel(server, user="chains", password_file=secret)
        post.send(letter())
        (complaint,) = post.check()
        secret.chmod(0o600)
        assert post.check() == []
        secret.unlink()
        with pytest.raises(ChannelError, match=r"password file .* cannot be read"):
            post.send(letter())

    assert "chmod 600" in complaint
    assert len(server.received) == 1


def test_a_password_that_the_login_cannot_carry_is_said_so(tmp_path: Path) -> None:
    with (
        mail_server(folder=tmp_path, accounts={"chains": "pässwort"}) as server,
        pytest.raises(ChannelError, match="letters beyond ASCII, which the login cannot carry"),
    ):
        channel(server, user="chains", password=SecretStr("pässwort")).send(letter())


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_for_another_name_is_not_trusted(tmp_path: Path, security: Any) -> None:
    with (
        mail_server(security=security, certificate_for="elsewhere.example", folder=tmp_path) as server,
        pytest.raises(
            ChannelError, match="certificate that is not to be trusted: Hostname mismatch"
        ) as trouble,
    ):
        channel(server, security=security).send(letter())

    assert server.received == []
    assert server.attempts == {}
    assert (trouble.value.permanent, trouble.value.everything) == (False, True)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_of_an_unknown_authority_is_not_trusted(tmp_path: Path, security: Any) -> None:
    with (
        mail_server(security=security, folder=tmp_path) as server,
        pytest.raises(ChannelError, match="not to be trusted: unable to get local issuer certificate"),
    ):
        channel(server, security=security, authority_file=None).send(letter())

    assert server.received == []


def test_a_server_without_encryption_gets_nothing_when_encryption_is_asked_for(tmp_path: Path) -> None:
    with mail_server(security="none") as server:
        with pytest.raises(ChannelError, match="STARTTLS extension not supported by server") as trouble:
            channel(server, security="starttls", user="chains", password=SecretStr("secret")).send(letter())
        assert "try port 465 with channels.mail.security = 'tls'" in trouble.value.try_this
        assert "nothing was sent" in trouble.value.try_this
        with pytest.raises(ChannelError, match="does not speak TLS in this way"):
            channel(server, security="tls").send(letter())

    assert server.received == []
    assert server.attempts == {}


def test_unencrypted_mail_goes_to_this_machine_and_nowhere_else(monkeypatch: pytest.MonkeyPatch) -> None:
    with mail_server(security="none") as server:
        channel(server, security="loopback only").send(letter())
        # The same server seen under an address that is not this machine's loopback.
        monkeypatch.setattr(
            "services.channels.email._socket",
            lambda _server: type("Peer", (), {"getpeername": lambda _self: ("192.0.2.7", 25)})(),
        )
        with pytest.raises(ChannelError, match=r"is not this machine \(192\.0\.2\.7\)"):
            channel(server, security="loopback only").send(letter())

    assert len(server.received) == 1


@pytest.mark.parametrize(
    ("answer", "permanent", "words"),
    [
        (Answer("rcpt", "450 4.2.1 mailbox busy, come back"), False, "450 4.2.1 mailbox busy, come back"),
        (Answer("rcpt", "550 5.1.1 nobody of that name"), True, "550 5.1.1 nobody of that name"),
        (Answer("rcpt", "421 4.3.2 closing down"), False, "421 4.3.2 closing down"),
        (Answer("data", "451 4.3.0 try later"), False, "451 4.3.0 try later"),
        (
            Answer("data", "554 5.7.1 looks like an advertisement"),
            True,
            "554 5.7.1 looks like an advertisement",
        ),
        (Answer("data", "552 5.3.4 too\tlarge"), True, "552 5.3.4 too large"),
    ],
)
def test_a_refusal_is_passed_on_in_the_servers_words(
    tmp_path: Path, answer: Answer, permanent: bool, words: str
) -> None:
    with (
        mail_server(folder=tmp_path, script=lambda _to, _n: answer) as server,
        pytest.raises(ChannelError) as refused,
    ):
        channel(server).send(letter())

    assert refused.value.permanent is permanent
    assert words in refused.value.why
    assert not refused.value.everything  # the next letter may fare better
    assert server.received == []


def test_a_connection_lost_after_the_message_is_tried_again_under_the_same_id(tmp_path: Path) -> None:
    script = lambda _to, n: Answer(drop=True) if n == 1 else Answer()  # noqa: E731
    with mail_server(folder=tmp_path, script=script) as server:
        with pytest.raises(ChannelError, match="hung up") as lost:
            channel(server).send(letter())
        channel(server).send(letter(attempts=1))

    assert not lost.value.permanent
    assert [r.message_id for r in server.received] == ["<r12.0@gritledger.invalid>"] * 2


@pytest.mark.parametrize("stage", ["rcpt", "data"])
def test_a_server_that_falls_silent_is_left_in_bounded_time(tmp_path: Path, stage: Any) -> None:
    with mail_server(folder=tmp_path, script=lambda _to, _n: Answer(stage, hang=True)) as server:
        started = time.monotonic()
        with pytest.raises(ChannelError, match="did not answer") as silence:
            channel(server, timeout_s=0.6).send(letter())

    assert time.monotonic() - started < 15
    assert (silence.value.permanent, silence.value.everything) == (False, True)


def test_a_server_that_keeps_talking_without_saying_anything_is_left_too() -> None:
    def drip(connection: Any) -> None:
        while True:
            connection.sendall(b"220-wait\r\n")
            time.sleep(0.05)

    with bare_server(drip) as port:
        started = time.monotonic()
        post = EmailChannel(
            Mail(
                host="127.0.0.1",
                port=port,
                sender="a@b.example",
                security="loopback only",
                timeout_s=0.3,
            )
        )
        with pytest.raises(ChannelError) as endless:
            post.send(letter())

    assert time.monotonic() - started < 15
    assert not endless.value.permanent


@pytest.mark.parametrize(
    ("greeting", "words"),
    [
        (b"554 no service here\r\n", "greets with a refusal: 554 no service here"),
        (b"421 too many of you\r\n", "greets with a refusal: 421 too many of you"),
        (b"HTTP/1.1 400 Bad Request\r\n", "greets with a refusal: -1"),
        (b"", "hung up"),
        (b"\xff" * 20_000, "answers 500 Line too long"),
    ],
)
def test_a_greeting_that_is_none_never_costs_a_letter(greeting: bytes, words: str) -> None:
    with bare_server(lambda connection: connection.sendall(greeting)) as port:
        post = EmailChannel(Mail(host="127.0.0.1", port=port, sender="a@b.example", security="loopback only"))
        with pytest.raises(ChannelError, match=words) as trouble:
            post.send(letter())

    assert not trouble.value.permanent


def test_a_server_that_wants_another_way_of_signing_in_is_not_called_out_of_reach() -> None:
    def talk(connection: Any) -> None:
        connection.sendall(b"220 here\r\n")
        while line := connection.recv(1000):
            if line.upper().startswith(b"EHLO"):
                connection.sendall(b"250-here\r\n250 AUTH XOAUTH2\r\n")
            else:
                connection.sendall(b"221 bye\r\n")

    with bare_server(talk) as port, pytest.raises(ChannelError) as caught:
        EmailChannel(
            Mail(
                host="127.0.0.1",
                port=port,
                sender="a@b.example",
                security="loopback only",
                user="ines",
                password=SecretStr("x"),
            )
        ).send(letter())

    assert "cannot be agreed with: No suitable authentication method found" in caught.value.why
    assert caught.value.everything
    assert not caught.value.permanent


def test_a_server_that_is_not_there_is_said_so() -> None:
    with bare_server(lambda _connection: None) as port:
        pass
    post = EmailChannel(Mail(host="127.0.0.1", port=port, sender="a@b.example", security="loopback only"))

    with pytest.raises(ChannelError, match="cannot be reached: Connection refused") as absent:
        post.send(letter())
    (complaint,) = post.check()

    assert not absent.value.permanent
    assert complaint.startswith("Mail: the mail server 127.0.0.1")


def test_a_quarrel_over_goodbye_does_not_repeat_a_delivered_letter() -> None:
    said: list[bytes] = []

    def talk(connection: Any) -> None:
        connection.sendall(b"220 here\r\n")
        file = connection.makefile("rb")
        in_data = False
        for line in file:
            said.append(line)
            if in_data:
                if line == b".\r\n":
                    in_data = False
                    connection.sendall(b"250 kept\r\n")
            elif line.upper().startswith(b"DATA"):
                in_data = True
                connection.sendall(b"354 go on\r\n")
            elif line.upper().startswith(b"QUIT"):
                connection.sendall(b"451 I will not let you go\r\n")
            else:
                connection.sendall(b"250 fine\r\n")

    with bare_server(talk) as port:
        EmailChannel(
            Mail(host="127.0.0.1", port=port, sender="a@b.example", security="loopback only", timeout_s=2)
        ).send(letter())

    assert any(line.upper().startswith(b"QUIT") for line in said)


@pytest.mark.parametrize(
    "subject",
    ["Drip\r\nBcc: everybody@else.example", "Drip\nX: y", "Drip\x00", "Drip\r\n\r\nbody", "Drip\u2028Bcc: a"],
)
def test_a_chain_named_to_forge_a_header_forges_nothing(tmp_path: Path, subject: str) -> None:
    with mail_server(folder=tmp_path) as server:
        channel(server).send(letter(subject=subject))

    (received,) = server.received
    assert set(received.message.keys()) == {
        "Message-ID", "Date", "From", "To", "Subject", "Auto-Submitted", "X-Auto-Response-Suppress",
        "MIME-Version", "Content-Type",
    }  # fmt: skip
    assert received.message["Subject"].startswith("Drip")


@pytest.mark.parametrize(
    "to",
    [
        "",
        "nobody",
        "a@b.example\r\nBcc: c@d.example",
        "a@b.example, c@d.example",
        "@b.example",
        "a@",
        "a b@c.example",
    ],
)
def test_an_address_that_is_none_is_refused_before_anything_is_said(tmp_path: Path, to: str) -> None:
    with (
        mail_server(folder=tmp_path) as server,
        pytest.raises(ChannelError, match="the rider's address cannot be used") as refused,
    ):
        channel(server).send(letter(to=to))

    assert refused.value.permanent
    assert server.connections == 0


def test_a_domain_with_an_accent_goes_out_in_its_ascii_form(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as server:
        channel(server).send(letter(to="ines@hochfläche.example"))
        with pytest.raises(ChannelError, match="letters beyond ASCII before the @") as accent:
            channel(server).send(letter(to="inés@plateau.example"))

    # Python's idna codec implements RFC 3490; the ASCII form by hand: "hochfl\u00e4che" -> xn--hochflche-02a
    assert server.received[0].to == "ines@" + "hochfläche".encode("idna").decode() + ".example"
    assert server.received[0].to.startswith("ines@xn--hochflche-")
    assert accent.value.permanent


def test_a_trial_letter_says_that_nothing_is_due(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as server:
        post = channel(server)
        assert post.check() == []
        post.send(sample_letter("email", "ines@plateau.example", now=QUEUED))

    (received,) = server.received
    assert "test" in received.message["Subject"]
    assert "Nothing is due" in received.message.get_content()


def test_settings_that_cannot_work_are_named(tmp_path: Path) -> None:
    with mail_server(folder=tmp_path) as server:
        complaints = channel(server, sender="nobody", password=SecretStr("x")).check()

    assert len(complaints) == 2
    assert "The sender cannot be used: 'nobody' is not a mail address" in complaints[0]
    assert "password but no user" in complaints[1]
