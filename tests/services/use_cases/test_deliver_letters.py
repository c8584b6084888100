"""The outbox against real channels: nothing lost, nothing told too early, nothing repeated without need."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rules.reminder import Reminder, ReminderKind, Step
from rules.vocabulary import ReminderId, RiderId
from services.channels import Channel, ChannelError
from services.channels.email import CONVERSATION_TIMEOUTS, EmailChannel
from services.queued_letter import Letter
from services.settings import Command, Mail
from services.store import Store
from services.use_cases.deliver_letters import LEASE_S, deliver_waiting, next_try
from tests.forked import Program
from tests.mail_server import TAKE, Answer, MailServer, mail_server
from tests.put_into import into

NOW = datetime(2025, 6, 3, 19, 4, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "gritledger.db") as opened:
        yield opened


def queue(store: Store, count: int, *, channel: str = "email", first: int = 0) -> list[Letter]:
    """Reminders of one chain, each with its letter, as one round raises them."""
    letters = []
    with store.writing() as tx:
        rider = tx.equipment.riders()[0] if tx.equipment.riders() else into(tx).add_rider("Ines")
        bike = tx.equipment.bikes()[0] if tx.equipment.bikes() else into(tx).add_bike("Plover", rider.id)
        chain = tx.equipment.chains()[0] if tx.equipment.chains() else into(tx).add_chain("Copper")
        for n in range(first, first + count):
            reminder = Reminder(
                key=f"drip:{chain.id}:treatment {n}",
                kind=ReminderKind.DRIP,
                chain=chain.id,
                rider=rider.id,
                bike=bike.id,
                cause_at=NOW,
                headline="Drip the chain Copper on Plover",
                sentence="Copper has 12.4 grit-hours since the drip of 20 May 2025; the limit is 12.",
                total=12.4,
                limit=12.0,
                unit="grit-hours",
                unknown_h=0.0,
                reasons=(),
                rulebook_version="test",
            )
            raised = tx.reminders.raise_(reminder, NOW, "the round")
            letter = Letter(
                id=0,
                rider=RiderId(rider.id),
                channel=channel,
                to=f"rider{n}@plateau.example",
                subject=f"Drip the chain Copper on Plover, {n}",
                text="Copper has 12.4 grit-hours since the drip.\n",
                html="",
                message_id=f"<letter{n}@gritledger.invalid>",
                reminders=(raised.id,),
            )
            letters.append(tx.outbox.queue(letter, at=NOW))
    return letters


def post(server: MailServer, *, timeout_s: float = 0.3, trusting: bool = True) -> dict[str, Channel]:
    return {
        "email": EmailChannel(
            Mail(
                host=server.host,
                port=server.port,
                sender="chains@plateau.example",
                authority_file=server.authority_file if trusting else None,
                timeout_s=timeout_s,
            )
        )
    }


class Recorder:
    """A channel of the test's own, for what the store and the pump do by themselves."""

    name = "email"

    def __init__(self, *answers: ChannelError | Exception | None) -> None:
        self.sent: list[Letter] = []
        self.answers = list(answers)

    def send(self, letter: Letter) -> None:
        answer = self.answers.pop(0) if self.answers else None
        if answer is not None:
            raise answer
        self.sent.append(letter)

    def check(self) -> list[str]:
        return []


def steps_told(store: Store, letter: Letter) -> int:
    with store.reading() as tx:
        return sum(s.step is Step.TOLD for s in tx.reminders.get(letter.reminders[0]).steps)


def test_a_letter_that_the_channel_took_is_told_once(store: Store) -> None:
    (letter,) = queue(store, 1)
    channel = Recorder()

    report = deliver_waiting(store, {"email": channel}, now=NOW)
    again = deliver_waiting(store, {"email": channel}, now=NOW + timedelta(days=1))

    assert [sent.message_id for sent in channel.sent] == [letter.message_id]
    assert (len(report.delivered), report.waiting, report.refused) == (1, 0, 0)
    assert again.delivered == ()
    assert steps_told(store, letter) == 1
    assert report.sentences() == ["1 letter delivered."]


def test_nothing_is_told_before_the_channel_said_so(store: Store) -> None:
    (letter,) = queue(store, 1)
    told_while_sending: list[int] = []

    class Slow(Recorder):
        def send(self, letter: Letter) -> None:
            told_while_sending.append(steps_told(store, letter))

    deliver_waiting(store, {"email": Slow()}, now=NOW)

    assert told_while_sending == [0]
    assert steps_told(store, letter) == 1


def test_a_passing_failure_waits_longer_each_time(store: Store) -> None:
    (letter,) = queue(store, 1)
    channel = Recorder(*[ChannelError("451 busy") for _ in range(3)])
    moments = []
    now = NOW
    for _ in range(3):
        report = deliver_waiting(store, {"email": channel}, now=now)
        (failed,) = report.not_delivered
        assert failed.try_at is not None
        assert report.sentences() == ["1 letter by email waiting and tried again: 451 busy."]
        moments.append(round((failed.try_at - now).total_seconds()))
        too_early = deliver_waiting(store, {"email": channel}, now=failed.try_at - timedelta(seconds=2))
        assert (too_early.delivered, too_early.not_delivered, too_early.waiting) == ((), (), 1)
        now = failed.try_at + timedelta(seconds=1)

    assert moments == [60, 120, 240]
    assert steps_told(store, letter) == 0
    with store.reading() as tx:
        assert tx.outbox.waiting()[0].last_why == "451 busy"
    assert len(deliver_waiting(store, {"email": channel}, now=now).delivered) == 1


def test_a_refusal_for_good_is_shown_and_never_repeated(store: Store) -> None:
    (letter,) = queue(store, 1)
    channel = Recorder(
        ChannelError("550 nobody of that name", permanent=True, try_this="correct the address")
    )

    report = deliver_waiting(store, {"email": channel}, now=NOW)
    later = deliver_waiting(store, {"email": channel}, now=NOW + timedelta(days=30))

    assert (report.refused, report.waiting) == (1, 0)
    assert later.refused == 1
    assert channel.sent == []
    assert steps_told(store, letter) == 0
    with store.reading() as tx:
        assert tx.outbox.refused()[0].last_why == "550 nobody of that name; correct the address"
    assert "refused and not repeated: 550 nobody of that name" in report.sentences()[0]


def test_a_channel_that_is_down_is_asked_once_a_run_and_holds_up_no_other(store: Store) -> None:
    queue(store, 5)
    queue(store, 2, channel="desktop", first=5)
    asked = []

    class Down(Recorder):
        def send(self, letter: Letter) -> None:
            asked.append(letter)
            raise ChannelError("the server cannot be reached", everything=True)

    report = deliver_waiting(store, {"email": Down(), "desktop": Recorder()}, now=NOW)

    assert len(asked) == 1
    assert len(report.delivered) == 2
    assert report.waiting == 5
    assert report.sentences() == [
        "2 letters delivered.",
        "5 letters by email waiting and tried again: the server cannot be reached.",
    ]


def test_a_mistake_of_ours_neither_loses_the_letter_nor_stops_the_rest(store: Store) -> None:
    queue(store, 2)
    channel = Recorder(ZeroDivisionError("division by zero"))

    report = deliver_waiting(store, {"email": channel}, now=NOW)

    assert len(report.delivered) == 1
    assert report.waiting == 1
    assert "gritledger stumbled: ZeroDivisionError: division by zero" in report.not_delivered[0].why


def test_a_letter_for_a_channel_that_was_taken_away_waits_and_says_so(store: Store) -> None:
    queue(store, 1)

    report = deliver_waiting(store, {}, now=NOW)

    assert report.waiting == 1
    assert "the channel 'email' is not set up" in report.not_delivered[0].why


def test_a_run_ends_in_time_and_the_next_one_goes_on(store: Store) -> None:
    queue(store, 6)

    class Slow(Recorder):
        def send(self, letter: Letter) -> None:
            time.sleep(0.1)
            super().send(letter)

    first = deliver_waiting(store, {"email": Slow()}, now=NOW, within_s=0.25)
    second = deliver_waiting(store, {"email": Slow()}, now=NOW + timedelta(seconds=60))

    assert 1 <= len(first.delivered) <= 4
    assert len(first.delivered) + len(second.delivered) == 6


def test_whoever_dies_while_sending_leaves_a_lease_that_runs_out(store: Store) -> None:
    (letter,) = queue(store, 1)

    class Dies(Recorder):
        def send(self, letter: Letter) -> None:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        deliver_waiting(store, {"email": Dies()}, now=NOW)
    channel = Recorder()
    soon = deliver_waiting(store, {"email": channel}, now=NOW + timedelta(seconds=200))
    later = deliver_waiting(store, {"email": channel}, now=NOW + timedelta(seconds=400))

    assert (len(soon.delivered), soon.waiting) == (0, 1)
    assert [sent.message_id for sent in later.delivered] == [letter.message_id]
    assert later.delivered[0].attempts == 1  # the attempt that died counts


def test_the_database_locked_by_another_program_repeats_nothing(store: Store, tmp_path: Path) -> None:
    import sqlite3

    (letter,) = queue(store, 1)
    intruder = sqlite3.connect(store.path or "", check_same_thread=False, isolation_level=None)

    class Locks(Recorder):
        def send(self, letter: Letter) -> None:
            super().send(letter)
            intruder.execute("BEGIN IMMEDIATE")
            threading.Timer(1.0, intruder.execute, ["COMMIT"]).start()

    channel = Locks()
    report = deliver_waiting(store, {"email": channel}, now=NOW)
    intruder.close()

    assert len(report.delivered) == 1
    assert len(channel.sent) == 1
    assert steps_told(store, letter) == 1


@given(st.integers(min_value=1, max_value=10_000))
def test_a_pause_is_a_minute_at_least_six_hours_at_most_and_never_shrinks(attempts: int) -> None:
    pause = next_try(attempts, NOW) - NOW

    assert timedelta(minutes=1) <= pause <= timedelta(hours=6)
    assert next_try(attempts + 1, NOW) - NOW >= pause


def test_the_pauses_double() -> None:
    pauses = [(next_try(n, NOW) - NOW).total_seconds() / 60 for n in range(1, 12)]

    assert pauses == [1, 2, 4, 8, 16, 32, 64, 128, 256, 360, 360]


def test_no_channel_may_take_longer_than_a_lease_lasts() -> None:
    with pytest.raises(ValidationError, match="less than or equal to 60"):
        Mail(host="localhost", sender="a@b.example", timeout_s=61)
    with pytest.raises(ValidationError, match="less than or equal to 60"):
        Command(argv=["tell"], timeout_s=61)

    assert 60 * CONVERSATION_TIMEOUTS < LEASE_S


PUMP = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from services.channels.email import EmailChannel
from services.settings import Mail
from services.store import Store
from services.use_cases.deliver_letters import deliver_waiting
database, port, authority = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3])
told = Mail(
    host="localhost", port=port, sender="chains@plateau.example", authority_file=authority, timeout_s=5
)
with Store.open(database) as store:
    for _ in range(2):
        deliver_waiting(store, {"email": EmailChannel(told)}, now=datetime.now(UTC))
"""


def test_three_processes_at_once_send_every_letter_exactly_once(store: Store, tmp_path: Path) -> None:
    letters = queue(store, 60)
    with mail_server(folder=tmp_path) as server:
        asked = (str(store.path), str(server.port), str(server.authority_file))
        pumps = [Program(PUMP, *asked) for _ in range(3)]
        assert [pump.wait(60) for pump in pumps] == [0, 0, 0]

    assert Counter(r.message_id for r in server.received) == Counter(letter.message_id for letter in letters)
    with store.reading() as tx:
        assert tx.outbox.waiting() == ()
    assert all(steps_told(store, letter) == 1 for letter in letters)


# What the server does with the letter of this number: (how many of them, answers of its attempts, then TAKE).
NASTY: Sequence[tuple[int, tuple[Answer, ...]]] = (
    (56, ()),
    (10, (Answer("data", "451 4.3.0 try later"),) * 2),
    (6, (Answer("rcpt", "450 4.2.1 mailbox busy"),)),
    (2, (Answer("data", "452 4.3.1 no room"),) * 5),
    (2, (Answer("rcpt", "421 4.3.2 closing down"),)),
    (10, (Answer("rcpt", "550 5.1.1 nobody of that name"),)),
    (5, (Answer("data", "554 5.7.1 looks like an advertisement"),)),
    (6, (Answer("data", drop=True),)),
    (1, (Answer("rcpt", drop=True),)),
    (1, (Answer("data", hang=True),)),
    (1, (Answer("rcpt", hang=True),)),
)


@pytest.mark.slow
def test_a_hundred_letters_to_a_nasty_server_are_delivered_or_refused_in_its_words(
    store: Store, tmp_path: Path
) -> None:
    fates = [answers for share, answers in NASTY for _ in range(share)]
    random.Random(6).shuffle(fates)
    letters = queue(store, 100)

    def script(address: str, attempt: int) -> Answer:
        answers = fates[int(address.removeprefix("rider").split("@")[0])]
        if answers and answers[0].reply and answers[0].reply.startswith("5"):
            return answers[0]
        return answers[attempt - 1] if attempt <= len(answers) else TAKE

    now = NOW
    with mail_server(folder=tmp_path, certificate_for="elsewhere.example") as impostor:
        first = deliver_waiting(store, post(impostor), now=now)
    assert (first.waiting, first.refused) == (100, 0)
    assert "certificate that is not to be trusted" in first.not_delivered[0].why
    assert impostor.received == []

    with mail_server(folder=tmp_path, script=script) as server:
        rounds = 0
        while (report := deliver_waiting(store, post(server), now=now, within_s=20)).waiting:
            rounds += 1
            assert rounds < 200, report.sentences()
            now += timedelta(hours=7)

    refused_for = {
        n: fate[0].reply for n, fate in enumerate(fates) if fate and (fate[0].reply or "")[:1] == "5"
    }
    dropped = {n for n, fate in enumerate(fates) if fate == (Answer("data", drop=True),)}
    received = Counter(r.message_id for r in server.received)
    with store.reading() as tx:
        refused = {p.letter.message_id: p.last_why for p in tx.outbox.refused()}
        delivered = {p.letter.message_id for p in tx.outbox.sent()}
    print(
        f"\n100 letters, {rounds} rounds: {len(delivered)} delivered, {len(refused)} refused, "
        f"{sum(server.attempts.values())} attempts, {sum(received.values()) - len(received)} repeats"
    )

    assert len(refused) == len(refused_for) == 15
    assert len(delivered) == 85
    for n, letter in enumerate(letters):
        if n in refused_for:
            assert refused_for[n] in refused[letter.message_id]  # the server's words
            assert received[letter.message_id] == 0
            assert server.attempts[letter.to] == 1  # never repeated
        else:
            assert letter.message_id in delivered
            # Only a connection lost after the message was handed over repeats it, with its Message-ID.
            assert received[letter.message_id] == (2 if n in dropped else 1)
    with store.reading() as tx:
        told = {r.id for r in tx.reminders.all_() if any(s.step is Step.TOLD for s in r.steps)}
    assert told == {
        ReminderId(letter.reminders[0]) for n, letter in enumerate(letters) if n not in refused_for
    }
