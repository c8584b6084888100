"""The bench: a row for each bike in use, with its chain, today's job, and what one press writes down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from rules.cautions import caution
from rules.dates_and_numbers import in_words
from rules.kinds_of_work import Work, work
from rules.message_timing import has_dried
from rules.outlook import Outlook
from rules.reminder import RaisedReminder, Reminder, ReminderKind, Step, wants_a_rinse
from rules.salt_due import rinsed
from rules.spare_chains import fits
from rules.vocabulary import Bike, BikeId, Chain, Rider, TreatmentKind
from services.views.chain_state import ChainState, state_of
from services.views.snapshot import Snapshot

SWAPPED = "Chain swapped"


@dataclass(frozen=True, slots=True)
class Need:
    """A standing reminder as a screen shows it.

    act: what one press writes down, in the past tense; "" where a figure is wanted, which no press knows.
    answer: the treatment which that press logs.  spares: chains that can take a worn one's place.
    instead: why another job answers it as well; "" = none does.
    """

    raised: RaisedReminder
    due: Reminder
    job: str
    chain: Chain
    act: str
    answer: TreatmentKind | None
    spares: tuple[Chain, ...]
    caution: str
    instead: str
    put_off_until: datetime | None

    @property
    def waits_for_hands(self) -> bool:
        """Whether it is this chain's turn now."""
        return self.put_off_until is None and not self.instead


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One bike in use. state: of the chain on it; None = none is noted.  tomorrow: advice; "" = none.

    tonight: what keeps a wet chain from rusting until the job itself is done; "" = nothing more.
    """

    bike: Bike
    owner: Rider
    state: ChainState | None
    need: Need | None
    ahead: Outlook | None  # the limit that comes next, at the recent pace
    then: str  # what it will ask for
    tomorrow: str = ""
    tonight: str = ""

    @property
    def wants_hands(self) -> bool:
        """Whether there is something to do today."""
        return self.need is not None and self.need.waits_for_hands


def need_of(snapshot: Snapshot, raised: RaisedReminder) -> Need:
    """What does this reminder ask for, and what answers it?"""
    due, ledger = raised.reminder, snapshot.ledger
    chain = ledger.chain(due.chain)
    hands = work(due.kind, chain.regime)
    replace = due.kind is ReminderKind.REPLACEMENT
    put_off = next((step for step in reversed(raised.steps) if step.step is Step.PUT_OFF), None)
    return Need(
        raised=raised,
        due=due,
        job=_job(due, hands),
        chain=chain,
        act=hands.past if hands else SWAPPED if replace else "",
        answer=hands.answer if hands else None,
        spares=_spares(snapshot, raised) if replace else (),
        caution=caution(due.kind, chain.regime),
        instead=snapshot.instead.get(due.key, ""),
        put_off_until=put_off.until if put_off and raised.state is Step.PUT_OFF else None,
    )


def _job(due: Reminder, hands: Work | None) -> str:
    if hands is None:
        return "Replace the chain" if due.kind is ReminderKind.REPLACEMENT else "Measure the chain"
    return rinsed(hands.verb) if wants_a_rinse(due) else hands.verb


def bench(
    snapshot: Snapshot, now: datetime, *, tomorrow: Mapping[BikeId, str] | None = None
) -> list[BenchRow]:
    """A row a bike: those that want hands first, most pressing first; then by the day that comes next."""
    rows = [
        _row(snapshot, bike, now, (tomorrow or {}).get(bike.id, ""))
        for bike in snapshot.ledger.bikes_here(now)
    ]
    order = {one.id: place for place, one in enumerate(snapshot.most_pressing_first)}
    return sorted(
        rows,
        key=lambda row: (
            not row.wants_hands,
            order[row.need.raised.id] if row.need and row.wants_hands else 0,
            row.state is not None,
            row.ahead is None,
            row.ahead.by if row.ahead and row.ahead.by else now,
            row.bike.name,
        ),
    )


def headline(rows: list[BenchRow]) -> str:
    """'Three chains want hands'."""
    count = sum(row.wants_hands for row in rows)
    if count == 0:
        return "Nothing needs your hands"
    return f"{in_words(count)} {'chain wants' if count == 1 else 'chains want'} hands"


def _row(snapshot: Snapshot, bike: Bike, now: datetime, tomorrow: str) -> BenchRow:
    chain, owner = snapshot.ledger.chain_on(bike.id, now), snapshot.ledger.rider(bike.owner)
    if chain is None:
        return BenchRow(bike, owner, None, None, None, "", tomorrow)
    state = state_of(snapshot, chain, now)
    ahead = next((one for one in state.ahead if one.by is not None), None)
    hands = work(ahead.kind, chain.regime) if ahead else None
    then = "" if ahead is None else hands.verb.lower() if hands else "measure it"
    need = need_of(snapshot, state.due[0]) if state.due else None
    return BenchRow(bike, owner, state, need, ahead, then, tomorrow, _tonight(snapshot, state))


def _tonight(snapshot: Snapshot, state: ChainState) -> str:
    """Beside another job, a chain that is wet now is still wiped or rinsed tonight."""
    wet = [
        one.reminder
        for one in state.due[1:]
        if one.reminder.kind is ReminderKind.WIPE_AND_DRIP
        and one.state is not Step.PUT_OFF
        and not has_dried(one)
    ]
    return snapshot.instead.get(wet[0].key, wet[0].sentence) if wet else ""


def _spares(snapshot: Snapshot, raised: RaisedReminder) -> tuple[Chain, ...]:
    """Chains on no bike that fit in a worn one's place, and are not worn themselves."""
    ledger, due = snapshot.ledger, raised.reminder
    if due.bike is None:
        return ()
    worn = {one.reminder.chain for one in snapshot.standing if one.reminder.kind is ReminderKind.REPLACEMENT}
    return tuple(
        one
        for one in ledger.chains
        if one.id not in worn
        and one.retired_at is None
        and not any(fitting.removed_at is None for fitting in ledger.fittings_of(one.id))
        and fits(ledger, one, ledger.chain(due.chain), ledger.bike(due.bike))
    )
