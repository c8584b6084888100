"""A rider's corrections: previewed, kept as new facts, and undone; all after them is derived again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingest.bikes.judge import RideClues
from rules.ledger import Ledger
from rules.outlook import Difference, difference, with_condition, with_ride_on
from rules.vocabulary import Bike, BikeId, Condition, DecidedBy, Ride, RideId
from rules.wording import listed
from services.app import App, zone_of
from services.store import FactRefused, NotFound, Transaction
from services.use_cases.judge_bikes import Judge, judge_again
from services.use_cases.update_reminders import reckon

A_RIDER = "a rider"


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a correction did, in sentences, and its number, for undoing it."""

    number: int
    sentences: tuple[str, ...]


def rides_of_span(
    tx: Transaction, first: datetime | None, end: datetime | None, *, on: BikeId | None = None
) -> tuple[Ride, ...]:
    """The rides that started in a span, or those of them on one bike."""
    return tx.rides.rides((first, end), bike=on)


def preview_rides_on(app: App, rides: Sequence[RideId], bike: BikeId | None, *, now: datetime) -> Difference:
    """What would change if these rides were on that bike (None: on none of ours)? Nothing is kept."""
    with app.store.reading() as tx:
        before = tx.ledger()
    after = with_answers(before, dict.fromkeys(rides, bike))
    return difference(before, after, app.rulebook, now=now, zone_of=zone_of)


def with_answers(ledger: Ledger, answers: Mapping[RideId, BikeId | None]) -> Ledger:
    """The ledger, had these rides been on those bikes (None: on none of ours)."""
    for ride, bike in answers.items():
        ledger = with_ride_on(ledger, ride, bike)
    return ledger


def preview_condition(app: App, ride: RideId, word: Condition | None, *, now: datetime) -> Difference:
    """What would change if the rider said this word on the ride? Nothing is kept."""
    with app.store.reading() as tx:
        before = tx.ledger()
    return difference(before, with_condition(before, ride, word), app.rulebook, now=now, zone_of=zone_of)


def put_rides_on(
    app: App,
    rides: Sequence[RideId],
    bike: BikeId | None,
    *,
    now: datetime,
    by: str = A_RIDER,
) -> Corrected:
    """The rider's word: these rides were on that bike (None: none of ours). Raises NotFound, FactRefused."""
    return answer_rides(app, dict.fromkeys(rides, bike), now=now, by=by)


def answer_rides(
    app: App, answers: Mapping[RideId, BikeId | None], *, now: datetime, by: str = A_RIDER
) -> Corrected:
    """The rider's word on many rides at once, each on its bike (None: none of ours); one undo takes it back.

    Raises NotFound, FactRefused.
    """
    if not answers:
        raise FactRefused("There is no ride in that span; nothing was changed.")
    with app.store.writing() as tx:
        bikes = {
            bike: "none of ours" if bike is None else tx.equipment.bike(bike).name
            for bike in answers.values()
        }
        decisions = [
            [ride, tx.rides.record(ride, bike, decided_by=DecidedBy.RIDER, at=now, by=by).id]
            for ride, bike in answers.items()
        ]
        what = f"{_rides(tx, list(answers))} on {listed(list(bikes.values()))}"
        return _kept(tx, app, what, {"kind": "bike", "decisions": decisions}, now, by)


def say_condition(
    app: App, ride: RideId, word: Condition | None, *, now: datetime, by: str = A_RIDER
) -> Corrected:
    """The rider's word on what the ride was like; None takes it back. Raises NotFound."""
    with app.store.writing() as tx:
        before = tx.rides.ride(ride).word
        tx.rides.set_word(ride, word, now, by)
        said = f"called {word.value}" if word else "left to the archive"
        what = f"{_rides(tx, [ride])} {said}"
        restore = {"kind": "word", "ride": ride, "word": before.value if before else None}
        return _kept(tx, app, what, restore, now, by)


def say_unpaved(
    app: App, ride: RideId, share: float | None, *, now: datetime, by: str = A_RIDER
) -> Corrected:
    """The rider's word on how much of the ride was unpaved, 0..1. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        said = [word for word in tx.rides.words_of(ride) if word.about == "unpaved share"]
        before = float(said[-1].said) if said and said[-1].said is not None else None
        tx.rides.set_unpaved_share(ride, share, now, by)
        shown = "left to file and bike" if share is None else f"{share:.0%} unpaved"
        restore = {"kind": "unpaved", "ride": ride, "share": before}
        return _kept(tx, app, f"{_rides(tx, [ride])} {shown}", restore, now, by)


def move_sensor(
    app: App,
    identity: str,
    kind: str,
    bike: Bike,
    since: datetime | None,
    *,
    now: datetime,
    by: str = A_RIDER,
) -> Corrected:
    """The rider's word: this sensor sits on that bike since then; rides it was heard on are judged again.

    Raises FactRefused.
    """
    with app.store.writing() as tx:
        before = [
            [s.kind, s.identity, s.bike, _iso(s.from_at), _iso(s.until_at)]
            for s in tx.equipment.sensors()
            if s.identity == identity
        ]
        tx.equipment.add_sensor(kind, identity, bike.id, from_at=since)
        restore = {"kind": "sensor", "identity": identity, "spans": before}
        return _kept(tx, app, f"{identity} sits on {bike.name}", restore, now, by)


def withdraw_ride(app: App, ride: RideId, why: str, *, now: datetime, by: str = A_RIDER) -> Corrected:
    """This was no ride of ours: it counts no more, and is kept. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        what = f"{_rides(tx, [ride])} counted no more"
        tx.rides.withdraw(ride, at=now, by=by, why=why)
        return _kept(tx, app, what, {"kind": "withdrawn", "ride": ride}, now, by)


def split_outing(app: App, ride: RideId, *, now: datetime, by: str = A_RIDER) -> Corrected:
    """These two recordings were two outings after all: both count.

    ride: the second recording, or the ride it belongs to if that has only one. Raises NotFound, FactRefused.
    """
    with app.store.writing() as tx:
        details = tx.rides.details(ride)
        kept, other = details.kept_ride, ride
        if kept is None:
            if not details.second_recordings:
                raise FactRefused(f"Ride {ride} has no second recording to split from it.")
            if len(details.second_recordings) > 1:
                several = listed([str(one) for one in details.second_recordings])
                raise FactRefused(f"Ride {ride} has several second recordings: say which of {several}.")
            kept, other = ride, details.second_recordings[0]
        restore = {
            "kind": "split",
            "kept": kept,
            "other": other,
            "because": list(tx.rides.why_same_outing(other)),
        }
        tx.rides.split_again(other, at=now, by=by)
        clues = tx.rides.clues(other)
        if clues and tx.rides.assignment_in_force(other) is None:
            Judge(tx).decide(tx, other, RideClues.from_json(clues), now)
        what = f"{_rides(tx, [other])} split from ride {kept}: both count"
        return _kept(tx, app, what, restore, now, by)


def undo(app: App, number: int | None = None, *, now: datetime, by: str = A_RIDER) -> Corrected:
    """Take back a correction or a logged treatment, the newest by default. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        last = tx.corrections.last() if number is None else tx.corrections.get(number)
        if last is None:
            raise FactRefused("There is nothing to undo.")
        if last.undone_at is not None:
            raise FactRefused(f"“{last.what}” was undone already.")
        _restore(tx, last.restore, now, by)
        tx.corrections.mark_undone(last.id, at=now, by=by)
        return Corrected(last.id, (f"Undone: {last.what}.", *_derived(tx, app, last.restore, now)))


def _kept(tx: Transaction, app: App, what: str, restore: dict[str, Any], now: datetime, by: str) -> Corrected:
    number = tx.corrections.add(what, restore, at=now, by=by).id
    return Corrected(number, (f"Noted: {what}.", *_derived(tx, app, restore, now)))


def _derived(tx: Transaction, app: App, restore: dict[str, Any], now: datetime) -> tuple[str, ...]:
    """Everything after a changed fact: rides it teaches about, then the reminders."""
    settled = judge_again(tx, now, heard=restore["identity"] if restore["kind"] == "sensor" else None)
    said = [f"That also settled {_rides(tx, settled)}."] if settled else []
    return (*said, *reckon(tx, app, now=now).sentences)


def _restore(tx: Transaction, restore: dict[str, Any], now: datetime, by: str) -> None:
    match restore["kind"]:
        case "bike":
            for _, decision in restore["decisions"]:
                tx.rides.take_back_decision(decision, at=now, by=by)
        case "word":
            word = restore["word"]
            tx.rides.set_word(RideId(restore["ride"]), Condition(word) if word else None, now, by)
        case "unpaved":
            tx.rides.set_unpaved_share(RideId(restore["ride"]), restore["share"], now, by)
        case "sensor":
            for sensor in tx.equipment.sensors():
                if sensor.identity == restore["identity"]:
                    tx.equipment.remove_sensor(sensor.id)
            for kind, identity, bike, from_at, until_at in restore["spans"]:
                tx.equipment.add_sensor(kind, identity, BikeId(bike), _instant(from_at), _instant(until_at))
        case "split":
            kept, other = RideId(restore["kept"]), RideId(restore["other"])
            tx.rides.link_same_outing(kept, other, restore["because"], at=now, by=by)
        case "withdrawn":
            tx.rides.restore(RideId(restore["ride"]), at=now, by=by)
        case "care":
            tx.care.retract(restore["fact"], restore["id"], at=now, by=by, why="undone")
        case "taken back":
            tx.care.undo_retraction(restore["fact"], restore["id"], at=now, by=by)
        case unknown:
            raise NotFound("kind of correction", unknown)


def _rides(tx: Transaction, rides: Sequence[RideId]) -> str:
    if len(rides) == 1:
        ride = tx.rides.ride(rides[0])
        return f"ride {ride.id} of {ride.started_at.astimezone():%Y-%m-%d %H:%M}"
    return f"{len(rides)} rides"


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _instant(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
