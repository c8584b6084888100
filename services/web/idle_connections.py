"""How long the page waits for whoever says nothing, so that idle connections shut nobody out."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

# Judgements; common practice, no source. A browser opens six connections and asks within a second.
SILENT_FOR_S = 10.0
MOST_WAITING = 64


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that hangs up on a client silent in mid-request, and on the most silent of too many.

    An upload that moves is not silent, and a request in the page's own hands waits for nobody.
    """

    _heard_s = 0.0
    _look: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Make room for the newcomer."""
        super().connection_made(transport)
        self._heard_s = self.loop.time()
        patient = (one for one in self.connections if isinstance(one, PatientProtocol))
        waiting = [one for one in patient if one is not self and one.waits_for_client]
        if len(waiting) >= MOST_WAITING:
            min(waiting, key=lambda one: one._heard_s).transport.abort()
        self._look_again()

    def data_received(self, data: bytes) -> None:
        """Something was said."""
        self._heard_s = self.loop.time()
        super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Nobody is there to be looked after."""
        if self._look is not None:
            self._look.cancel()
        super().connection_lost(exc)

    @property
    def waits_for_client(self) -> bool:
        """Whether the next word is the client's: no request yet, half of one, or the next."""
        if self.transport.is_closing():
            return False
        return self.cycle is None or self.cycle.response_complete or self.cycle.more_body

    def _look_again(self) -> None:
        silent_s = self.loop.time() - self._heard_s
        if silent_s >= SILENT_FOR_S and self.waits_for_client:
            self.transport.abort()
            return
        self._look = self.loop.call_later(max(SILENT_FOR_S - silent_s, 0.1), self._look_again)
