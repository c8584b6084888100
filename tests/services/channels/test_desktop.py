"""A bubble on a real session bus; success only when the desktop said so."""

from __future__ import annotations

import builtins
import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from rules.reminder import Reason, Reminder, ReminderKind, Step
from rules.vocabulary import ReminderId, RiderId
from services.app import App
from services.channels import ChannelError
from services.channels import desktop as desktop_module
from services.channels.desktop import DesktopChannel
from services.queued_letter import Letter
from services.settings import Settings
from services.wiring import channels_of

pytest.importorskip("desktop_notifier", reason="install the desktop extra: pip install 'gritledger[desktop]'")
pytest.importorskip(
    "dbus_fast", reason="the session bus is a Linux notion; dbus-fast comes with the extra there"
)

from tests.notification_daemon import (
    BUS_VARIABLE,
    Desktop,
    desktop,
    have,
    notification_service,
    session_bus,
)
from tests.put_into import into

needs_bus = pytest.mark.skipif(
    not have("dbus-daemon"), reason="no dbus-daemon here: apt-get install dbus, then it runs"
)

LETTER = Letter(
    id=1,
    rider=RiderId(1),
    channel="desktop",
    to="",
    subject="Wipe and drip the chain on Plover tonight",
    text="4.1 mm fell at 17:00 & more; <b>left wet</b>, it rusts.",
    html="",
    message_id="<r12.0@gritledger.invalid>",
    reminders=(ReminderId(12), ReminderId(13)),
)


@pytest.fixture
def screen() -> Iterator[Desktop]:
    with desktop() as running:
        yield running


@needs_bus
def test_a_letter_becomes_one_bubble_with_plain_text(screen: Desktop) -> None:
    DesktopChannel().send(LETTER)

    (bubble,) = screen.shown
    assert (bubble.app, bubble.title) == ("gritledger", "Wipe and drip the chain on Plover tonight")
    assert bubble.body == "4.1 mm fell at 17:00 ＆ more; ‹b›left wet‹/b›, it rusts."
    assert "done" not in bubble.actions


@needs_bus
def test_done_is_pressed_long_after_the_sending(screen: Desktop) -> None:
    pressed: list[tuple[ReminderId, ...]] = []
    came = threading.Event()
    channel = DesktopChannel(on_done=lambda reminders: (pressed.append(reminders), came.set())[0])
    channel.send(LETTER)
    channel.send(LETTER)

    assert screen.shown[0].actions[-2:] == ("done", "Done")
    assert "put_off" not in screen.shown[0].actions  # nobody is there to take it
    screen.press(1, "done")

    assert came.wait(60)
    assert pressed == [(ReminderId(12), ReminderId(13))]


@needs_bus
def test_its_buttons_have_the_words_of_the_mails_links(screen: Desktop) -> None:
    pressed: list[tuple[ReminderId, ...]] = []
    came = threading.Event()
    channel = DesktopChannel(
        on_done=pressed.append, on_put_off=lambda reminders: (pressed.append(reminders), came.set())[0]
    )
    facts = {"done": "Wiped and dripped", "put_off": "Put off"}
    channel.send(Letter(**{**_fields(LETTER), "facts": json.dumps(facts)}))
    assert screen.shown[0].actions[-4:] == ("done", "Wiped and dripped", "put_off", "Put off")
    screen.press(1, "put_off")
    assert came.wait(60)
    assert pressed == [LETTER.reminders]

    # What needs a figure cannot be said by a button.
    channel.send(Letter(**{**_fields(LETTER), "facts": json.dumps({**facts, "done": ""})}))
    assert "done" not in screen.shown[-1].actions


@needs_bus
def test_a_long_text_is_cut_at_a_readable_length(screen: Desktop) -> None:
    DesktopChannel().send(Letter(**{**_fields(LETTER), "text": "wet " * 500}))

    assert len(screen.shown[0].body) <= 280
    assert screen.shown[0].body.endswith("…")


@needs_bus
def test_a_bus_without_a_notification_service_is_a_passing_failure_in_words() -> None:
    with session_bus() as address:
        channel = DesktopChannel()
        with pytest.raises(ChannelError, match="no desktop took the notification") as absent:
            channel.send(LETTER)
        (complaint,) = channel.check()
        # The rider logs in: the same channel finds the desktop that was missing.
        with notification_service(address) as screen:
            assert channel.check() == []
            channel.send(LETTER)
            assert len(screen.shown) == 1

    assert (absent.value.permanent, absent.value.everything) == (False, True)
    assert "log in to a desktop session" in absent.value.try_this
    assert "org.freedesktop.Notifications" in complaint


def test_no_session_bus_at_all_is_a_passing_failure_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(BUS_VARIABLE, "unix:path=/nowhere/bus")

    with pytest.raises(ChannelError, match=r"no desktop took the notification \(.*No such file") as absent:
        DesktopChannel().send(LETTER)

    assert not absent.value.permanent


@needs_bus
def test_a_desktop_that_does_not_answer_is_left_in_bounded_time(
    screen: Desktop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(desktop_module, "_ANSWER_WITHIN_S", 0.3)
    screen.slowness_s = 60.0
    started = time.monotonic()

    with pytest.raises(ChannelError, match="no answer for 0 seconds"):
        DesktopChannel().send(LETTER)

    assert time.monotonic() - started < 15


def test_a_backend_that_only_pretends_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from desktop_notifier.backends.dummy import DummyNotificationCenter

    monkeypatch.setattr("desktop_notifier.main.get_backend_class", lambda: DummyNotificationCenter)

    with pytest.raises(ChannelError, match="this system has no notifications that can be used"):
        DesktopChannel().send(LETTER)


def test_without_the_extra_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    find_spec = desktop_module.importlib.util.find_spec
    monkeypatch.setattr(
        "importlib.util.find_spec",
        lambda name, *a: None if name == "desktop_notifier" else find_spec(name, *a),
    )

    with pytest.raises(ChannelError, match=r"pip install 'gritledger\[desktop\]'"):
        DesktopChannel().send(LETTER)


def test_nothing_of_the_extra_is_loaded_before_it_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    real_import = builtins.__import__

    def refuse(name: str, *rest: Any) -> Any:
        if name.startswith("desktop_notifier"):
            raise AssertionError("loaded too early")
        return real_import(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)

    assert DesktopChannel().name == "desktop"


@needs_bus
def test_done_on_the_desktop_closes_the_reminder_in_the_ledger(screen: Desktop, tmp_path: Path) -> None:
    settings = Settings.model_validate(
        {"home": tmp_path, "weather": {"archive": "none"}, "channels": {"desktop": True}}
    )
    shop = App(settings, equip=channels_of)
    with shop.store.writing() as tx:
        rider = into(tx).add_rider("Ines")
        bike, chain = into(tx).add_bike("Plover", rider.id), into(tx).add_chain("Copper")
        now = datetime.now(UTC)
        raised = tx.reminders.raise_(
            Reminder(
                key="wipe and drip:1:ride 1",
                kind=ReminderKind.WIPE_AND_DRIP,
                chain=chain.id,
                rider=rider.id,
                bike=bike.id,
                cause_at=now,
                headline="Wipe, dry and drip the chain Copper on Plover",
                sentence="Copper came home wet.",
                total=1.0,
                limit=0.1,
                unit="drive hours",
                unknown_h=0.0,
                reasons=(Reason(now, "An hour of wet road."),),
                rulebook_version="test",
            ),
            now,
            "the round",
        )

    shop.channels["desktop"].send(Letter(**{**_fields(LETTER), "reminders": (raised.id,)}))
    screen.press(1, "done")

    def state() -> Step:
        with shop.store.reading() as tx:
            return tx.reminders.get(raised.id).state

    patience = time.monotonic() + 60
    while state() is not Step.DONE:
        assert time.monotonic() < patience
        time.sleep(0.05)


def _fields(letter: Letter) -> dict[str, Any]:
    return {name: getattr(letter, name) for name in Letter.__slots__}
