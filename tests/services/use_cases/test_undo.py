"""Undo: whatever is said and unsaid in whatever order, the household is what the remaining words make it."""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from rules.commands import (
    AddBike,
    Command,
    FittingWasNot,
    ForgetSensor,
    LogTreatment,
    PlaceSensor,
    Retire,
    SayCondition,
    TakeOff,
    TellRide,
    WithdrawRide,
)
from rules.gate.apply import applied
from rules.ledger import FAMILIES, Ledger
from rules.own_limits import set_for
from rules.vocabulary import BikeId, ChainId, Condition, DecidedBy, FittingId, Regime, RideId, RiderId
from services.app import App
from services.store import Change, FactRefused, NeedsConfirmation, NotFound
from services.store.rows_of_facts import FAMILIES as TABLES
from services.use_cases.record_change import FAMILY, record
from services.use_cases.undo import undo
from services.use_cases.update_reminders import reckon
from services.wiring import open_app
from tests.put_into import into
from tests.rules.gate.random_commands import START, any_command
from tests.services.wet_week import DAY, wet_week
from tests.wet_household import BIKES, FIRST_DAY, RIDE_AT, a_ride

MOVES_BIKES = (AddBike, PlaceSensor, ForgetSensor)
SAID_AT = START + timedelta(days=41)


@dataclass
class Told:
    """A home that is told things, and what still stands of them: number in the log, when, what."""

    app: App
    standing: list[tuple[int, datetime, Command]] = field(default_factory=list)
    refused: int = 0
    stood: Counter[type] = field(default_factory=Counter)
    undone: Counter[type] = field(default_factory=Counter)


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home to start from."""
    return ridden_home(tmp_path_factory.mktemp("ridden"))


def ridden_home(place: Path) -> Path:
    """A home with two bikes, their sensors, an oiled chain and five wet rides, judged and tagged.

    Two of the rides were recorded twice.
    """
    week = wet_week(place / "home")
    for day in range(1, 6):
        week.ride(day)
    for day in (2, 4):
        start = FIRST_DAY + day * DAY + RIDE_AT + timedelta(seconds=4)
        again = week.shop.settings.home / "rides" / f"{day}-again.fit"
        again.write_bytes(a_ride(start, BIKES[0][1], eastward=0.0))
    week.round(5)
    with week.shop.store.writing() as tx:
        into(tx).add_chain("Spare", regime=Regime.WET_LUBE)
    week.shop.store.close()
    return week.shop.settings.home


def home(ridden: Path, place: Path) -> App:
    """A copy of it to talk to."""
    shutil.copytree(ridden, place)
    return open_app(place)


def facts(ledger: Ledger) -> dict[str, Any]:
    """What a ledger says of equipment and care, in any order."""
    return {family: {one.id: one for one in getattr(ledger, family)} for family in FAMILIES}


def by_name(app: App) -> dict[str, Any]:
    """What riders see, without the numbers that a replay gives anew."""
    with app.store.reading() as tx:
        ledger, standing = tx.ledger(), tx.reminders.standing()
    bikes = {one.id: one.name for one in ledger.bikes}
    chains = {one.id: one.name for one in ledger.chains}
    riders = {one.id: one.name for one in ledger.riders}
    named: dict[str, dict[Any, str]] = {"owner": riders, "chain": chains, "bike": bikes}
    named |= {"waxed": chains, "control": chains}

    def all_of(family: str) -> list[str]:
        """Every field of every fact, with names for the numbers."""
        told = [
            {name: getattr(one, name) for name in one.__dataclass_fields__} for one in getattr(ledger, family)
        ]
        return sorted(
            str(
                {
                    name: named[name][value] if name in named else value
                    for name, value in one.items()
                    if name != "id"
                }
            )
            for one in told
        )

    return {
        **{family: all_of(family) for family in FAMILIES if family != "own_limits"},
        "own limits": sorted(
            (one.set_at, [(set_for(ledger, value), value.scope) for value in one.limits])
            for one in ledger.own_limits
        ),
        "rides": sorted(
            (
                *(one.started_at, one.ended_at, riders[one.rider]),
                *((one.bike and bikes[one.bike]) or "", one.decided_by or ""),
                *(one.word or "", str(one.unpaved_share)),
            )
            for one in ledger.rides
        ),
        "reminders": sorted(  # by what they ask for
            (one.reminder.headline, round(one.reminder.total, 6), one.reminder.limit) for one in standing
        ),
    }


def talk(told: Told, dice: random.Random, words: int, but: tuple[type, ...] = ()) -> None:
    """Say so many things; undo some of what was said, in any order."""
    for word in range(words):
        now = SAID_AT + timedelta(minutes=word)
        if told.standing and dice.random() < 0.3:
            number = dice.choice(told.standing)[0]
            try:
                undo(told.app, number, now=now, confirmed=True)
            except FactRefused:  # a rider with rides
                told.refused += 1
                continue
            with told.app.store.reading() as tx:
                left = {one.number for one in tx.changes.standing()}
            assert number not in left
            told.undone.update(type(one[2]) for one in told.standing if one[0] not in left)
            told.standing = [one for one in told.standing if one[0] in left]
            continue
        with told.app.store.reading() as tx:
            before = tx.ledger()
        command = any_command(before, dice, but=but)
        try:
            done = record(told.app, command, now=now, confirmed=True)
        except (FactRefused, NotFound):
            told.refused += 1
            with told.app.store.reading() as tx:
                assert facts(tx.ledger()) == facts(before)
            continue
        with told.app.store.reading() as tx:
            after = tx.ledger()
        assert facts(after) == facts(applied(before, command, done.made)), command
        told.stood[type(command)] += 1
        told.standing.append((done.number, now, command))


def replayed(told: Told, app: App) -> None:
    """Say the remaining things to a fresh home; numbers that it gives anew are carried over."""
    with told.app.store.reading() as tx:
        made = {one.number: _made(one) for one in tx.changes.standing()}
    renumbered: dict[tuple[str, int], int] = {}
    for number, now, command in told.standing:
        again = _with_numbers(command, renumbered)
        done = record(app, again, now=now, confirmed=True)
        with app.store.reading() as tx:
            made_again = _made(tx.changes.get(done.number))
        renumbered |= dict(zip(made[number], (one for _, one in made_again), strict=True))


_FIELDS = {
    "owner": "rider",
    "rider": "rider",
    "chain": "chain",
    "waxed": "chain",
    "control": "chain",
    "bike": "bike",
    "fitting": "fitting",
    "trial": "trial",
    "supply": "supply",
    "ride": "ride",
}


def _made(change: Change) -> tuple[tuple[str, int], ...]:
    """What a command made, by the words that other commands name it by."""
    match change.command:
        case TellRide():
            return (("ride", change.rows[0]),)
        case LogTreatment():
            return tuple(("treatment", change.made + more) for more in range(len(change.command.chains)))
        case None:
            return ()
    family = FAMILY.get(type(change.command))
    called = family and TABLES[family].word
    return ((called, change.made),) if called else ()


def _with_numbers(command: Command, renumbered: dict[tuple[str, int], int]) -> Command:
    values = {name: getattr(command, name) for name in type(command).__dataclass_fields__}
    for name, family in _FIELDS.items():
        if name in values:
            values[name] = renumbered.get((family, values[name]), values[name])
    if "number" in values:
        family = values.get("what") or values.get("fact")
        values["number"] = renumbered.get((family, values["number"]), values["number"])
    if "also" in values:
        values["also"] = tuple(renumbered.get(("chain", one), one) for one in values["also"])
    if "limits" in values:
        values["limits"] = tuple(
            replace(one, owner=renumbered.get((one.scope, one.owner), one.owner)) for one in values["limits"]
        )
    if "answers" in values:
        values["answers"] = tuple(
            (renumbered.get(("ride", ride), ride), bike and renumbered.get(("bike", bike), bike))
            for ride, bike in values["answers"]
        )
    again: Command = type(command)(**values)
    return again


def check(ridden: Path, place: Path, seed: int, words: int, *, bikes_move: bool) -> Told:
    """One sequence: the home that was told and untold, against one that was told what remains.

    bikes_move: things are said that move rides to other bikes by themselves: sensors and new bikes. How a
    ride is judged then hangs on when: on the fittings and the answers of that moment. What is compared is
    all that riders said, and the bikes they named.
    """
    told = Told(home(ridden, place / "told"))
    talk(told, random.Random(seed), words, but=() if bikes_move else MOVES_BIKES)
    fresh = home(ridden, place / "fresh")
    replayed(told, fresh)
    for app in (told.app, fresh):  # both look at their reminders in the same hour
        with app.store.writing() as tx:
            reckon(tx, app, now=SAID_AT + timedelta(hours=1))
    left, right = by_name(told.app), by_name(fresh)
    if bikes_move:
        for seen in (left, right):
            seen["rides"] = [one if one[4] is DecidedBy.RIDER else one[:3] for one in seen["rides"]]
            del seen["reminders"]
    assert left == right, f"seed {seed}"
    told.app.store.close()
    fresh.store.close()
    return told


@pytest.mark.parametrize("seed", range(6 * int(os.environ.get("GRITLEDGER_TESTS_LONG", "1"))))
def test_what_remains_is_what_was_said_and_not_unsaid(ridden: Path, tmp_path: Path, seed: int) -> None:
    """Two thousand of them: python -m tests.benchmarks.undo."""
    check(ridden, tmp_path, seed, words=30, bikes_move=seed % 2 == 1)


def test_a_told_ride_goes_with_all_that_was_said_of_it(ridden: Path, tmp_path: Path) -> None:
    app = home(ridden, tmp_path / "home")
    before = by_name(app)["rides"]
    tell = TellRide(RiderId(1), BikeId(1), START + timedelta(days=30), 40.0)
    told = record(app, tell, now=SAID_AT)
    with app.store.reading() as tx:
        ride = RideId(tx.changes.get(told.number).rows[0])
    record(app, SayCondition(ride, Condition.WET), now=SAID_AT)
    record(app, WithdrawRide(ride), now=SAID_AT)

    with pytest.raises(NeedsConfirmation, match=f"Ride {ride} does not count then"):
        undo(app, told.number, now=SAID_AT)
    undo(app, told.number, now=SAID_AT, confirmed=True)

    with app.store.reading() as tx:
        assert tx.changes.standing() == ()
    assert by_name(app)["rides"] == before
    app.store.close()


@pytest.mark.parametrize("off", [TakeOff, Retire])
def test_a_bike_without_its_chain_was_not_ridden_until_that_is_undone(
    ridden: Path, tmp_path: Path, off: type[TakeOff | Retire]
) -> None:
    app = home(ridden, tmp_path / "home")
    before = by_name(app)["rides"]
    taken = record(app, off(ChainId(1), START + timedelta(days=2)), now=SAID_AT)
    assert {one[3] for one in by_name(app)["rides"][1:]} == {"Harrier"}

    record(app, FittingWasNot(FittingId(1)), now=SAID_AT)  # of its chains nothing is known any more
    assert by_name(app)["rides"] == before

    undo(app, now=SAID_AT)
    assert {one[3] for one in by_name(app)["rides"][1:]} == {"Harrier"}
    undo(app, taken.number, now=SAID_AT)
    assert by_name(app)["rides"] == before
    app.store.close()


def test_a_span_that_was_forgotten_comes_back_beside_the_one_placed_since(
    ridden: Path, tmp_path: Path
) -> None:
    app = home(ridden, tmp_path / "home")
    with app.store.reading() as tx:
        span = next(one for one in tx.equipment.sensors() if one.identity == "serial 4712")
    forgotten = record(app, ForgetSensor(span.identity, span.bike, span.from_at), now=SAID_AT)
    placed = PlaceSensor(span.identity, span.kind, span.bike, START + timedelta(days=30))
    record(app, placed, now=SAID_AT)

    undo(app, forgotten.number, now=SAID_AT)

    with app.store.reading() as tx:
        spans = [one for one in tx.equipment.sensors() if one.identity == "serial 4712"]
    assert [(one.from_at, one.until_at) for one in spans] == [
        (None, placed.from_at),
        (placed.from_at, None),
    ]
    app.store.close()
