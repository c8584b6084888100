"""What the rag says of a bike's limit: chains that come off clean can wait longer, black ones should not."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.contamination import history
from rules.dates_and_numbers import in_words, number
from rules.kinds_of_work import WORKS
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.reminder import ReminderKind
from rules.rulebook import Rulebook
from rules.vocabulary import Bike, Regime, WipeTest

GRADES = ("clean", "a trace", "grey", "dark", "black paste")  # from 0
AGREEING = 3  # the last so many tests that say anything must say the same
STEP = 1.25
WORKED = {"immersion": "immersion", "clean": "cleaning"}
CLEAN, BLACK = 1, 3  # grades up to and from
AT_THE_LIMIT, EARLY = 0.9, 0.5  # shares of the limit: clean even there, black well before


@dataclass(frozen=True, slots=True)
class Offer:
    """Another limit for one bike, if its rider agrees."""

    bike: Bike
    key: str  # "immersion" or "clean"
    limit: float
    offered: float
    sentence: str


def offers(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> tuple[Offer, ...]:
    """Which bikes' limits do wipe tests speak against? Three in a row that agree; nothing moves by itself.

    A test says something when it found a chain clean at its limit, or black well before it.
    """
    found = []
    for bike in ledger.bikes:
        chain = ledger.chain_on(bike.id, now)
        if chain is None:
            continue
        key = WORKS[ReminderKind.IMMERSION, chain.regime].limit
        limit = judgements_for(ledger, rulebook, chain, now).limit(key)
        said = [
            word
            for _, grade, dirt_h in sorted(_tests(ledger, rulebook, bike, chain.regime, now))
            if (word := _word(grade, dirt_h / limit.value)) is not None
        ][-AGREEING:]
        if len(said) < AGREEING or len(set(said)) != 1:
            continue
        longer = said[0] == "clean"
        offered = min(max(limit.value * STEP if longer else limit.value / STEP, limit.low), limit.high)
        if offered != limit.value:
            found.append(_offer(bike, key, limit.value, round(offered, 1), longer))
    return tuple(found)


def _tests(
    ledger: Ledger, rulebook: Rulebook, bike: Bike, regime: Regime, now: datetime
) -> list[tuple[datetime, int, float]]:
    """When a rag was passed along a chain of this bike, its grade, and the chain's dirt. [grit-hours]"""
    found = []
    for chain in ledger.chains:
        if chain.regime is not regime:
            continue
        for entry in history(ledger, chain.id, rulebook).until(now).entries:
            if isinstance(entry.fact, WipeTest):
                fitting = ledger.last_fitting_of(chain.id, entry.at)
                if fitting is not None and fitting.bike == bike.id:
                    found.append((entry.at, entry.fact.grade, entry.since_immersion.grit_h))
    return found


def _word(grade: int, share: float) -> str | None:
    if grade <= CLEAN and share >= AT_THE_LIMIT:
        return "clean"
    return "black" if grade >= BLACK and share < EARLY else None


def _offer(bike: Bike, key: str, limit: float, offered: float, longer: bool) -> Offer:
    what = "clean at its limit" if longer else "black before half of its limit"
    sentence = (
        f"{in_words(AGREEING)} rags in a row found a chain of {bike.name} {what}: {number(offered)} "
        f"grit-hours instead of {number(limit)} to the next {WORKED[key]} would fit this bike."
    )
    return Offer(bike, key, limit, offered, sentence)
