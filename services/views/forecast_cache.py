"""Forecasts that are kept from one snapshot to the next, for as long as all that they hang on stands."""

from __future__ import annotations

from collections.abc import Callable, Hashable

from rules.vocabulary import ChainId
from rules.wear.forecast import Forecast, Refusal

MOST_KEPT = 256  # chains


class KeptForecasts:
    """The newest forecast of each chain. Threads may share one."""

    def __init__(self) -> None:
        self._kept: dict[ChainId, tuple[Hashable, Forecast | Refusal]] = {}

    def get(
        self, chain: ChainId, rests_on: Hashable | None, work: Callable[[], Forecast | Refusal]
    ) -> Forecast | Refusal:
        """The forecast that was kept, if it rests on the very same; else worked out, and kept.

        rests_on: None = on what is not derived yet, so that it is not kept.
        """
        known = self._kept.get(chain)
        if known is not None and rests_on is not None and known[0] == rests_on:
            return known[1]
        found = work()
        if rests_on is not None:
            if len(self._kept) >= MOST_KEPT:
                self._kept.clear()
            self._kept[chain] = rests_on, found
        return found
