"""Commands about what the household owns: riders, bikes, chains, sensors, and what is fitted where."""

from __future__ import annotations

import re
from shlex import quote
from typing import Annotated

import typer

from rules.vocabulary import Regime, Rider
from services.cli.output import At, Home, local, now_utc, parse_when, say, table

PANEL = "Bikes and chains"
add = typer.Typer(no_args_is_help=True, help="Add a rider, a bike, a chain or a sensor.")


def register(commands: typer.Typer) -> None:
    """Hang these commands on the application."""
    commands.add_typer(add, name="add", rich_help_panel=PANEL)
    commands.command(rich_help_panel=PANEL)(fit)
    commands.command("take-off", rich_help_panel=PANEL)(take_off)
    commands.command(rich_help_panel=PANEL)(retire)
    commands.command(rich_help_panel=PANEL)(bikes)
    commands.command(rich_help_panel=PANEL)(chains)
    commands.command(rich_help_panel=PANEL)(sensors)


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
    from services.wiring import open_app

    if email is not None and not re.fullmatch(r"[^@\s]+@[^@\s]+", email):
        raise typer.BadParameter(f"'{email}' is no mail address; write e.g. iva@example.org")
    with open_app(home).store.writing() as tx:
        added = tx.equipment.add_rider(name, email, zone)
    say(f"{added.name} is a rider now. Next: gritledger add bike NAME --owner {quote(added.name)}")


@add.command()
def bike(
    name: str,
    owner: Annotated[str | None, typer.Option(help="Whose it is; not needed with one rider.")] = None,
    unpaved: Annotated[float, typer.Option(min=0, max=100, help="Usual share of unpaved ground, in %.")] = 0,
    chainrings: Annotated[str, typer.Option(help="Teeth, e.g. '48/31'.")] = "",
    cogs: Annotated[str, typer.Option(help="Teeth, e.g. '11-12-13-15-17-19-21-24-27-30-34'.")] = "",
    wheel_mm: Annotated[
        float | None, typer.Option(min=500, max=3000, help="Wheel circumference by roll-out, in mm.")
    ] = None,
    indoor: Annotated[bool, typer.Option("--indoor", help="Lives on the trainer.")] = False,
    home: Home = None,
) -> None:
    """Add a bike. Teeth and wheel let a ride without sensors find its bike.

    Example: gritledger add bike Plover --unpaved 60 --chainrings 40 --cogs 11-13-15-18-21-24-28-34-42
    """
    from services.wiring import open_app

    with open_app(home).store.writing() as tx:
        whose = tx.equipment.find_rider(owner) if owner else _only_rider(tx.equipment.riders())
        added = tx.equipment.add_bike(
            name=name,
            owner=whose.id,
            unpaved_share=unpaved / 100,
            chainrings=_teeth(chainrings),
            cogs=_teeth(cogs),
            wheel_circumference_m=None if wheel_mm is None else wheel_mm / 1000,
            indoor=indoor,
        )
    say(f"{added.name} is in the household. Next: gritledger add chain NAME --on {quote(added.name)}")


@add.command()
def chain(
    name: str,
    on: Annotated[str | None, typer.Option(help="The bike it is fitted to.")] = None,
    at: At = None,
    regime: Annotated[Regime, typer.Option(help="Waxed, or wet lube as the control.")] = Regime.WAXED,
    speeds: Annotated[
        int | None, typer.Option(min=1, max=14, help="Cogs it is made for; sets the wear limit.")
    ] = None,
    links: Annotated[int | None, typer.Option(min=40, max=200, help="Number of links.")] = None,
    price: Annotated[float | None, typer.Option(min=0, help="What it cost.")] = None,
    home: Home = None,
) -> None:
    """Add a chain, and say which bike it is on.

    Example: gritledger add chain 'Chain 3' --on Plover --at '2026-05-01 09:00' --speeds 12
    """
    from services.wiring import open_app

    when = parse_when(at, now=now_utc())
    with open_app(home).store.writing() as tx:
        added = tx.equipment.add_chain(
            name, regime=regime, speeds=speeds, links=links, price=price, acquired_at=when
        )
        if on is not None:
            tx.equipment.fit_chain(added.id, tx.equipment.find_bike(on).id, when)
    say(
        f"{added.name} is known"
        + (f", on {on} since {local(when)}." if on else "; fit it with: gritledger fit")
    )


@add.command()
def sensor(
    identity: Annotated[str, typer.Argument(help="As 'gritledger sensors' shows it, e.g. 'serial 4711'.")],
    bike: Annotated[str, typer.Argument(help="The bike it sits on.")],
    kind: Annotated[str, typer.Option(help="What it is.")] = "sensor",
    since: At = None,
    home: Home = None,
) -> None:
    """Say which bike a sensor sits on; rides that carry it find that bike. A sensor that moved: say so again.

    Example: gritledger add sensor 'serial 4711' Plover --kind 'power meter' --at 2026-03-01
    """
    from services.wiring import open_app

    when = None if since is None else parse_when(since, now=now_utc())
    with open_app(home).store.writing() as tx:
        onto = tx.equipment.find_bike(bike)
        tx.equipment.add_sensor(kind, identity, onto.id, from_at=when)
    say(f"{identity} sits on {onto.name}" + (f" since {local(when)}." if when else "."))


def fit(
    chain: Annotated[str, typer.Argument(help="The chain.")],
    bike: Annotated[str, typer.Argument(help="The bike it goes on.")],
    at: At = None,
    home: Home = None,
) -> None:
    """Fit a chain to a bike; the chain that was on it comes off at the same moment.

    A quick link is often made for few openings or one: follow its maker. Check that it has clicked in,
    by hand and under a turn of the cranks, before you ride.

    Example: gritledger fit 'Chain 3' Plover --at 'yesterday 20:00'
    """
    from services.wiring import open_app

    when = parse_when(at, now=now_utc())
    with open_app(home).store.writing() as tx:
        put_on, onto = tx.equipment.find_chain(chain), tx.equipment.find_bike(bike)
        tx.equipment.fit_chain(put_on.id, onto.id, when)
    say(f"{put_on.name} is on {onto.name} since {local(when)}.")


def take_off(chain: str, at: At = None, home: Home = None) -> None:
    """Take a chain off its bike.

    Example: gritledger take-off 'Chain 3'
    """
    from services.wiring import open_app

    when = parse_when(at, now=now_utc())
    with open_app(home).store.writing() as tx:
        off = tx.equipment.find_chain(chain)
        tx.equipment.remove_chain(off.id, when)
    say(f"{off.name} came off at {local(when)}.")


def retire(chain: str, at: At = None, home: Home = None) -> None:
    """Retire a worn chain: it comes off, and no reminder speaks of it again.

    Example: gritledger retire 'Chain 3'
    """
    from services.wiring import open_app

    when = parse_when(at, now=now_utc())
    with open_app(home).store.writing() as tx:
        done = tx.equipment.retire_chain(tx.equipment.find_chain(chain).id, when)
    say(f"{done.name} is retired since {local(when)}.")


def bikes(home: Home = None) -> None:
    """List the bikes, whose they are, and the chain each wears.

    Example: gritledger bikes
    """
    from services.wiring import open_app

    with open_app(home).store.reading() as tx:
        if not tx.equipment.bikes():
            say("No bike yet: gritledger add bike NAME")
            return
        riders = {rider.id: rider.name for rider in tx.equipment.riders()}
        chain_name = {chain.id: chain.name for chain in tx.equipment.chains()}
        on = {f.bike: chain_name[f.chain] for f in tx.equipment.fittings() if f.removed_at is None}
        table(
            ("bike", "owner", "chain", "unpaved", "chainrings", "cogs"),
            (
                (
                    b.name,
                    riders[b.owner],
                    on.get(b.id, "none noted"),
                    f"{b.unpaved_share:.0%}",
                    "/".join(map(str, b.chainrings)) or "not entered",
                    "-".join(map(str, b.cogs)) or "not entered",
                )
                for b in tx.equipment.bikes()
            ),
            right=(3,),
        )


def chains(home: Home = None) -> None:
    """List the chains, where each is, and what each has been through.

    Example: gritledger chains
    """
    from rules.contamination import history
    from services.wiring import open_app

    app = open_app(home)
    with app.store.reading() as tx:
        ledger = tx.ledger()
    if not ledger.chains:
        say("No chain yet: gritledger add chain NAME --on BIKE")
        return
    now = now_utc()
    rows = []
    for one in ledger.chains:
        past, where = history(ledger, one.id, app.rulebook), ledger.fitting_of(one.id, now)
        place = ledger.bike(where.bike).name if where else "retired" if one.retired_at else "on the shelf"
        rows.append(
            (
                one.name,
                one.regime.value,
                place,
                f"{past.since_drip.grit_h:.1f}",
                f"{past.since_immersion.grit_h:.1f}",
                f"{past.over_life.grit_h:.1f}",
                f"{past.over_life.drive_h:.1f}",
            )
        )
    table(
        ("chain", "regime", "where", "since drip", "since immersion", "over life", "drive hours"),
        rows,
        right=(3, 4, 5, 6),
    )
    say(
        "Since drip, since immersion and over life are in grit-hours: "
        "drive hours weighted by water, mud and dust."
    )


def sensors(home: Home = None) -> None:
    """List every sensor seen in ride files, and the bike each is known to sit on.

    Example: gritledger sensors
    """
    from services.wiring import open_app

    spans: dict[str, list[str]] = {}
    rows: list[tuple[object, ...]] = []
    with open_app(home).store.reading() as tx:
        name = {bike.id: bike.name for bike in tx.equipment.bikes()}
        entered, heard = tx.equipment.sensors(), tx.equipment.sensors_seen()
    for s in entered:
        since = f" from {local(s.from_at)}" if s.from_at else ""
        until = f" until {local(s.until_at)}" if s.until_at else ""
        spans.setdefault(s.identity, []).append(f"{name[s.bike]}{since}{until}")
    for one in heard:
        place = "; ".join(spans.pop(one.identity, ["not said"]))
        rows.append((one.identity, one.kind, one.rides, local(one.first_at), local(one.last_at), place))
    kinds = {s.identity: s.kind for s in entered}
    rows += [(identity, kinds[identity], 0, "", "", "; ".join(on)) for identity, on in spans.items()]
    if not rows:
        say("No sensor was heard yet, and none entered.")
        return
    table(("sensor", "kind", "rides", "first seen", "last seen", "sits on"), rows, right=(2,))


def _teeth(text: str) -> tuple[int, ...]:
    parts = [part for part in text.replace(",", "-").replace("/", "-").replace(" ", "-").split("-") if part]
    if not all(part.isdigit() and 8 <= int(part) <= 70 for part in parts):
        raise typer.BadParameter(
            f"'{text}' is no list of teeth; write every cog, e.g. 11-13-15-17-19-21-24-28"
        )
    return tuple(sorted(int(part) for part in parts))


def _only_rider(riders: tuple[Rider, ...]) -> Rider:
    if len(riders) != 1:
        raise typer.BadParameter(
            "say whose it is with --owner" if riders else "add a rider first: gritledger add rider NAME"
        )
    return riders[0]
