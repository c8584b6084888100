"""How a chain stands now: what it went through since its last immersion or cleaning, and its film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from rules.contamination import CLEARS_SINCE_IMMERSION, ChainHistory, Entry, Totals
from rules.dates_and_numbers import number
from rules.kinds_of_work import WORKS
from rules.limits_in_force import judgements_for
from rules.outlook import Outlook
from rules.reasons import since
from rules.reminder import RaisedReminder, ReminderKind
from rules.units import kilometres
from rules.vocabulary import Bike, Chain, Condition, Regime
from rules.wear.forecast import Measure
from services.views.snapshot import Snapshot


@dataclass(frozen=True, slots=True)
class ChainState:
    """One chain, as the bench shows it."""

    chain: Chain
    bike: Bike | None
    where: str
    fitted_at: datetime | None
    by_condition: tuple[tuple[Condition, float], ...]  # since it was last cleaned, most first [grit-hours]
    immersion_used: float
    immersion_limit: float
    film_used: float
    film_limit: float
    over_life: Totals
    unknown_h: float
    ahead: tuple[Outlook, ...]  # limits not reached, soonest first
    due: tuple[RaisedReminder, ...]
    past: ChainHistory
    zone: tzinfo

    @property
    def waxed(self) -> bool:
        """Waxed, or the control."""
        return self.chain.regime is Regime.WAXED

    @property
    def immersion_word(self) -> str:
        """What the strip fills towards."""
        return WORKS[ReminderKind.IMMERSION, self.chain.regime].noun

    @property
    def film_words(self) -> str:
        """How long its film lasts, by the pace of its own life: a dry, paved drive hour is one grit-hour."""
        film, left_h = "film" if self.waxed else "oil", self.film_limit - self.film_used
        if left_h <= 0.0:
            return f"the {film} is used up"
        km = left_h * Measure.KILOMETRES.over_life(self.past) / (self.over_life.drive_h or 1.0)
        lasts = kilometres(max(10, round(km, -1))) if km > 0.0 else f"{number(left_h, 0)} drive hours"
        return f"{film} good for about {lasts} of dry tarmac"

    @property
    def need(self) -> tuple[bool, float]:
        """Sorts the neediest first."""
        share = max(self.immersion_used / self.immersion_limit, self.film_used / self.film_limit)
        return not self.due, -share


def state_of(snapshot: Snapshot, chain: Chain, now: datetime) -> ChainState:
    """How does this chain stand now?"""
    ledger, rulebook = snapshot.ledger, snapshot.rulebook
    past = snapshot.past(chain.id, now)
    fitting = ledger.fitting_of(chain.id, now)
    judgements = judgements_for(ledger, rulebook, chain, now)
    _, span = since(past.entries, CLEARS_SINCE_IMMERSION)
    immersion_limit = judgements.limit(WORKS[ReminderKind.IMMERSION, chain.regime].limit)
    film_limit = judgements.limit(WORKS[ReminderKind.DRIP, chain.regime].limit)
    return ChainState(
        chain=chain,
        bike=judgements.bike,
        where=snapshot.where(chain, now),
        fitted_at=None if fitting is None else fitting.fitted_at,
        by_condition=_by_condition(span),
        immersion_used=past.since_immersion.grit_h,
        immersion_limit=immersion_limit.value,
        film_used=past.since_drip.grit_h,
        film_limit=film_limit.value,
        over_life=past.over_life,
        unknown_h=past.since_immersion.unknown_h,
        ahead=tuple(one for one in snapshot.outlook(now) if one.chain == chain.id and one.used < one.limit),
        due=tuple(one for one in snapshot.most_pressing_first if one.reminder.chain == chain.id),
        past=past,
        zone=snapshot.zone,
    )


def _by_condition(entries: Sequence[Entry]) -> tuple[tuple[Condition, float], ...]:
    """Dirt by condition, most first. [grit-hours]"""
    sums: dict[Condition, float] = {}
    for entry in entries:
        if entry.exposure is not None and entry.exposure.dirt_h > 0.0:
            condition = entry.exposure.condition
            sums[condition] = sums.get(condition, 0.0) + entry.exposure.dirt_h
    return tuple(sorted(sums.items(), key=lambda item: -item[1]))
