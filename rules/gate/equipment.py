"""May this be said of riders, bikes, chains, and of what sits where?"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from rules import commands as say
from rules.gate.field_checks import address, line, name, span, text, time_zone, unpaved_share, within
from rules.gate.times import not_ahead
from rules.gate.verdicts import Hearing, Objection, Refused, said_of, the_one
from rules.same_names import as_read
from rules.vocabulary import Bike, Chain, Fitting, Rider

MOST_PRICE = 1_000_000.0
TEETH = (8, 70)  # of a chainring or a cog; common practice, no source
MOST_GEARS = {"chainrings": 3, "cogs": 14}
WHEEL_M = (0.5, 3.0)  # circumference
SPEEDS = (1, 14)
LINKS = (40, 200)


def add_rider(command: say.AddRider, hearing: Hearing) -> Iterator[Objection]:
    yield from name(command.name, "rider", hearing.ledger.riders)
    yield from address(command.email)
    yield from time_zone(command.time_zone, hearing)


def add_bike(command: say.AddBike, hearing: Hearing) -> Iterator[Objection]:
    yield from name(command.name, "bike", hearing.ledger.bikes)
    for field in ("owner", "unpaved_share", "chainrings", "cogs", "wheel_circumference_m"):
        yield from said_of(field, _bike_field(field, getattr(command, field), hearing))
    yield from _here(command.from_at, command.until_at, hearing)


def add_chain(command: say.AddChain, hearing: Hearing) -> Iterator[Objection]:
    yield from name(command.name, "chain", hearing.ledger.chains)
    for field in ("speeds", "links", "price"):
        yield from said_of(field, _chain_field(field, getattr(command, field)))
    if command.acquired_at is not None:
        yield from not_ahead(command.acquired_at, hearing)


def amend(command: say.Amend, hearing: Hearing) -> Iterator[Objection]:
    things: dict[str, tuple[Rider | Bike | Chain, ...]] = {
        "rider": hearing.ledger.riders,
        "bike": hearing.ledger.bikes,
        "chain": hearing.ledger.chains,
    }
    meant = the_one(command.number, things[command.what], command.what)
    for field, value in command.values.items():
        if field == "name":
            others = [one for one in things[command.what] if one.id != command.number]
            yield from name(str(value), command.what, others)
        elif command.what == "rider":
            yield from address(value) if field == "email" else time_zone(str(value), hearing)  # type: ignore[arg-type]
        elif command.what == "bike":
            yield from said_of(field, _bike_field(field, value, hearing))
        else:
            yield from said_of(field, _chain_field(field, value))
    if isinstance(meant, Bike):
        values = {"from_at": meant.from_at, "until_at": meant.until_at} | command.values
        yield from _here(values["from_at"], values["until_at"], hearing)  # type: ignore[arg-type]


def _here(from_at: datetime | None, until_at: datetime | None, hearing: Hearing) -> Iterator[Objection]:
    """Since when and until when a bike is in the household: not to come; it may be older than files."""
    yield from span(from_at, until_at)
    if from_at is not None and from_at > hearing.now:
        yield from said_of("from_at", not_ahead(from_at, hearing))
    if until_at is not None:
        yield from said_of("until_at", not_ahead(until_at, hearing))


def fit_chain(command: say.FitChain, hearing: Hearing) -> Iterator[Objection]:
    chain, bike = hearing.chain(command.chain), hearing.bike(command.bike)
    yield from not_ahead(command.at, hearing, bike.id)
    if chain.retired_at is not None:
        yield Refused(
            f"{chain.name} was retired on {hearing.told(chain.retired_at, bike.id)}; it cannot be fitted. "
            "If it was not, undo that first."
        )
    yield from _gone(bike, command.at, hearing)
    if bike.from_at is not None and command.at < bike.from_at:
        yield Refused(
            f"{bike.name} came only on {hearing.told(bike.from_at, bike.id)}. Say a later time, or "
            "since when it is here.",
            "at",
        )
    yield from _overlaps(command, chain, bike, hearing)


def _gone(bike: Bike, at: datetime, hearing: Hearing) -> Iterator[Objection]:
    if bike.until_at is not None and at >= bike.until_at:
        yield Refused(
            f"{bike.name} has been gone since {hearing.told(bike.until_at, bike.id)}. Say an earlier time, "
            "or that it is still here.",
            "at",
        )


def _overlaps(command: say.FitChain, chain: Chain, bike: Bike, hearing: Hearing) -> Iterator[Objection]:
    """A chain sits on one bike and a bike wears one chain: who was there at that time, or came later?"""
    for other in hearing.ledger.fittings:
        if chain.id != other.chain and bike.id != other.bike:
            continue
        if other.removed_at is not None and other.removed_at <= command.at:
            continue
        same = (other.chain, other.bike) == (chain.id, bike.id)
        if other.removed_at is None and other.fitted_at <= command.at:
            if same:
                since = hearing.told(other.fitted_at, bike.id)
                yield Refused(f"{chain.name} is on {bike.name} already, since {since}.", "chain")
            continue  # it comes off when this one goes on
        yield Refused(
            f"{_where(other, hearing)}; the times overlap. Say another time, or mend that first.", "at"
        )


def _where(fitting: Fitting, hearing: Hearing) -> str:
    chain, bike = hearing.chain(fitting.chain), hearing.bike(fitting.bike)
    until = f"until {hearing.told(fitting.removed_at, fitting.bike)}" if fitting.removed_at else "until now"
    return f"{chain.name} was on {bike.name} from {hearing.told(fitting.fitted_at, fitting.bike)} {until}"


def take_off(command: say.TakeOff, hearing: Hearing) -> Iterator[Objection]:
    chain = hearing.chain(command.chain)
    on = hearing.fitting_of(chain.id)
    if on is None:
        yield Refused(f"{chain.name} is on no bike.", "chain")
        return
    yield from not_ahead(command.at, hearing, on.bike)
    if command.at <= on.fitted_at:
        yield Refused(
            f"{chain.name} was fitted only on {hearing.told(on.fitted_at, on.bike)}; take it off after that.",
            "at",
        )


def retire(command: say.Retire, hearing: Hearing) -> Iterator[Objection]:
    chain = hearing.chain(command.chain)
    if chain.retired_at is not None:
        yield Refused(f"{chain.name} was retired on {hearing.told(chain.retired_at)} already.")
        return
    yield from not_ahead(command.at, hearing)
    later = [
        *(one.fitted_at for one in hearing.ledger.fittings if one.chain == chain.id),
        *(one.removed_at for one in hearing.ledger.fittings if one.chain == chain.id and one.removed_at),
        *(one.done_at for one in hearing.ledger.treatments if one.chain == chain.id),
        *(one.taken_at for one in hearing.ledger.readings if one.chain == chain.id),
        *(one.done_at for one in hearing.ledger.wipe_tests if one.chain == chain.id),
    ]
    if later and command.at < max(later):
        yield Refused(
            f"Something was done with {chain.name} on {hearing.told(max(later))}, after that time. Say a "
            "later time, or undo that first.",
            "at",
        )
    elif chain.acquired_at is not None and command.at < chain.acquired_at:
        yield Refused(f"{chain.name} came only on {hearing.told(chain.acquired_at)}; say a later time.", "at")


def fitting_was_not(command: say.FittingWasNot, hearing: Hearing) -> Iterator[Objection]:
    the_one(command.fitting, hearing.ledger.fittings, "fitting")
    yield from said_of("because", text(command.because, "A reason"))


def place_sensor(command: say.PlaceSensor, hearing: Hearing) -> Iterator[Objection]:
    bike = hearing.bike(command.bike)
    yield from said_of(
        "identity", line(command.identity, "A sensor's identity", "as 'gritledger list sensors' shows it")
    )
    yield from said_of("kind", line(command.kind, "A sensor's kind", "such as 'power meter'"))
    if command.from_at is not None:
        yield from not_ahead(command.from_at, hearing, bike.id)
        yield from _gone(bike, command.from_at, hearing)
    spelt = {
        one.identity for one in hearing.ledger.sensors if as_read(one.identity) == as_read(command.identity)
    }
    if spelt and command.identity not in spelt:
        yield Refused(f"There is a sensor “{min(spelt)}” already; write it so.", "identity")
    for before in hearing.ledger.sensors:
        if before.identity != command.identity:
            continue
        since = command.from_at
        left_before = since is not None and before.until_at is not None and before.until_at <= since
        leaves_then = since is not None and (before.from_at is None or before.from_at < since)
        if left_before or leaves_then:
            continue
        yield Refused(
            f"The sensor {command.identity} is already on {hearing.bike(before.bike).name} in that time; say "
            "from when it sits on this one.",
            "at",
        )
        return


def forget_sensor(command: say.ForgetSensor, hearing: Hearing) -> Iterator[Objection]:
    spans = {(one.identity, one.bike, one.from_at) for one in hearing.ledger.sensors}
    if (command.identity, command.bike, command.from_at) not in spans:
        yield Refused(f"Nobody said that {command.identity} sat there; there is nothing to forget.")


def _bike_field(field: str, value: object, hearing: Hearing) -> Iterator[Objection]:
    if field == "owner" and all(one.id != value for one in hearing.ledger.riders):
        yield Refused(f"There is no rider {value}; say whose bike it is.")
    elif field == "unpaved_share":
        yield from unpaved_share(value)
    elif field == "wheel_circumference_m":
        yield from within(value, *WHEEL_M, "The wheel's circumference in m", "it by roll-out, such as 2.1")
    elif field in MOST_GEARS and isinstance(value, tuple):
        low, high = TEETH
        if len(value) > MOST_GEARS[field]:
            yield Refused(f"{len(value)} {field} are too many; a bike has at most {MOST_GEARS[field]}.")
        wrong = next((one for one in value if not low <= one <= high), None)
        if wrong is not None:
            yield Refused(f"{wrong} teeth are none that {field} have: write each, from {low} to {high}.")


def _chain_field(field: str, value: object) -> Iterator[Objection]:
    if field == "speeds":
        yield from within(value, *SPEEDS, "The speeds a chain is made for")
    elif field == "links":
        yield from within(value, *LINKS, "The number of links")
    elif field == "price":
        yield from within(value, 0.0, MOST_PRICE, "The price")
