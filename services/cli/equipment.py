"""Commands about what the household owns: riders, bikes, chains, sensors, and what is fitted where."""

from __future__ import annotations

from datetime import date, datetime
from shlex import quote
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from rules.commands import AddBike, AddChain, AddRider, Amend, FitChain, PlaceSensor, Retire, TakeOff
from rules.same_names import tidy
from rules.vocabulary import Bike, Regime
from services.cli.keep_fact import (
    Yes,
    first_moment,
    keep,
    last_moment,
    ledger_of,
    ledger_on,
    moment_typed,
    tell,
    zone_for,
)
from services.cli.output import At, Home, amount, now_utc, open_app, parse_moment, say

if TYPE_CHECKING:
    from services.app import App

add = typer.Typer(
    no_args_is_help=True, help="Add a rider, a bike, a chain, a sensor, or a ride that nobody recorded."
)


@add.command()
def rider(
    name: str,
    email: Annotated[str | None, typer.Option(help="Where reminders go.")] = None,
    zone: Annotated[str, typer.Option(help="Time zone, as in the IANA list.")] = "UTC",
    home: Home = None,
) -> None:
    """Add a rider.

    Example: gritledger add rider Iva --email iva@example.org --zone Europe/Madrid
    """
    keep(open_app(home), AddRider(name, (email or "").strip() or None, zone), now=now_utc(), yes=True)
    say(f"Next: gritledger add bike NAME --owner {quote(' '.join(name.split()))}")


@add.command()
def bike(
    name: str,
    owner: Annotated[str | None, typer.Option(help="Whose it is; not needed with one rider.")] = None,
    unpaved: Annotated[float, amount("Usual share of unpaved ground, in %.")] = 0,
    chainrings: Annotated[str, typer.Option(help="Teeth, e.g. '48/31'.")] = "",
    cogs: Annotated[str, typer.Option(help="Teeth, e.g. '11-12-13-15-17-19-21-24-27-30-34'.")] = "",
    wheel_mm: Annotated[float | None, amount("Wheel circumference by roll-out, in mm.")] = None,
    indoor: Annotated[bool, typer.Option("--indoor", help="Lives on the trainer.")] = False,
    home: Home = None,
) -> None:
    """Add a bike. Teeth and wheel let a ride without sensors find its bike.

    Example: gritledger add bike Plover --unpaved 60 --chainrings 40 --cogs 11-13-15-18-21-24-28-34-42
    """
    from services.use_cases.find_by_name import rider_named

    app = open_app(home)
    added = AddBike(
        name=name,
        owner=rider_named(ledger_of(app), owner).id,
        unpaved_share=unpaved / 100,
        chainrings=_teeth(chainrings),
        cogs=_teeth(cogs),
        wheel_circumference_m=None if wheel_mm is None else wheel_mm / 1000,
        indoor=indoor,
    )
    keep(app, added, now=now_utc(), yes=True)
    say(f"Next: gritledger add chain NAME --on {quote(' '.join(name.split()))}")


@add.command()
def chain(
    name: str,
    on: Annotated[str | None, typer.Option(help="The bike it is fitted to.")] = None,
    at: At = None,
    regime: Annotated[Regime, typer.Option(help="Waxed, or wet lube as the control.")] = Regime.WAXED,
    speeds: Annotated[int | None, typer.Option(help="Cogs it is made for; sets the wear limit.")] = None,
    links: Annotated[int | None, typer.Option(help="Number of links.")] = None,
    price: Annotated[float | None, amount("What it cost.")] = None,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Add a chain, and say which bike it is on.

    Example: gritledger add chain 'Chain 3' --on Plover --at '2026-05-01 09:00' --speeds 12
    """
    from services.use_cases.find_by_name import bike_named
    from services.use_cases.record_change import add_and_fit

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    onto = bike_named(ledger, on) if on is not None else None
    when = _fitted_at(app, onto, at, now, yes)
    added = AddChain(name, regime, speeds, links, price, when)
    if onto is None:
        keep(app, added, now=now, yes=yes)
        say(f"Next: gritledger fit {quote(' '.join(name.split()))} BIKE")
        return
    for done in add_and_fit(app, added, onto.id, when, now=now):
        tell(done)


@add.command()
def sensor(
    identity: Annotated[
        str, typer.Argument(help="As 'gritledger list sensors' shows it, e.g. 'serial 4711'.")
    ],
    bike: Annotated[str, typer.Argument(help="The bike it sits on.")],
    kind: Annotated[str, typer.Option(help="What it is.")] = "sensor",
    since: At = None,
    home: Home = None,
) -> None:
    """Say which bike a sensor sits on, or has moved to; the rides it was heard on are judged again.

    Example: gritledger add sensor 'serial 4711' Plover --kind 'power meter' --at 2026-03-01
    """
    from services.use_cases.find_by_name import bike_named

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    onto = bike_named(ledger, bike)
    when = None if since is None else first_moment(since, now=now, zone=zone_for(ledger, onto))
    keep(app, PlaceSensor(tidy(identity), tidy(kind), onto.id, when), now=now, yes=True)


def change(
    name: Annotated[str, typer.Argument(help="What a rider, a bike or a chain is called now.")],
    new_name: Annotated[str | None, typer.Option("--name", help="What it is to be called.")] = None,
    email: Annotated[str | None, typer.Option(help="Where a rider's reminders go; '' for nowhere.")] = None,
    zone: Annotated[str | None, typer.Option(help="A rider's time zone.")] = None,
    unpaved: Annotated[float | None, amount("A bike's usual unpaved share, in %.")] = None,
    chainrings: Annotated[str | None, typer.Option(help="A bike's teeth, e.g. '48/31'.")] = None,
    cogs: Annotated[str | None, typer.Option(help="A bike's teeth.")] = None,
    wheel_mm: Annotated[float | None, amount("A bike's wheel circumference, in mm.")] = None,
    gone: Annotated[str | None, typer.Option(help="When a bike left the household.")] = None,
    regime: Annotated[Regime | None, typer.Option(help="A chain's: waxed, or wet lube.")] = None,
    speeds: Annotated[int | None, typer.Option(help="A chain's.")] = None,
    links: Annotated[int | None, typer.Option(help="A chain's.")] = None,
    price: Annotated[float | None, amount("A chain's.")] = None,
    what: Annotated[
        Literal["rider", "bike", "chain"] | None, typer.Option(help="Where several are called so.")
    ] = None,
    home: Home = None,
) -> None:
    """Change what was said of a rider, a bike or a chain; a new name is carried into your rulebook.

    Example: gritledger change Plover --name 'Old Plover' --unpaved 40
    """
    from services.use_cases.find_by_name import thing_named

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    thing, kind = thing_named(ledger, name, what)
    whose = zone_for(ledger, thing if isinstance(thing, Bike) else None)
    asked: dict[str, Any] = {
        "name": new_name,
        "email": email,
        "time_zone": zone,
        "unpaved_share": None if unpaved is None else unpaved / 100,
        "chainrings": None if chainrings is None else _teeth(chainrings),
        "cogs": None if cogs is None else _teeth(cogs),
        "wheel_circumference_m": None if wheel_mm is None else wheel_mm / 1000,
        "until_at": None if gone is None else last_moment(gone, now=now, zone=whose),
        "regime": regime,
        "speeds": speeds,
        "links": links,
        "price": price,
    }
    values = {field: value for field, value in asked.items() if value is not None}
    foreign = [field for field in values if not hasattr(thing, field)]
    if foreign or not values:
        raise typer.BadParameter(
            f"a {kind} has no {' or '.join(foreign).replace('_', ' ')}" if foreign else "say what to change"
        )
    if "email" in values:
        values["email"] = values["email"].strip() or None
    keep(app, Amend(kind, thing.id, values), now=now, yes=True)


def fit(
    chain: Annotated[str, typer.Argument(help="The chain.")],
    bike: Annotated[str, typer.Argument(help="The bike it goes on.")],
    at: At = None,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Fit a chain to a bike; the chain that was on it comes off at the same moment.

    A date alone means before that day's first ride.

    A quick link is often made for few openings or one: follow its maker. Check that it has clicked in,
    by hand and under a turn of the cranks, before you ride.

    Example: gritledger fit 'Chain 3' Plover --at 'yesterday 20:00'
    """
    from services.use_cases.find_by_name import bike_named, the_chain_named

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    put_on, onto = the_chain_named(ledger, chain), bike_named(ledger, bike)
    keep(app, FitChain(put_on.id, onto.id, _fitted_at(app, onto, at, now, yes)), now=now, yes=yes)


def take_off(
    chain: str,
    at: At = None,
    retire: Annotated[
        bool, typer.Option("--retire", help="It is worn out: no reminder speaks of it again.")
    ] = False,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Take a chain off its bike, or retire a worn one. A date alone means after that day's last ride.

    Example: gritledger take-off 'Chain 3' --retire
    """
    from rules.gate.times import after_last_ride
    from services.use_cases.find_by_name import the_chain_named

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    off = the_chain_named(ledger, chain)
    zone = zone_for(ledger, off, now=now)
    when = moment_typed(
        at,
        now=now,
        zone=zone,
        yes=yes,
        that_day=lambda day: after_last_ride(ledger_on(app, day), off.id, day, zone, now),
    )
    keep(app, Retire(off.id, when) if retire else TakeOff(off.id, when), now=now, yes=yes)


def _fitted_at(app: App, onto: Bike | None, at: str | None, now: datetime, yes: bool) -> datetime:
    """When it went on: a date alone is before that day's first ride of the bike."""
    from rules.gate.times import Moment, before_first_ride

    zone = zone_for(ledger_of(app), onto)

    def that_day(day: date) -> Moment:
        if onto is None:
            return Moment(parse_moment(at, now=now, zone=zone).at)
        return before_first_ride(ledger_on(app, day), onto.id, day, zone, now)

    return moment_typed(at, now=now, zone=zone, yes=yes, that_day=that_day)


def _teeth(text: str) -> tuple[int, ...]:
    from rules.gate.field_checks import teeth_in

    teeth = teeth_in(text)
    if teeth is None:
        raise typer.BadParameter(
            f"'{text}' is no list of teeth; write every cog, e.g. 11-13-15-17-19-21-24-28"
        )
    return teeth
