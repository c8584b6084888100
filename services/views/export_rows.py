"""Lists as rows of plain values, units in their names: the same for export, page and --json."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from functools import cached_property
from itertools import product
from typing import Any, TypeAlias

from rules.kinds_of_work import work
from rules.ledger import Ledger
from rules.reasons import reading_words
from rules.ride_name import own_title
from rules.rulebook import KEYS
from rules.vocabulary import Chain, Condition, Reading, Ride, Sensor, Treatment, WipeTest
from rules.wear.forecast import Forecast, Measure
from services.app import App, household_zone
from services.store import NotFound, SensorSighting
from services.store.bookkeeping import FILES_WAITING
from services.views.chain_state import state_of
from services.views.snapshot import Snapshot

Row: TypeAlias = Mapping[str, Any]
Rows: TypeAlias = Iterable[Row]
WAITS = "not read yet, tried again by itself"  # what became of a file that waits


@dataclass(frozen=True)
class Look:
    """A look at the ledger: what rows are made from. Only what the wanted rows hold is read.

    taken: a snapshot that is at hand.  only: rows of this chain alone are wanted.
    most, but: of files so many of the newest, and none that became one of these.
    """

    app: App
    now: datetime
    taken: Snapshot | None = None
    only: Chain | None = None
    most: int | None = None
    but: Collection[str] = ()

    @cached_property
    def snapshot(self) -> Snapshot:
        """The chains in use. Raises StoreError, RulebookError."""
        if self.taken is not None:
            return self.taken
        with self.app.store.reading() as tx:
            return Snapshot.read(tx, self.app, self.now)

    @cached_property
    def ledger(self) -> Ledger:
        """Who and what there is. Raises StoreError."""
        if self.taken is not None:
            return self.taken.ledger
        with self.app.store.reading() as tx:
            return tx.garage()

    @property
    def zone(self) -> tzinfo:
        """The household's wall clock."""
        return household_zone(self.ledger.riders)

    @property
    def lives(self) -> tuple[Snapshot, tuple[Chain, ...]]:
        """The chains whose rows are wanted, retired ones too, and a snapshot of their whole lives."""
        if self.only is not None:
            return self.snapshot.of({self.only.id}), (self.only,)
        return self.snapshot.whole, self.snapshot.ledger.chains


def ride_rows(look: Look, rides: Iterable[Ride]) -> Rows:
    """These rides, one a row."""
    return [_ride(look, ride) for ride in rides]


def rows_of(name: str, look: Look) -> Rows:
    """The list of that name. Raises NotFound with the names there are."""
    if name not in LISTS:
        raise NotFound("list", name, [*LISTS, "rides"])
    return LISTS[name](look)


def _ride(look: Look, ride: Ride) -> Row:
    snapshot = look.snapshot
    chain = snapshot.ledger.chain_of(ride)
    conditions = snapshot.conditions(ride)
    like = {one: drive_h for one, drive_h, _ in conditions}
    return {
        "ride": ride.id,
        "started_at": ride.started_at,
        "ended_at": ride.ended_at,
        "rider": snapshot.rider(ride).name,
        "title": own_title(ride),
        "bike": None if ride.bike is None else snapshot.bike_name(ride.bike),
        "decided_by": ride.decided_by,
        "chain": None if chain is None else chain.name,
        "distance_m": round(ride.distance_m, 1),
        "climb_m": round(ride.climb_m, 1),
        "drive_h": round(ride.drive_s / 3600, 4),
        "grit_h": round(sum(grit_h for _, _, grit_h in conditions), 4),
        **{f"{one.value}_drive_h": round(like.get(one, 0.0), 4) for one in Condition},
        "indoor": ride.indoor,
        "file": ride.file_name,
    }


def _chains(look: Look) -> Rows:
    now, (snapshot, chains) = look.now, look.lives
    for chain in chains:
        state = state_of(snapshot, chain, now)
        yield {
            "chain": chain.id,
            "name": chain.name,
            "regime": chain.regime,
            "where": state.where,
            "speeds": chain.speeds,
            "links": chain.links,
            "since_drip_grit_h": round(state.film_used, 4),
            "drip_limit_grit_h": state.film_limit,
            "since_immersion_grit_h": round(state.immersion_used, 4),
            "immersion_limit_grit_h": state.immersion_limit,
            "over_life_grit_h": round(state.over_life.grit_h, 4),
            "over_life_drive_h": round(state.over_life.drive_h, 4),
            "without_weather_drive_h": round(state.over_life.unknown_h, 4),
            "ridden_m": round(1000 * Measure.KILOMETRES.over_life(snapshot.past(chain.id, now)), 1),
        }


_CARE_FIGURES = ("minutes", "cost", "over_pct", "under_pct", "exact_pct", "instrument", "grade")


def _care(look: Look) -> Rows:
    with look.app.store.reading() as tx:
        ledger = tx.care_ledger()
    every: Sequence[Any] = sorted([*ledger.treatments, *ledger.readings, *ledger.wipe_tests], key=_instant)
    for one in every:
        treated, read = isinstance(one, Treatment), isinstance(one, Reading)
        kind = one.kind.value if treated else one.tool.value if read else "rag"
        found = reading_words(one) if read else "" if treated else f"grade {one.grade} of 4"
        yield {
            "at": _instant(one),
            "chain": ledger.chain(one.chain).name,
            "fact": "treatment" if treated else "reading" if read else "wipe test",
            "number": one.id,
            "kind": kind,
            **{figure: getattr(one, figure, None) for figure in _CARE_FIGURES},
            "sentence": f"{kind}: {found}" if found else kind,
            "note": getattr(one, "note", ""),
        }


def _instant(one: Treatment | Reading | WipeTest) -> datetime:
    return one.taken_at if isinstance(one, Reading) else one.done_at


def _reminders(look: Look) -> Rows:
    with look.app.store.reading() as tx:
        raised = tx.reminders.all_()
    names = {chain.id: chain.name for chain in look.ledger.chains}
    for one in raised:
        yield {
            "reminder": one.id,
            "raised_at": one.steps[0].at,
            "state": one.state,
            "kind": one.reminder.kind,
            "chain": names.get(one.reminder.chain, "undone since"),
            "headline": one.reminder.headline,
            "sentence": one.reminder.sentence,
            "total": round(one.reminder.total, 4),
            "limit": one.reminder.limit,
            "unit": one.reminder.unit,
            "cause_at": one.reminder.cause_at,
            "urgency": one.reminder.urgency,
            "rulebook": one.reminder.rulebook_version,
        }


def _files(look: Look) -> Rows:
    """Those that wait to be read, and those that were; the newest first."""
    with look.app.store.reading() as tx:
        files = tx.files.outcomes(limit=look.most, but=look.but)
        waiting = tx.notes.get(FILES_WAITING, [])
    keys = ("seen_at", "file", "bytes", "became", "why", "try_this", "ride", "sha256")
    for name, why, try_this in waiting:
        yield dict(zip(keys, (None, name, None, WAITS, why, try_this, None, None), strict=True))
    for one in files:
        row = (one.seen_at, one.name, one.size, one.outcome, one.why, one.try_this, one.ride, one.sha256)
        yield dict(zip(keys, row, strict=True))


def _wear(look: Look) -> Rows:
    now, (snapshot, chains) = look.now, look.lives
    for chain in chains:
        answer = snapshot.wear(chain.id, now)
        sure = isinstance(answer, Forecast)
        yield {
            "chain": chain.name,
            "regime": chain.regime,
            "readings": len(snapshot.ledger.readings_of(chain.id)),
            "chance_worn": round(answer.chance_worn, 4),
            "left_low_drive_h": round(answer.left[0], 1) if isinstance(answer, Forecast) else None,
            "left_middle_drive_h": round(answer.left[1], 1) if isinstance(answer, Forecast) else None,
            "left_high_drive_h": round(answer.left[2], 1) if isinstance(answer, Forecast) else None,
            "sentence": answer.sentence,
            "wants": "" if sure else getattr(answer, "wants", ""),
        }


def _bikes(look: Look) -> Rows:
    ledger = look.ledger
    for bike in ledger.bikes:
        worn = ledger.chain_on(bike.id, look.now)
        with look.app.store.reading() as tx:
            ridden = tx.rides.sums(bike=bike.id)
        yield {
            "bike": bike.id,
            "name": bike.name,
            "owner": ledger.rider(bike.owner).name,
            "chain": None if worn is None else worn.name,
            "unpaved_share": bike.unpaved_share,
            "chainrings": bike.chainrings,
            "cogs": bike.cogs,
            "wheel_circumference_m": bike.wheel_circumference_m,
            "indoor": bike.indoor,
            "from_at": bike.from_at,
            "until_at": bike.until_at,
            "rides": ridden.count,
            "ridden_m": round(ridden.distance_m, 1),
        }


def _riders(look: Look) -> Rows:
    for rider in look.ledger.riders:
        yield {"rider": rider.id, "name": rider.name, "email": rider.email, "time_zone": rider.time_zone}


def _fittings(look: Look) -> Rows:
    ledger = look.ledger
    for one in sorted(ledger.fittings, key=lambda one: (one.fitted_at, one.id)):
        yield {
            "fitting": one.id,
            "chain": ledger.chain(one.chain).name,
            "bike": ledger.bike(one.bike).name,
            "fitted_at": one.fitted_at,
            "removed_at": one.removed_at,
        }


def _sensors(look: Look) -> Rows:
    """Every sensor heard or entered, a row for each span on a bike."""
    spans: dict[str, list[Sensor | None]] = {}
    for one in look.ledger.sensors:
        spans.setdefault(one.identity, []).append(one)
    heard: dict[str, list[SensorSighting | None]] = {}
    with look.app.store.reading() as tx:
        sensors_seen = tx.equipment.sensors_seen()
    for sighting in sensors_seen:
        heard.setdefault(sighting.identity, []).append(sighting)
    for identity in {**heard, **spans}:
        for seen, on in product(heard.get(identity, [None]), spans.get(identity, [None])):
            yield {
                "sensor": identity,
                "kind": seen.kind if seen else on and on.kind,
                "head_unit": seen is not None and seen.recorder,
                "rides": seen.rides if seen else 0,
                "first_heard_at": seen and seen.first_at,
                "last_heard_at": seen and seen.last_at,
                "sits_on": on and look.ledger.bike(on.bike).name,
                "from_at": on and on.from_at,
                "until_at": on and on.until_at,
            }


def _limits(look: Look) -> Rows:
    rulebook = look.app.rulebook_for(look.ledger)
    for key in KEYS:
        one = rulebook.judgement(key)
        yield {
            "key": one.key,
            "value": one.value,
            "unit": one.unit,
            "low": one.low,
            "high": one.high,
            "rests_on": one.source,
        }


def _changes(look: Look) -> Rows:
    with look.app.store.reading() as tx:
        every = tx.changes.all_()
    for one in every:
        yield {"number": one.number, "at": one.at, "by": one.by, "what": one.what, "undone_at": one.undone_at}


def _due(look: Look) -> Rows:
    for one in look.snapshot.most_pressing_first:
        due = one.reminder
        hands = work(due.kind, look.snapshot.ledger.chain(due.chain).regime)
        yield {
            "reminder": one.id,
            "state": one.state,
            "kind": due.kind,
            "chain": look.snapshot.ledger.chain(due.chain).name,
            "bike": None if due.bike is None else look.snapshot.bike_name(due.bike),
            "rider": look.snapshot.ledger.rider(due.rider).name,
            "headline": due.headline,
            "sentence": due.sentence,
            "total": round(due.total, 4),
            "limit": due.limit,
            "unit": due.unit,
            "without_weather_drive_h": round(due.unknown_h, 4),
            "cause_at": due.cause_at,
            "urgency": due.urgency,
            "answered_by": None if hands is None else hands.answer,
        }


def _outlook(look: Look) -> Rows:
    ledger = look.snapshot.ledger
    for one in look.snapshot.outlook(look.now):
        yield {
            "chain": ledger.chain(one.chain).name,
            "bike": None if one.bike is None else ledger.bike(one.bike).name,
            "rider": ledger.rider(one.rider).name,
            "kind": one.kind,
            "used": round(one.used, 4),
            "limit": one.limit,
            "unit": one.unit,
            "pace_per_day": one.pace_per_day,
            "without_weather_drive_h": round(one.unknown_h, 4),
            "by": one.by,
            "sentence": one.sentence,
        }


LISTS: Mapping[str, Callable[[Look], Rows]] = {
    "due": _due,
    "outlook": _outlook,
    "chains": _chains,
    "care": _care,
    "reminders": _reminders,
    "files": _files,
    "wear": _wear,
    "bikes": _bikes,
    "limits": _limits,
    "riders": _riders,
    "fittings": _fittings,
    "sensors": _sensors,
    "changes": _changes,
}
