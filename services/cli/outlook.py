"""Commands that look ahead: how far each limit is, what would change, and which bike to take tomorrow."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from rules.commands import SetLimits
from rules.dates_and_numbers import local_stamp
from rules.ledger import Ledger
from rules.same_names import as_read
from rules.typed_input import Mistyped, number_in
from rules.vocabulary import ChainId, Condition, Regime, RideId
from services.cli.keep_fact import keep, list_as_json, print_plain, zone_for
from services.cli.output import (
    LARGEST,
    AsJson,
    Home,
    amount,
    now_utc,
    open_app,
    print_json,
    say,
    table,
)

if TYPE_CHECKING:
    from rules.sensitivity import Sensitivity
    from services.app import App
    from services.views.tomorrow import DayAhead


def what_if(
    ride: Annotated[int | None, typer.Option(min=1, max=LARGEST, help="A ride …")] = None,
    on: Annotated[
        str | None, typer.Option(help="… had been on this bike, or: an imagined ride on it.")
    ] = None,
    word: Annotated[Condition | None, typer.Option(help="… had been like this.")] = None,
    hours: Annotated[float, amount("Drive hours of an imagined ride.", low=0.1, high=24)] = 2.0,
    limit: Annotated[str | None, typer.Option(help="A limit had another value, e.g. 'drip=8'.")] = None,
    year: Annotated[
        bool, typer.Option("--year", help="The last year had been cared for another way.")
    ] = False,
    take: Annotated[
        str | None, typer.Option(help="With --year and --on: this way is good, set its limits for the bike.")
    ] = None,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Show what would be different: a ride on another bike, rain tomorrow, another limit.

    Nothing is kept, but for --take. --year reads every ride there is, some seconds for tens of thousands.

    Examples: gritledger what-if --ride 12 --on Plover · gritledger what-if --on Plover --word wet --hours 3
    · gritledger what-if --year · gritledger what-if --year --on Plover --take 'a longer wait for the pot'
    """
    if year:
        _year(home, on, take, as_json)
        return
    from rules.rulebook import KEYS
    from rules.what_if import difference, with_condition, with_imagined_ride, with_ride_on
    from services.app import zone_of
    from services.use_cases.preview import on_then

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        before = tx.in_use(now)
        bike = tx.equipment.find_bike(on) if on else None
        if ride is not None:
            asked = tx.rides.ride(RideId(ride))
            worn = on_then(before, asked, bike.id if bike is not None else asked.bike)
            before = before.joined(tx.ledger_of(worn, rides=[asked.id]))
    in_force = app.rulebook_for(before)
    after, book, then = before, in_force, now
    if ride is not None and bike is not None:
        after = with_ride_on(after, RideId(ride), bike.id)
    elif bike is not None:
        after = with_imagined_ride(after, bike.id, start=now, drive_h=hours, word=word or Condition.DRY)
        then = now + timedelta(hours=hours)
    if ride is not None and word is not None:
        after = with_condition(after, RideId(ride), word)
    if limit is not None:
        name, _, value = limit.partition("=")
        key = f"limit.{name.strip()}"
        if key not in KEYS:
            known = ", ".join(k.removeprefix("limit.") for k in KEYS if k.startswith("limit."))
            raise typer.BadParameter(f"there is no limit '{name.strip()}'; known: {known}")
        try:
            number = number_in(value)
        except Mistyped as error:
            raise typer.BadParameter(f"{name.strip()}: {error}") from error
        try:
            book = book.with_value(key, number)
        except ValueError as error:  # outside the range that the rulebook gives, in words
            raise typer.BadParameter(str(error)) from error
    if after is before and book is in_force:
        raise typer.BadParameter(
            "imagine something: --ride with --on or --word; --on with --word; --limit; or --year"
        )
    found = difference(before, after, in_force, now=then, rulebook_after=book, zone_of=zone_of)
    if as_json:
        print_plain(found, before)
        return
    for sentence in found.sentences or ("Nothing would change.",):
        say(sentence)


def _year(home: Path | None, on: str | None, take: str | None, as_json: bool) -> None:
    """The last year, bike by bike, cared for another way; one way may be taken over."""
    from rules.year.another_way import another_way, can_be_taken_over, taken_over
    from services.app import zone_of

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        ledger = tx.ledger()
    found = another_way(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
    if as_json and take is None:
        print_plain(found, ledger)
        return
    if not found:
        say("No bike with a waxed chain was ridden enough in the last year to be worth comparing.")
    if take is not None:
        meant = [one for one in found if on is None or as_read(one.name) == as_read(on)]
        if len(meant) != 1:
            raise typer.BadParameter(
                "say for which bike: --on " + " or --on ".join(one.name for one in found)
            )
        limits, why = taken_over(meant[0], take, ledger, app.rulebook_for(ledger), now=now)
        if why:
            raise typer.BadParameter(why)
        keep(app, SetLimits(limits, now, take), now=now, yes=False)
        return
    for one in found:
        table(
            (one.name, "pot", "drips", "swaps", "hours", "wear, %"),
            (
                (
                    lived.way.name,
                    f"{lived.deeds.get('immersion', 0.0) + lived.deeds.get('clean', 0.0):.0f}",
                    f"{lived.deeds.get('drip', 0.0) + lived.deeds.get('oil', 0.0):.0f}",
                    f"{lived.deeds.get('swap', 0.0):.0f}",
                    f"{lived.minutes[1] / 60:.1f}",
                    f"{100 * lived.wear[0]:.0f} to {100 * lived.wear[2]:.0f}",
                )
                for lived in (one.own, *one.others)
            ),
            right=(1, 2, 3, 4, 5),
        )
        for sentence in one.sentences:
            say(sentence)
        for lived in one.others:
            if can_be_taken_over(one, lived) and lived.minutes[1] < one.own.minutes[1]:
                say(f"Yours on a yes: gritledger what-if --year --on '{one.name}' --take '{lived.way.name}'")
    say("Wear rests on two assumed numbers that nobody measured; rust is not in it. No money is reckoned.")


def outlook(
    chain: Annotated[str | None, typer.Argument(help="One chain, or the bike that wears it.")] = None,
    weights: Annotated[
        bool, typer.Option("--weights", help="Instead: how much rests on the weights of water, mud, dust.")
    ] = False,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Show how far each limit of each chain is, and when it comes at the recent pace.

    With --weights: how far grit-hours and these dates move if water, mud or dust weigh less or more than
    assumed.

    Examples: gritledger outlook · gritledger outlook Plover · gritledger outlook 'Chain 1' --weights
    """
    from rules.outlook import outlook as look_ahead
    from services.app import zone_of
    from services.use_cases.find_by_name import chain_named

    app, now = open_app(home), now_utc()
    if as_json and not weights:
        list_as_json(app, "outlook", now=now, chain=chain)
        return
    with app.store.reading() as tx:
        ledger = tx.in_use(now)
        only = {chain_named(ledger, chain, now).id} if chain else None
        ledger = ledger.joined(tx.ledger_of((only or set()) - ledger.in_use(now)))
    if weights:
        _sensitivity(app, ledger, only, now, as_json)
        return
    table(
        ("chain", "on", "what", "used", "limit", "", "at this pace"),
        (
            (
                ledger.chain(row.chain).name,
                ledger.bike(row.bike).name if row.bike else "",
                row.kind.value,
                f"{row.used:.1f}",
                f"{row.limit:g}",
                row.unit,
                "now"
                if row.used >= row.limit
                else local_stamp(row.by, zone_of(ledger.rider(row.rider).time_zone))[:10]
                if row.by
                else "not in sight",
            )
            for row in look_ahead(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
            if only is None or row.chain in only
        ),
        right=(3, 4),
    )


def _sensitivity(app: App, ledger: Ledger, only: set[ChainId] | None, now: datetime, as_json: bool) -> None:
    """How far grit-hours and due dates move with each weight; of these chains, or of all on bikes."""
    from rules.sensitivity import sensitivity as of_chains
    from services.app import zone_of

    found = of_chains(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of, only=only)
    if as_json:
        print_plain(found, ledger)
        return
    if not found:
        say("No chain is on a bike: gritledger fit CHAIN BIKE")
    for one in found:
        named = ledger.chain(one.chain)
        care = ("drip", "immersion") if named.regime is Regime.WAXED else ("oil", "cleaning")
        table(
            (named.name, "weight", "grit-hours", *care),
            _rows(one, now.astimezone(zone_for(ledger))),
            right=(1, 2),
        )
        say(one.sentence)
        say("")


def _rows(one: Sensitivity, now: datetime) -> Iterator[tuple[str, str, str, str, str]]:
    stands = one.assumed
    yield (
        "as assumed",
        "",
        f"{stands.grit_h:.1f}",
        _when(stands.drip_by, now),
        _when(stands.immersion_by, now),
    )
    for row in one.moves:
        low, high = row.low, row.high
        yield (
            row.what,
            f"{row.range[0]:g} to {row.range[1]:g}" if row.range else "",
            f"{low.grit_h:.1f} to {high.grit_h:.1f}",
            _span(low.drip_by, high.drip_by, now),
            _span(low.immersion_by, high.immersion_by, now),
        )


def _span(low: datetime | None, high: datetime | None, now: datetime) -> str:
    """By the weight's lowest and by its highest, in the order of the other columns."""
    first, last = _when(low, now), _when(high, now)
    return first if first == last else f"{first} to {last}"


def _when(at: datetime | None, now: datetime) -> str:
    if at is None:
        return "–"
    return "now" if at <= now else f"{at.astimezone(now.tzinfo):%Y-%m-%d}"


def tomorrow(
    weather: Annotated[
        Literal["rain", "dust", "salt"] | None,
        typer.Argument(help="What it will be like; left out, the forecast says, if the settings ask for it."),
    ] = None,
    rider: Annotated[str | None, typer.Option(help="Who rides; left out, everybody.")] = None,
    hours: Annotated[float | None, amount("Hours of pedalling.", low=0.1, high=24)] = None,
    start: Annotated[str, typer.Option(help="When a ride of --hours begins.")] = "09:00",
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Show which bike to take tomorrow, and why: what the day would put into each chain.

    The day is the rider's usual one for that weekday, or --hours from --start. For the forecast set
    `tomorrow.forecast = true`: one question an evening, for the cell you ride in most.

    Examples: gritledger tomorrow · gritledger tomorrow rain --hours 2 --start 17:30
    """
    from services.views.tomorrow import days_ahead

    try:
        begins = time.fromisoformat(start.zfill(5))
    except ValueError as error:
        raise typer.BadParameter(f"'{start}' is no time of day; write 17:30") from error
    app, now = open_app(home), now_utc()
    found = days_ahead(app, now=now, rider=rider, weather=weather, hours=hours, begins=begins)
    if as_json:
        print_json([_day(one) for one in found])
        return
    if not found:
        say("There are no riders yet: gritledger add rider NAME")
    for one in found:
        say(f"{one.rider}: {one.sentence}" if len(found) > 1 else one.sentence)
        if one.choices:
            table(
                ("bike", "chain", "grit-hours", "wet", "cost"),
                (
                    (c.bike.name, c.chain.name, f"{c.grit_h:.1f}", f"{c.wet_chance:.0%}", f"{c.cost:.2f}")
                    for c in one.choices
                ),
                right=(2, 3, 4),
            )
        for doubt in one.doubts:
            say(doubt)


def _day(one: DayAhead) -> dict[str, Any]:
    """One rider's day to come, for a program."""
    choices = [
        {
            "bike": c.bike.name,
            "chain": c.chain.name,
            "swapped": c.swapped,
            "grit_h": c.grit_h,
            "wet_probability": c.wet_chance,
            "cost": c.cost,
        }
        for c in one.choices
    ]
    return {"rider": one.rider, "sentence": one.sentence, "choices": choices, "doubts": list(one.doubts)}
