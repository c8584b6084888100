"""What a form did, kept until the page that follows it has said so: sentences never travel in an address."""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass

from services.web.refused_form import RefusedForm

MOST_KEPT = 200


@dataclass(frozen=True, slots=True)
class FlashMessage:
    """Sentences for the rider, and the correction that takes it all back, if one does.

    refused: the form that was not taken, to be shown as it was typed.
    """

    sentences: tuple[str, ...]
    undo: int | None = None
    refused: RefusedForm | None = None


class Flash:
    """A short memory of what was said. Threads may share one."""

    def __init__(self) -> None:
        self._said: OrderedDict[str, FlashMessage] = OrderedDict()
        self._lock = threading.Lock()

    def keep(
        self, sentences: Iterable[str] = (), undo: int | None = None, refused: RefusedForm | None = None
    ) -> str:
        """Remember; returns the name to ask for it by."""
        name = secrets.token_urlsafe(8)
        with self._lock:
            self._said[name] = FlashMessage(tuple(sentences), undo, refused)
            while len(self._said) > MOST_KEPT:
                self._said.popitem(last=False)
        return name

    def of(self, name: str) -> FlashMessage | None:
        """What was said under this name; None = forgotten, or never."""
        with self._lock:
            return self._said.get(name)
