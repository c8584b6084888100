"""Commands about rides: list them, correct them."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from rules.commands import SayCondition, SayUnpaved, SplitOuting, TellRide, WithdrawRide
from rules.dates_and_numbers import hours, local_stamp
from rules.ledger import Ledger
from rules.ride_name import own_title
from rules.units import Units, distance
from rules.vocabulary import Condition, Ride, RideId
from services.cli.assign import AsPreviewed, only_previews, show_preview
from services.cli.equipment import add
from services.cli.keep_fact import Yes, keep, ledger_around, ledger_of, zone_for
from services.cli.output import (
    LARGEST,
    AsJson,
    At,
    Home,
    amount,
    now_utc,
    open_app,
    parse_moment,
    print_json,
    say,
    table,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from services.app import App

RideNumber = Annotated[
    int, typer.Argument(min=1, max=LARGEST, help="The ride's number, as 'gritledger rides' shows it.")
]


def rides(
    number: Annotated[
        int | None,
        typer.Argument(
            min=1, max=LARGEST, help="One ride, hour by hour; without it, the list.", show_default=False
        ),
    ] = None,
    unsure: Annotated[
        bool, typer.Option("--unsure", help="Only questions, the shortest useful one first.")
    ] = False,
    last: Annotated[int, typer.Option(min=1, help="How many, newest last.")] = 20,
    bike: Annotated[str | None, typer.Option(help="Only on this bike.")] = None,
    text: Annotated[str, typer.Option(help="Only with this in title or file name.")] = "",
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """List rides, with their bike and conditions; or show one: its hours, their weather, and why that bike.

    Examples: gritledger rides --unsure · gritledger rides 12
    """
    from services.app import zone_of
    from services.views.terminal_text import ride_conditions, ride_story

    app = open_app(home)
    if number is not None:
        if unsure or bike or text:
            raise typer.BadParameter("one ride is shown whole; leave the other options out")
        if not as_json:
            for line in ride_story(app, number):
                say(line)
            return
    with app.store.reading() as tx:
        on = tx.equipment.find_bike(bike).id if bike else None
        if number is not None:
            found: tuple[Ride, ...] = (tx.rides.ride(RideId(number)),)
        elif unsure:
            from services.use_cases.judge_bikes import HouseholdJudgement

            asked_first = [ride for one in HouseholdJudgement.to_ask(tx).questions() for ride in one.rides]
            order = {ride: place for place, ride in enumerate(asked_first)}
            asked = sorted(tx.rides.confirm_list(), key=lambda one: order.get(one.id, len(order)))
            found = tuple(asked[:last])
        else:
            found = tx.rides.rides(bike=on, text=text, newest_first=True, limit=last)[::-1]
        ledger = tx.garage()
        bikes = {b.id: b for b in ledger.bikes}
        riders = {r.id: r for r in ledger.riders}
    rows = [
        (
            one.id,
            local_stamp(one.started_at, zone_of(riders[one.rider].time_zone)),
            riders[one.rider].name,
            own_title(one),
            distance(one.distance_m),
            hours(one.drive_s),
            bikes[one.bike].name if one.bike else "?" if one.decided_by is None else "none of ours",
            ride_conditions(ledger, one, app.rulebook_for(ledger)),
        )
        for one in found
    ]
    headings = ("ride", "started", "rider", "title", "distance", "drive time", "bike", "conditions")
    if as_json:
        _print_rides(app, found, with_hours=number is not None)
        return
    if rows:
        table(headings, rows, right=(0, 4, 5))
    if unsure:
        say("Say which: gritledger assign RIDE BIKE" if rows else "Every ride has found its bike.")
    elif not rows:
        narrowed = bike is not None or text
        say("No such ride." if narrowed else "No ride yet. Read some: gritledger import FOLDER")


def _print_rides(app: App, rides: Sequence[Ride], *, with_hours: bool) -> None:
    """Rides for a program; with_hours: and what the ground was like in each."""
    from rules.contamination import exposures
    from services.views.export_rows import Look, ride_rows
    from services.views.json_values import plain

    look = Look(app, now_utc())
    rows = []
    for one, row in zip(rides, ride_rows(look, rides), strict=True):
        put = exposures(look.snapshot.ledger, one, look.snapshot.rulebook)
        ridden = [{"ridden": hour, "chain_got": got} for hour, got in zip(one.hours, put, strict=True)]
        rows.append(plain({**row, "hours": ridden} if with_hours else row, look.snapshot.zone))
    print_json(rows)


@add.command("ride")
def add_ride(
    minutes: Annotated[float, amount("How long you rode, in minutes.", kind=typer.Argument)],
    on: Annotated[str, typer.Option(help="The bike; 'none' for none of ours.")],
    at: At = None,
    rider: Annotated[str | None, typer.Option(help="Who rode; not needed with one rider.")] = None,
    like: Annotated[
        Condition | None, typer.Option(help="What it was like, if you want to say so yourself.")
    ] = None,
    km: Annotated[float, amount("How far, in km.")] = 0,
    miles: Annotated[float, amount("How far, in miles.")] = 0,
    near: Annotated[
        int | None, typer.Option(min=1, help="It was where this ride was: gives it that place's weather.")
    ] = None,
    indoor: Annotated[bool, typer.Option("--indoor", help="On the trainer.")] = False,
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Tell of a ride that nobody recorded. It gets the weather of where you rode about then.

    Example: gritledger add ride 40 --on Plover --at 'yesterday 18:00' --like wet
    """
    from rules.gate.rides import LONGEST_MIN
    from services.use_cases.find_by_name import bike_named, place_about, rider_named

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    who = rider_named(ledger, rider, "--rider")
    bike = None if on.casefold() == "none" else bike_named(ledger, on)
    began = parse_moment(at, now=now, zone=zone_for(ledger, bike))
    if began.day is not None:
        raise typer.BadParameter(f"say at what time it began as well: '{began.day} 18:00'")
    lasted = timedelta(minutes=min(max(0.0, minutes), LONGEST_MIN))  # in this order nan is 0
    started_at = began.at if at else now - lasted
    place = None if indoor else place_about(_rides_about(app, started_at, near), who.id, started_at, near)
    latitude_deg, longitude_deg = (None, None) if place is None else place[1:]
    told = TellRide(
        who.id,
        bike.id if bike else None,
        started_at,
        minutes,
        like,
        (km or Units(miles=True).km(miles)) * 1000,
        latitude_deg,
        longitude_deg,
        indoor,
    )
    keep(app, told, now=now, yes=yes)
    if place is not None:
        say(f"Its weather is that of where ride {place[0]} was; say another with --near RIDE.")
    elif not indoor:
        say("Nobody knows where it was, so it gets no weather; say so with --near RIDE, or --like wet.")


def _rides_about(app: App, at: datetime, near: int | None) -> Ledger:
    """The rides around a time, or the one that is named."""
    from services.use_cases.find_by_name import NEAR_IN_TIME

    if near is None:
        return ledger_around(app, at, NEAR_IN_TIME)
    with app.store.reading() as tx:
        return tx.ledger_of((), rides=[RideId(near)])


def correct(
    number: RideNumber,
    like: Annotated[
        str | None,
        typer.Option(help="It was wet, damp, dry, dusty or muddy; or 'archive' to take your word back."),
    ] = None,
    unpaved: Annotated[float | None, amount("How much of it was unpaved, in %.")] = None,
    preview: Annotated[
        bool, typer.Option("--preview", help="Of --like: only show what would change.")
    ] = False,
    not_a_ride: Annotated[
        bool, typer.Option("--not-a-ride", help="A car trip, a test of the head unit: it counts no more.")
    ] = False,
    because: Annotated[str, typer.Option(help="Why it was no ride.")] = "no ride of ours",
    two_rides: Annotated[
        bool, typer.Option("--two-rides", help="Its two recordings were two outings: both count.")
    ] = False,
    as_json: AsPreviewed = False,
    home: Home = None,
) -> None:
    """Correct a ride: what it was like, which overrules the archive; that it was none; that it was two.

    It is kept whatever is said of it, and undo takes that back. Of two recordings taken for one outing give
    the second, or the ride it was joined to; 'gritledger rides NUMBER' shows both.

    Examples: gritledger correct 12 --like wet --unpaved 40
    · gritledger correct 12 --not-a-ride --because 'on the car roof' · gritledger correct 12 --two-rides
    """
    from services.use_cases.preview import preview_condition

    if (like is not None or unpaved is not None) + not_a_ride + two_rides != 1:
        raise typer.BadParameter("say one thing of it: --like and --unpaved, --not-a-ride, or --two-rides")
    only_previews(as_json, preview)
    if preview and like is None:
        raise typer.BadParameter("--preview shows what --like would change")
    ride, app, now = RideId(number), open_app(home), now_utc()
    if not_a_ride or two_rides:
        keep(app, SplitOuting(ride) if two_rides else WithdrawRide(ride, because), now=now, yes=True)
        return
    if like is not None:
        said = _word(like)
        if preview:
            show_preview(preview_condition(app, ride, said, now=now), ledger_of(app), as_json)
            return
        keep(app, SayCondition(ride, said), now=now, yes=True)
    if unpaved is not None:
        keep(app, SayUnpaved(ride, unpaved / 100), now=now, yes=True)


def _word(typed: str) -> Condition | None:
    """What a ride was like, as riders say it; None = as the archive has it. Raises typer.BadParameter."""
    spoken = {"soaked": "wet", "mud": "muddy", "dust": "dusty"}.get(typed.casefold(), typed.casefold())
    words = [one.value for one in Condition if one is not Condition.UNKNOWN]
    if spoken != "archive" and spoken not in words:
        raise typer.BadParameter(f"'{typed}' is none of: {', '.join(words)}, archive")
    return None if spoken == "archive" else Condition(spoken)
