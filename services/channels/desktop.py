"""A notification on the rider's own screen."""

from __future__ import annotations

import asyncio
import importlib.util
import json
import logging
import sys
import threading
from collections.abc import Callable, Coroutine
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

from rules.vocabulary import ReminderId
from services.channels import ChannelError, one_line
from services.queued_letter import Letter

if TYPE_CHECKING:
    from desktop_notifier import DesktopNotifier

T = TypeVar("T")
Answer: TypeAlias = Callable[[tuple[ReminderId, ...]], None]

_ANSWER_WITHIN_S = 10.0
_BODY_CHARACTERS = 280  # more is cut off by common desktops anyway; the page and `why` have the rest
_INSTALL = "install the desktop extra: pip install 'gritledger[desktop]'"


class DesktopChannel:
    """Shows letters as bubbles; their buttons work for as long as this process runs.

    They are named as the links of a mail are: what a press writes down.
    """

    name = "desktop"

    def __init__(self, on_done: Answer | None = None, on_put_off: Answer | None = None) -> None:
        """Each is called with the reminders of a bubble whose button was pressed, on a thread of its own."""
        self._on_done, self._on_put_off = on_done, on_put_off
        self._notifier: DesktopNotifier | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lock = threading.Lock()

    def send(self, letter: Letter) -> None:
        """Return once the desktop has taken the notification. Raises ChannelError (always passing)."""
        with self._lock, _LastWords() as words:
            try:
                dispatched = self._within(self._show(letter))
            except ChannelError:
                raise
            except TimeoutError as error:
                self._forget()
                raise _no_desktop(f"no answer for {_ANSWER_WITHIN_S:.0f} seconds") from error
            except Exception as error:
                self._forget()
                raise _no_desktop(f"{type(error).__name__}: {error}") from error
            # The library's send returns normally whatever happened. Its sign of success is on_dispatched, and
            # for a desktop that it cannot speak to, only a warning in its log.
            if not dispatched or "not supported" in words.text:
                self._forget()
                raise _no_desktop(words.text)

    def check(self) -> list[str]:
        """Whether there is a desktop here that can show notifications."""
        with self._lock, _LastWords() as words:
            try:
                self._within(self._capabilities())
            except ChannelError as error:
                return [f"Desktop notification: {error}."]
            except Exception as error:
                self._forget()
                return [
                    f"Desktop notification: {_no_desktop(words.text or f'{type(error).__name__}: {error}')}."
                ]
        return []

    async def _capabilities(self) -> frozenset[Any]:
        return await self._open().get_capabilities()

    async def _show(self, letter: Letter) -> bool:
        from desktop_notifier import Button, Capability, Notification, Urgency

        notifier = self._open()
        dispatched = threading.Event()
        buttons: list[Button] = []
        if letter.reminders and Capability.BUTTONS in await notifier.get_capabilities():
            facts = json.loads(letter.facts)
            for name, words, then in (
                ("done", facts.get("done", "Done"), self._on_done),
                ("put_off", facts.get("put_off", "Put off"), self._on_put_off),
            ):
                if words and then is not None:
                    # A thread: the answer writes to the database while this loop must hear the next press.
                    answer = threading.Thread(target=then, args=(letter.reminders,), daemon=True)
                    buttons.append(Button(title=words, on_pressed=answer.start, identifier=name))
        await notifier.send_notification(
            Notification(
                title=_plain(letter.subject, limit=120),
                message=_plain(letter.text, limit=_BODY_CHARACTERS),
                urgency=Urgency.Normal,
                buttons=tuple(buttons),
                on_dispatched=dispatched.set,
            )
        )
        return dispatched.is_set()

    def _open(self) -> DesktopNotifier:
        if importlib.util.find_spec("desktop_notifier") is None:
            raise ChannelError("desktop notification is not installed", try_this=_INSTALL, everything=True)
        from desktop_notifier import DesktopNotifier
        from desktop_notifier.backends.dummy import DummyNotificationCenter
        from desktop_notifier.main import get_backend_class

        if get_backend_class() is DummyNotificationCenter:
            raise ChannelError(
                "this system shows notifications only from an app bundle"
                if sys.platform == "darwin"
                else "this system has no notifications that can be used",
                try_this="use email, the calendar file or a command instead",
                everything=True,
            )
        if self._notifier is None:
            self._notifier = DesktopNotifier(app_name="gritledger", app_icon=None)
        return self._notifier

    def _forget(self) -> None:
        """Meet the desktop afresh next time: it may have been restarted."""
        self._notifier = None

    def _within(self, work: Coroutine[Any, Any, T]) -> T:
        """Do it on the loop that lives as long as we do, so that buttons of earlier bubbles still work."""
        if self._loop is None:
            self._loop = asyncio.new_event_loop()
            threading.Thread(target=self._loop.run_forever, name="desktop notification", daemon=True).start()
        future = asyncio.run_coroutine_threadsafe(work, self._loop)
        try:
            return future.result(timeout=_ANSWER_WITHIN_S)
        except TimeoutError:
            future.cancel()
            raise


class _LastWords(logging.Handler):
    """What the notification library said to its log while it swallowed an error."""

    def __init__(self) -> None:
        super().__init__(level=logging.WARNING)
        self.text = ""

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        self.text = f"{type(error).__name__}: {error}" if error else record.getMessage()

    def __enter__(self) -> _LastWords:
        self._log = logging.getLogger("desktop_notifier")
        self._propagate, self._log.propagate = self._log.propagate, False  # told to the rider instead
        self._log.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        self._log.removeHandler(self)
        self._log.propagate = self._propagate


def _no_desktop(words: str) -> ChannelError:
    return ChannelError(
        f"no desktop took the notification ({one_line(words) or 'it gave no reason'})",
        try_this="log in to a desktop session and let gritledger run inside it; it is tried again until then",
        everything=True,
    )


def _plain(text: str, *, limit: int) -> str:
    """Text that shows the same whether or not the desktop reads markup in it: no `<`, `>` or `&`."""
    shown = text.strip().replace("&", "＆").replace("<", "‹").replace(">", "›")
    return shown if len(shown) <= limit else shown[: limit - 1].rstrip() + "…"
