"""What the ledger says at one count of its writes, and all that pages derive from it, worked out once.

in use | who and what there is, and the whole life of every chain that is not retired: what pages show most
of     | the same with other chains and rides besides, read when a page asks for them
whole  | every fact there is: for what weighs all against all, and for lists written to a file
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from functools import cached_property, partial
from typing import Any, TypeVar

from rules.care_due import KIND_ORDER
from rules.contamination import ChainHistory, exposures, history
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.message_timing import MONTH, Told, unheard
from rules.outlook import Outlook, outlook
from rules.overlapping_reminders import spared
from rules.reminder import RaisedReminder
from rules.ride_name import ride_name
from rules.rulebook import Rulebook
from rules.supplies import Stand, stands
from rules.trial import Turn, turn
from rules.usual_day import WEEKS
from rules.vocabulary import BikeId, Chain, ChainId, Condition, Regime, Ride, RideId, Rider
from rules.wear.comparison import Comparison, compare
from rules.wear.cost import Cost, PayBack, cost, pay_back
from rules.wear.forecast import Forecast, Refusal, forecast
from rules.wear.future_riding import ridden_alike
from rules.wear.learned_weights import LearnedWeight, learned_weights
from rules.wear.reading_arrays import gathered
from rules.wear.trial_pairs import Found, found_by_trials
from rules.wipe_tests import Offer, offers
from rules.year.another_way import AnotherWay, another_way
from services.app import App, household_zone, zone_of
from services.heartbeat import last_look
from services.store import FileRecord, Posted, RideSums, SensorSighting, Transaction
from services.store.bookkeeping import FILES_WAITING, FIRST_HOUR_OVER, LAST_ROUND
from services.use_cases.derive_chains import look_at_stale
from services.use_cases.fetch_weather import WAITS_UNTIL
from services.use_cases.import_rides import Outcome
from services.use_cases.weather_ahead import Ahead, kept_ahead
from services.views.forecast_cache import KeptForecasts

T = TypeVar("T")
TROUBLED = (Outcome.UNREADABLE, Outcome.WHOSE, Outcome.DAMAGED)
TROUBLE_TOLD = timedelta(days=14)  # so long a file that became no whole ride is told of unasked
LATELY = timedelta(weeks=WEEKS)  # what is usual is told by rides of so long
MOST_KEPT = 500  # answers of one snapshot, among them closer looks


@dataclass(frozen=True)
class Snapshot:
    """The facts in force, and what hangs on them. Threads may share one: it is read, never changed."""

    app: App
    writes: int
    ledger: Ledger  # who and what there is; of `held` chains all that happened to them
    held: frozenset[ChainId] | None  # None = every chain, and every ride
    versions: frozenset[tuple[int, int]]  # of those to which nothing happened since they were derived
    rulebook: Rulebook
    standing: tuple[RaisedReminder, ...]
    told: Told  # what riders heard of late; empty where no reminder waits to be told
    questions: tuple[RideId, ...]  # rides whose bike is a question, oldest first
    likely: frozenset[RideId]  # rides given a bike that no rider has confirmed
    undelivered: tuple[Posted, ...]
    refused: tuple[Posted, ...]
    file_troubles: tuple[FileRecord, ...]  # files of late that did not become a whole ride, newest first
    unworn: Mapping[BikeId, int]  # rides on a bike that wore a chain before, but none then
    files_waiting: tuple[tuple[str, str, str], ...]  # watched, not read yet: name, why, what to do
    round_with_news_at: datetime | None
    round_said: tuple[str, ...]
    weather_waits_until: datetime | None
    ahead: Ahead | None  # tomorrow's weather, if it was asked for
    first_hour_over: bool
    in_use: Snapshot | None = None  # the one that this is a closer look of
    forecasts: KeptForecasts = field(default_factory=KeptForecasts, compare=False)
    _worked_out: dict[Hashable, Any] = field(default_factory=dict, compare=False)
    _worked_on: dict[Hashable, threading.RLock] = field(default_factory=dict, compare=False)
    _working: threading.Lock = field(default_factory=threading.Lock, compare=False)

    @classmethod
    def read(cls, tx: Transaction, app: App, now: datetime, before: Snapshot | None = None) -> Snapshot:
        """All of one transaction that most pages show. Raises StoreError.

        before: of chains that stand as they stood in it, nothing is read again.
        """
        waits, standing = tx.notes.get(WAITS_UNTIL), tx.reminders.standing()
        if before is None or before.held is None:
            ledger = tx.in_use(now)
        else:
            same = before.versions & tx.derived.clean(before.held)
            ledger = tx.in_use(now, before.ledger, [ChainId(chain) for chain, _ in same])
        held = ledger.in_use(now)
        return cls(
            app=app,
            writes=tx.writes(),
            ledger=ledger,
            held=held,
            versions=tx.derived.clean(held),
            rulebook=app.rulebook_for(ledger),
            standing=standing,
            told=tx.told_since(ledger.riders, now - MONTH) if unheard(standing) else Told(),
            questions=tx.rides.questions(),
            likely=frozenset(tx.rides.likely()),
            undelivered=tuple(one for one in tx.outbox.waiting() if one.last_why),
            refused=tx.outbox.refused(),
            file_troubles=tx.files.outcomes(outcomes=TROUBLED, since=now - TROUBLE_TOLD),
            unworn=tx.rides.started_in(ledger.unworn()),
            files_waiting=tuple(tuple(one) for one in tx.notes.get(FILES_WAITING, [])),
            round_with_news_at=tx.notes.written_at(LAST_ROUND),
            round_said=tuple(tx.notes.get(LAST_ROUND, [])),
            weather_waits_until=datetime.fromisoformat(waits) if waits else None,
            ahead=kept_ahead(tx),
            first_hour_over=bool(tx.notes.get(FIRST_HOUR_OVER, False)),
            forecasts=KeptForecasts() if before is None else before.forecasts,
        )

    def once(self, key: Hashable, work: Callable[[], T], *, asof: Hashable = None) -> T:
        """Work out what hangs on the facts, and perhaps on the time: the newest answer is kept."""
        with self._working:
            mine = self._worked_on.setdefault(key, threading.RLock())
        with mine:  # who wants something else does not wait for it
            known = self._worked_out.get(key)
            if known is None or known[0] != asof:
                known = (asof, work())
                with self._working:
                    if len(self._worked_out) > MOST_KEPT:
                        self._worked_out.clear()
                    self._worked_out[key] = known
            found: T = known[1]
            return found

    def once_read(self, key: Hashable, ask: Callable[[Transaction], T], asof: Hashable = None) -> T:
        """The same of what is asked of the ledger in a transaction."""

        def work() -> T:
            with self.app.store.reading() as tx:
                return ask(tx)

        return self.once(key, work, asof=asof)

    def _of_all(self, key: Hashable, weigh: Callable[..., T], now: datetime) -> T:
        """What a rule finds in all facts together; within an hour the same."""
        found = lambda: weigh(self.whole.ledger, self.rulebook, now=now)  # noqa: E731
        return self.once(key, found, asof=_hour(now))

    def of(self, chains: Iterable[ChainId] = (), rides: Iterable[RideId] = ()) -> Snapshot:
        """The same with the whole life of these chains, and with these rides."""
        more = frozenset(chains) - (self.held or frozenset())
        wanted = frozenset(rides)
        if self.held is None or not (more or wanted):
            return self

        def work() -> Snapshot:
            with self.app.store.reading() as tx:
                ledger = self.ledger.joined(tx.ledger_of(more, rides=wanted))
            return self._closer(ledger, (self.held or frozenset()) | more)

        return self.once(("of", more, wanted), work)

    @property
    def whole(self) -> Snapshot:
        """The same with every fact there is."""

        if self.held is None:
            return self
        return self.once_read("whole", lambda tx: self._closer(tx.ledger(), None))

    def lately(self, now: datetime) -> Snapshot:
        """The same with every ride of the last weeks: what is usual is told by them."""
        span = (now - LATELY, None)
        return self.of(rides=self.once_read("lately", lambda tx: tx.rides.numbers(between=span), _hour(now)))

    def _closer(self, ledger: Ledger, held: frozenset[ChainId] | None) -> Snapshot:
        return replace(
            self,
            ledger=ledger,
            held=held,
            in_use=self.in_use or self,
            _worked_out={},
            _worked_on={},
            _working=threading.Lock(),
        )

    @property
    def recorded(self) -> RideSums:
        """All rides that count, in sum."""
        return self.once_read("recorded", lambda tx: tx.rides.sums())

    @property
    def sensors_seen(self) -> tuple[SensorSighting, ...]:
        """Every sensor that any file named."""
        return self.once_read("sensors seen", lambda tx: tx.equipment.sensors_seen())

    @property
    def files_counted(self) -> dict[str, int]:
        """How many files became what."""
        return self.once_read("files counted", lambda tx: tx.files.counted())

    @property
    def round_at(self) -> datetime | None:
        """When the last round was made, whether it had news or not; None = never."""
        return last_look(self.app.settings.home, self.round_with_news_at)

    @cached_property
    def zone(self) -> tzinfo:
        """The household's wall clock: the first rider's."""
        return household_zone(self.ledger.riders)

    @cached_property
    def zone_name(self) -> str:
        """What that clock is called; one that is no place's, as 'UTC+2'."""
        name = self.ledger.riders[0].time_zone if self.ledger.riders else "UTC"
        ahead = name.removeprefix("Etc/GMT")
        return name if ahead in (name, "") else f"UTC{ahead.translate(str.maketrans('+-', '-+'))}"

    @cached_property
    def instead(self) -> Mapping[str, str]:
        """Reminders that another one answers as well, by key, with the sentence to say."""
        return spared([one.reminder for one in self.standing], self.standing)

    @cached_property
    def most_pressing_first(self) -> tuple[RaisedReminder, ...]:
        """What needs hands, in order; what another step takes care of comes last."""

        def pressing(one: RaisedReminder) -> tuple[bool, int, int, datetime, int]:
            due = one.reminder
            return due.key in self.instead, -due.urgency, KIND_ORDER.index(due.kind), due.cause_at, one.id

        return tuple(sorted(self.standing, key=pressing))

    def rider(self, ride: Ride) -> Rider:
        """Who rode."""
        return self.ledger.rider(ride.rider)

    def ride_name(self, ride: Ride, now: datetime) -> str:
        """What a ride is called where nothing beside it says when it was."""
        zone = zone_of(self.rider(ride).time_zone)
        return ride_name(ride, zone, now=now, like=(one for one, _, _ in self.conditions(ride)))

    def bike_name(self, bike: BikeId | None) -> str:
        """A bike's name; 'none of ours' for none."""
        return "none of ours" if bike is None else self.ledger.bike(bike).name

    def bike_words(self, ride: Ride) -> str:
        """The bike of a ride as a list says it."""
        if ride.bike is not None:
            return self.ledger.bike(ride.bike).name
        return "which one?" if ride.decided_by is None else "none of ours"

    def where(self, chain: Chain, now: datetime) -> str:
        """'on Plover', 'on the shelf', 'retired'."""
        fitting = self.ledger.fitting_of(chain.id, now)
        if fitting is not None:
            return f"on {self.ledger.bike(fitting.bike).name}"
        return "retired" if chain.retired_at is not None and chain.retired_at <= now else "on the shelf"

    def past(self, chain: ChainId, now: datetime) -> ChainHistory:
        """What a chain has been through until now."""
        return history(self.of({chain}).ledger, chain, self.rulebook).until(now)

    def conditions(self, ride: Ride) -> tuple[tuple[Condition, float, float], ...]:
        """Condition, drive hours and grit-hours of a ride, most grit first."""

        def work() -> tuple[tuple[Condition, float, float], ...]:
            sums: dict[Condition, tuple[float, float]] = {}
            for one in exposures(self.ledger, ride, self.rulebook):
                drive_h, grit_h = sums.get(one.condition, (0.0, 0.0))
                sums[one.condition] = (drive_h + one.drive_h, grit_h + one.grit_h)
            by_grit = sorted(sums.items(), key=lambda item: -item[1][1])
            return tuple((condition, *hours) for condition, hours in by_grit)

        return self.once(("conditions", ride.id), work)

    def outlook(self, now: datetime) -> tuple[Outlook, ...]:
        """How far each limit of each fitted chain is, soonest first."""
        if self.in_use is not None:
            return self.in_use.outlook(now)
        return self.once(
            "outlook",
            lambda: outlook(self.ledger, self.rulebook, now=now, zone_of=zone_of),
            asof=now.replace(second=0, microsecond=0),
        )

    def wear(self, chain: ChainId, now: datetime) -> Forecast | Refusal:
        """When a chain is worn out, or why nobody can say."""
        return (self.in_use or self)._forecast(chain, now, self)

    def _forecast(self, chain: ChainId, now: datetime, closer: Snapshot) -> Forecast | Refusal:
        """closer: a look that may hold more lives than this one."""
        alike, minute = {chain, *ridden_alike(self.ledger, chain, now)}, now.replace(second=0, microsecond=0)

        def work() -> Forecast | Refusal:
            with self.app.store.reading() as tx:
                look = self.once("stale", lambda: look_at_stale(tx, self.app, now), asof=minute)
                heard = look.heard(tx, chain)
                versions = tx.derived.versions(alike)
            one, others = self.ledger.chain(chain), tuple(worn.heard for worn in heard)
            rests_on = (_hour(now), self.rulebook.version, one, others, versions)
            derived = alike.isdisjoint(look.wanted)

            def worked_out() -> Forecast | Refusal:
                ledger = closer.of(alike).ledger
                facts = gathered(heard, self.rulebook)
                return forecast(ledger, self.rulebook, chain, now=now, facts=facts)

            return self.forecasts.get(chain, rests_on if derived else None, worked_out)

        return self.once(("wear", chain), work, asof=_hour(now))

    def wear_limit(self, chain: Chain, now: datetime) -> float:
        """At which elongation this chain is worn out, on the bike it is on or was last on. [%]"""
        return judgements_for(self.of({chain.id}).ledger, self.rulebook, chain, now).wear_limit().value

    def comparison(self, now: datetime) -> Comparison:
        """Waxed against wet lube."""
        return self._of_all("comparison", compare, now)

    def learned(self, now: datetime) -> tuple[LearnedWeight, ...]:
        """What the readings say of the rulebook's weights."""
        return self._of_all("learned", learned_weights, now)

    def cost(self, regime: Regime, now: datetime) -> Cost:
        """What 1000 km cost."""
        hour = _hour(now)  # what is worked out for one regime serves the other
        return self.once(
            ("cost", regime),
            lambda: cost(self.whole.ledger, self.rulebook, regime, now=hour, prices=self.app.prices),
            asof=hour,
        )

    def another_way(self, now: datetime) -> tuple[AnotherWay, ...]:
        """The last year, cared for another way, bike by bike."""
        return self._of_all("another way", partial(another_way, zone_of=zone_of), now)

    def supplies(self, now: datetime) -> tuple[Stand, ...]:
        """What stands on the shelf, the next to run out first."""
        ledger = self.since_supplies(now).ledger
        return self.once(
            "supplies", lambda: stands(ledger, self.rulebook, now=now, zone_of=zone_of), asof=_hour(now)
        )

    def since_supplies(self, now: datetime) -> Snapshot:
        """The same with every chain that was treated since the oldest supply in use was begun."""
        begun = [one.begun_at for one in self.ledger.supplies if one.ended_at is None or one.ended_at > now]
        if not begun:
            return self
        return self.of(self.once_read("treated since", lambda tx: tx.care.treated_since(min(begun))))

    def rag_offers(self, now: datetime) -> tuple[Offer, ...]:
        """What wipe tests say of bikes' limits."""
        return self._of_all("rag", offers, now)

    def trials(self, now: datetime) -> tuple[Turn, ...]:
        """Where every trial stands, the newest first."""
        return tuple(turn(self.whole.ledger, one, now=now) for one in self.ledger.trials[::-1])

    def found_by_trials(self, now: datetime) -> Found:
        """What all trials have shown."""
        return self._of_all("trials", found_by_trials, now)

    def pays_back(self, now: datetime) -> PayBack | None:
        """When the money of setting up is back; None where a price or a regime is missing."""
        waxed, lube = (self.cost(regime, now) for regime in Regime)
        return pay_back(self.whole.ledger, waxed, lube, self.app.prices, now=now)

    def work_ahead(self, now: datetime) -> None:
        """Work out what takes long, so that no page waits for it."""
        self.outlook(now)
        for chain in self.held or ():
            self.wear(chain, now)


def _hour(now: datetime) -> datetime:
    """Forecasts move by days: within an hour they may be remembered."""
    return now.replace(minute=0, second=0, microsecond=0)
