"""How much do the assumed weights matter? A chain's total and due dates at the ends of each weight's range.

No published multiplier for bicycle chains was found, so the weights of water, mud, dust and salt are
assumptions with ranges. Here they are moved, one at a time and all together; the limits stay as they are.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, tzinfo

from rules.contamination import CLEARS_SINCE_IMMERSION, ChainHistory, history
from rules.dates_and_numbers import ZoneOf, day, number, utc
from rules.ledger import Ledger
from rules.outlook import Outlook, need_of, outlook
from rules.reminder import ReminderKind
from rules.rulebook import Rulebook
from rules.vocabulary import Chain, ChainId, Regime, Treatment

WEIGHTS = ("water", "mud", "dust", "salt")
TOGETHER = "all together"
LEAST_TOLD_H = 0.05  # a difference that the printed digit does not show


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a chain stands by one choice of weights."""

    grit_h: float  # since immersion; of a lubed chain, since it was cleaned
    drip_by: datetime | None  # `now` if it is due; None: no bike, or no pace to say when
    immersion_by: datetime | None


@dataclass(frozen=True, slots=True)
class Moves:
    """A chain at both ends of one weight's range, the other weights as they are."""

    what: str  # one of WEIGHTS, or TOGETHER
    range: tuple[float, float] | None  # of the weight [grit-hours per drive hour]; None: all of them
    low: Standing
    high: Standing

    @property
    def grit_h(self) -> float:
        """How far apart the two totals are. [grit-hours]"""
        return self.high.grit_h - self.low.grit_h


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """What a chain's total and due dates rest on."""

    chain: ChainId
    drive_h: float  # since immersion: the part that no weight moves
    assumed: Standing  # by the rulebook's own weights
    moves: tuple[Moves, ...]  # WEIGHTS, all together
    sentence: str


def sensitivity(
    ledger: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    zone_of: ZoneOf = utc,
    only: Collection[ChainId] | None = None,
) -> tuple[Sensitivity, ...]:
    """How far do grit-hours since immersion and due dates move over the ranges of the assumed weights?

    only: these chains, on a bike or not; None: every chain that is on one.
    """
    if only is None:
        chosen = [chain for chain in ledger.chains if ledger.fitting_of(chain.id, now) is not None]
    else:
        chosen = [chain for chain in ledger.chains if chain.id in only]
    books = _books(rulebook)
    outlooks = {
        end: {(row.chain, row.kind, row.unit): row for row in outlook(ledger, book, now=now, zone_of=zone_of)}
        for end, book in books.items()
    }

    def standing(chain: Chain, end: tuple[str, str]) -> Standing:
        rows = outlooks[end]
        return Standing(
            history(ledger, chain.id, books[end]).until(now).since_immersion.grit_h,
            _by(rows.get((chain.id, ReminderKind.DRIP, "grit-hours"))),
            _by(rows.get((chain.id, ReminderKind.IMMERSION, "grit-hours"))),
        )

    found = []
    for chain in chosen:
        moves = tuple(
            Moves(
                what, _range(rulebook, what), standing(chain, (what, "low")), standing(chain, (what, "high"))
            )
            for what in (*WEIGHTS, TOGETHER)
        )
        past = history(ledger, chain.id, rulebook).until(now)
        assumed = standing(chain, _ASSUMED)
        row = outlooks[_ASSUMED].get((chain.id, ReminderKind.IMMERSION, "grit-hours"))
        zone = None if row is None else zone_of(ledger.rider(row.rider).time_zone)
        said = _sentence(chain, past, assumed, moves, now, zone)
        found.append(Sensitivity(chain.id, past.since_immersion.drive_h, assumed, moves, said))
    return tuple(found)


_ASSUMED = ("", "assumed")


def _books(rulebook: Rulebook) -> dict[tuple[str, str], Rulebook]:
    books = {_ASSUMED: rulebook, (TOGETHER, "low"): rulebook, (TOGETHER, "high"): rulebook}
    for what in WEIGHTS:
        judgement = rulebook.judgement(f"weight.{what}")
        for end, value in (("low", judgement.low), ("high", judgement.high)):
            books[what, end] = rulebook.with_value(judgement.key, value)
            books[TOGETHER, end] = books[TOGETHER, end].with_value(judgement.key, value)
    return books


def _range(rulebook: Rulebook, what: str) -> tuple[float, float] | None:
    if what == TOGETHER:
        return None
    judgement = rulebook.judgement(f"weight.{what}")
    return judgement.low, judgement.high


def _by(row: Outlook | None) -> datetime | None:
    return None if row is None else row.by


def _sentence(
    chain: Chain,
    past: ChainHistory,
    assumed: Standing,
    moves: tuple[Moves, ...],
    now: datetime,
    zone: tzinfo | None,
) -> str:
    """One sentence a rider can act on. zone None: the chain is on no bike."""
    since = _since(chain, past)
    together = moves[-1]
    if together.grit_h < LEAST_TOLD_H:
        return f"{chain.name}: the weights hardly matter, for it met next to no water, mud or dust {since}."
    most = max(moves[:-1], key=lambda one: one.grit_h)
    low, high = number(together.low.grit_h), number(together.high.grit_h)
    head = (
        f"{chain.name} carries {number(assumed.grit_h)} grit-hours {since}, or {low} to {high} by other "
        f"weights, most of that by {most.what}"
    )
    if zone is None:
        return f"{head}; it is on no bike now, so nothing falls due."
    need = need_of(ReminderKind.IMMERSION, chain.regime)
    return f"{head}; {_due(need, together.high.immersion_by, together.low.immersion_by, now, zone)}."


def _since(chain: Chain, past: ChainHistory) -> str:
    cleaned = any(
        isinstance(e.fact, Treatment) and e.fact.kind in CLEARS_SINCE_IMMERSION for e in past.entries
    )
    if not cleaned:
        return "since it was new"
    return f"since its last {'immersion' if chain.regime is Regime.WAXED else 'cleaning'}"


def _due(need: str, early: datetime | None, late: datetime | None, now: datetime, zone: tzinfo) -> str:
    """When it falls due: early by the highest weights, late by the lowest."""
    if early is None:
        return f"it was not ridden enough lately to say when {need} comes"
    if late is None:
        when = _when(early, now, zone)
        return f"{need} is due {when} by the highest weights; by the lowest it was not ridden enough to say"
    first, last = _when(early, now, zone), _when(late, now, zone)
    if first == last:
        return f"{need} comes {first} whichever holds"
    return f"{need} comes between {first} and {last}"


def _when(at: datetime, now: datetime, zone: tzinfo) -> str:
    return "now" if at <= now else day(at, zone)
