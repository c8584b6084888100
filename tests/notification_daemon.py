"""A session bus with a notification service on it, as a desktop has; and a real bubble, photographed.

    python -m tests.notification_daemon photograph bubble.png

shows a letter by dunst under Xvfb and takes its picture, for a human look.
"""

import asyncio
import contextlib
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from dbus_fast import BusType, Variant
from dbus_fast.aio import MessageBus
from dbus_fast.annotations import DBusInt32, DBusSignature, DBusStr, DBusUInt32
from dbus_fast.service import ServiceInterface, dbus_method, dbus_signal

BUS_VARIABLE = "DBUS_SESSION_BUS_ADDRESS"


@dataclass(frozen=True, slots=True)
class Shown:
    """A bubble as the desktop was asked to show it."""

    number: int
    app: str
    title: str
    body: str
    actions: tuple[str, ...]  # key, label, key, label …


Strings = Annotated[list[str], DBusSignature("as")]
Hints = Annotated[dict[str, Variant], DBusSignature("a{sv}")]
Server = Annotated[tuple[str, str, str, str], DBusSignature("ssss")]
Pressed = Annotated[tuple[int, str], DBusSignature("us")]
Closed = Annotated[tuple[int, int], DBusSignature("uu")]


class _Notifications(ServiceInterface):
    """The methods of the desktop notifications specification that a client calls."""

    def __init__(self, desktop: "Desktop") -> None:
        super().__init__("org.freedesktop.Notifications")
        self.desktop = desktop

    @dbus_method()
    async def Notify(
        self,
        app_name: DBusStr,
        replaces_id: DBusUInt32,
        app_icon: DBusStr,
        summary: DBusStr,
        body: DBusStr,
        actions: Strings,
        hints: Hints,
        expire_timeout: DBusInt32,
    ) -> DBusUInt32:
        await asyncio.sleep(self.desktop.slowness_s)
        number = len(self.desktop.shown) + 1
        self.desktop.shown.append(Shown(number, app_name, summary, body, tuple(actions)))
        return number

    @dbus_method()
    def GetCapabilities(self) -> Strings:
        return ["actions", "body"]

    @dbus_method()
    def GetServerInformation(self) -> Server:
        return ("a desktop for tests", "gritledger", "1", "1.2")

    @dbus_signal()
    def ActionInvoked(self, number: int, key: str) -> Pressed:
        return (number, key)

    @dbus_signal()
    def NotificationClosed(self, number: int, reason: int) -> Closed:
        return (number, reason)


@dataclass
class Desktop:
    """What was shown, and a hand to press its buttons."""

    address: str
    shown: list[Shown] = field(default_factory=list)
    slowness_s: float = 0.0
    _loop: Any = None
    _service: Any = None

    def press(self, number: int, key: str) -> None:
        """Press a button of a bubble."""
        self._loop.call_soon_threadsafe(self._service.ActionInvoked, number, key)


def have(*programs: str) -> bool:
    """Whether these system programs are installed."""
    return all(shutil.which(program) for program in programs)


@contextlib.contextmanager
def session_bus() -> Iterator[str]:
    """A session bus of its own, set in the environment of this process for as long as it runs."""
    bus = subprocess.Popen(
        ["dbus-daemon", "--session", "--nofork", "--print-address=1"], stdout=subprocess.PIPE, text=True
    )
    assert bus.stdout is not None
    address = bus.stdout.readline().strip()
    before = os.environ.get(BUS_VARIABLE)
    os.environ[BUS_VARIABLE] = address
    try:
        yield address
    finally:
        if before is None:
            del os.environ[BUS_VARIABLE]
        else:
            os.environ[BUS_VARIABLE] = before
        bus.terminate()
        bus.wait(10)
        bus.stdout.close()


@contextlib.contextmanager
def notification_service(address: str) -> Iterator[Desktop]:
    """The service on a bus that runs already."""
    desktop = Desktop(address)
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="notification service", daemon=True)
    thread.start()

    async def start() -> MessageBus:
        bus = await MessageBus(bus_address=address, bus_type=BusType.SESSION).connect()
        desktop._service = _Notifications(desktop)
        bus.export("/org/freedesktop/Notifications", desktop._service)
        await bus.request_name("org.freedesktop.Notifications")
        return bus

    bus = asyncio.run_coroutine_threadsafe(start(), loop).result(60)
    desktop._loop = loop

    async def stop() -> None:
        bus.disconnect()
        await bus.wait_for_disconnect()

    try:
        yield desktop
    finally:
        asyncio.run_coroutine_threadsafe(stop(), loop).result(60)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


@contextlib.contextmanager
def desktop() -> Iterator[Desktop]:
    """A bus with the service on it."""
    with session_bus() as address, notification_service(address) as running:
        yield running


def photograph(picture: Path, subject: str, text: str) -> None:
    """Show a letter as a real bubble on a screen of its own, and keep the picture."""
    from rules.vocabulary import ReminderId, RiderId
    from services.channels.desktop import DesktopChannel
    from services.queued_letter import Letter

    display = ":87"
    screen = subprocess.Popen(["Xvfb", display, "-screen", "0", "900x420x24", "-nolisten", "tcp"])
    environment = {**os.environ, "DISPLAY": display}
    try:
        with session_bus() as address:
            time.sleep(1.0)
            bubbles = subprocess.Popen(["dunst"], env={**environment, BUS_VARIABLE: address})
            try:
                time.sleep(1.0)
                DesktopChannel(on_done=lambda _reminders: None).send(
                    Letter(
                        1, RiderId(1), "desktop", "", subject, text, "", "<p@x.example>", (ReminderId(12),)
                    )
                )
                time.sleep(1.0)
                subprocess.run(["import", "-window", "root", str(picture)], env=environment, check=True)
            finally:
                bubbles.terminate()
                bubbles.wait(10)
    finally:
        screen.terminate()
        screen.wait(10)


if __name__ == "__main__":
    photograph(
        Path(sys.argv[2]),
        "Wipe and drip the chain on Plover tonight",
        "Home at 18:52 from 1 h 35 min of wet road; 4.1 mm fell at 17:00. Left wet, it rusts.",
    )
