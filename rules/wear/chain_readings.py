"""One chain as the wear model hears of it: what it was ridden between its readings, and since."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from rules.contamination import Exposure, history
from rules.ledger import Ledger, RiddenHour
from rules.limits_in_force import judgements_for
from rules.rulebook import Rulebook
from rules.vocabulary import BikeId, Chain, ChainId, Reading, Regime

KINDS = ("water", "mud", "dust", "salt")  # the columns of an exposure after drive hours
MOST_CHAINS = 16  # more would teach little and take long: those in use first, then the last retired


class Ridden(NamedTuple):
    """What a chain was ridden on one bike in one stretch: with weather behind it, and without."""

    bike: BikeId
    known: tuple[float, ...]  # drive hours, and those times water, mud, dust, salt
    unknown_h: float

    def hours(self, mean_known: Sequence[float]) -> tuple[float, ...]:
        """The whole of it. An hour without weather counts as a mean one: dry, wear would look faster."""
        return tuple(
            sure + self.unknown_h * share for sure, share in zip(self.known, mean_known, strict=True)
        )


class Read(NamedTuple):
    """One reading, and what lay before it."""

    tool: str
    instrument: str
    over_pct: float | None
    under_pct: float | None
    exact_pct: float | None
    drive_h: float  # over life
    stretches_before: int


class Worn(NamedTuple):
    """One chain as the wear model hears of it. retired_s: Unix time; None = not retired."""

    chain: ChainId
    waxed: bool
    retired_s: float | None
    limit_pct: float
    stretches: tuple[tuple[Ridden, ...], ...]
    read: tuple[Read, ...]
    since: tuple[Ridden, ...]
    drive_h: float  # over life

    @property
    def heard(self) -> Worn:
        """What is heard of it when another chain is judged: not what came after its last reading."""
        return self._replace(since=(), drive_h=0.0)


def hour_row(exposure: Exposure, mean_known: Sequence[float]) -> tuple[float, ...]:
    """What an hour adds: drive hours, and those times water, mud, dust, salt.

    An hour without weather counts as an average known one: calling it dry would make wear look faster.
    """
    h = exposure.drive_h
    if not exposure.known:
        return tuple(h * share for share in mean_known)
    return (h, h * exposure.water, h * exposure.mud, h * exposure.dust, h * exposure.salt)


def worn_of(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> Worn:
    """What does the wear model hear of this chain now?"""
    stretches: list[tuple[Ridden, ...]] = []
    read: list[Read] = []
    open_stretch: dict[BikeId, Ridden] = {}
    drive_h = 0.0
    for entry in history(ledger, chain.id, rulebook).until(now).entries:
        if entry.exposure is not None and isinstance(entry.fact, RiddenHour):
            bike = entry.fact.ride.bike
            assert bike is not None  # a chain is ridden on a bike
            so_far = open_stretch.get(bike, Ridden(bike, (0.0,) * (1 + len(KINDS)), 0.0))
            open_stretch[bike] = _with_hour(so_far, entry.exposure)
            drive_h += entry.exposure.drive_h
        elif isinstance(entry.fact, Reading):
            if open_stretch:
                stretches.append(tuple(open_stretch.values()))
                open_stretch = {}
            read.append(_read(entry.fact, drive_h, len(stretches)))
    return Worn(
        chain.id,
        chain.regime is Regime.WAXED,
        None if chain.retired_at is None else chain.retired_at.timestamp(),
        judgements_for(ledger, rulebook, chain, now).wear_limit().value,
        tuple(stretches),
        tuple(read),
        tuple(open_stretch.values()),
        drive_h,
    )


def _with_hour(so_far: Ridden, hour: Exposure) -> Ridden:
    if not hour.known:
        return so_far._replace(unknown_h=so_far.unknown_h + hour.drive_h)
    row = hour_row(hour, ())
    return so_far._replace(known=tuple(a + b for a, b in zip(so_far.known, row, strict=True)))


def _read(one: Reading, drive_h: float, stretches_before: int) -> Read:
    return Read(
        one.tool.value,
        one.instrument,
        one.over_pct,
        one.under_pct,
        one.exact_pct,
        drive_h,
        stretches_before,
    )


def heard_together(
    chains: Iterable[tuple[ChainId, bool, float | None]], target: ChainId | None
) -> tuple[ChainId, ...]:
    """Which chains are heard at once: those last in use, or, given a target, the lot of chains that it is in.

    chains: each with whether it was ever measured, and when it was retired (Unix time).
    """
    ranked = [number for number, _, _ in sorted(chains, key=_last_in_use_first)]
    place = ranked.index(target) if target in ranked else 0
    begin = place - place % MOST_CHAINS
    return tuple(sorted(ranked[begin : begin + MOST_CHAINS]))


def _last_in_use_first(chain: tuple[ChainId, bool, float | None]) -> tuple[bool, float, int]:
    """Chains with readings first, then those in use, then the last retired."""
    number, is_measured, retired_s = chain
    return (not is_measured, 0.0 if retired_s is None else -retired_s, -number)
