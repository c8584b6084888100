"""Commands that ask: what is due, why, what if; and that answer a reminder."""

from __future__ import annotations

from datetime import time, timedelta
from pathlib import Path
from typing import Annotated, Literal

import typer

from rules.vocabulary import Condition
from services.cli.output import (
    LARGEST,
    AsJson,
    Home,
    local,
    now_utc,
    out,
    parse_moment,
    plain,
    say,
    table,
    waiting_for_a_word,
)
from services.cli.saying import household_zone, keep, ledger_of, list_as_json, tell, zone_for

PANEL = "What is due, and why"
ReminderNumber = Annotated[
    int, typer.Argument(min=1, max=LARGEST, help="The reminder's number, as 'gritledger due' shows it.")
]


def register(commands: typer.Typer) -> None:
    """Hang these commands on the application."""
    commands.command(rich_help_panel=PANEL)(due)
    commands.command(rich_help_panel=PANEL)(why)
    commands.command("what-if", rich_help_panel=PANEL)(what_if)
    commands.command(rich_help_panel=PANEL)(outlook)
    commands.command(rich_help_panel=PANEL)(tomorrow)
    commands.command(rich_help_panel=PANEL)(done)
    commands.command("put-off", rich_help_panel=PANEL)(put_off)


def due(as_json: AsJson = False, home: Home = None) -> None:
    """Show what needs hands now, most pressing first, and what could not be delivered.

    Example: gritledger due
    """
    from rules.reminder import Step
    from services.views.held_back import held_back
    from services.wiring import open_app

    if as_json:
        list_as_json(open_app(home), "due", now=now_utc())
        return

    app = open_app(home)
    with app.store.reading() as tx:
        standing = sorted(
            tx.reminders.standing(), key=lambda r: (-r.reminder.urgency, r.reminder.cause_at, r.id)
        )
        waiting, refused = tx.outbox.waiting(), tx.outbox.refused()
        questions = tx.rides.asking()
        zone, riders = household_zone(tx), tx.equipment.riders()
    if not standing:
        say("Nothing needs your hands.")
    for raised in standing:
        put_off = ""
        if raised.state is Step.PUT_OFF:
            until = next(s.until for s in reversed(raised.steps) if s.step is Step.PUT_OFF)
            put_off = f" (put off until {local(until, zone)})" if until else " (put off)"
        out.print(f"[bold]{raised.id:>4}  {plain(raised.reminder.headline)}[/bold]{put_off}")
        out.print(f"      {plain(raised.reminder.sentence)}")
    if waits := held_back(app, standing, riders, now_utc()):
        say(waits)
    if standing:
        say("Ask one: gritledger why NUMBER. Answer it by logging the care, or: gritledger done NUMBER")
    if questions:
        say(waiting_for_a_word(questions))
    for posted in waiting:
        if posted.last_why:
            say(f"Not delivered yet by {posted.letter.channel}: {posted.last_why}. It is tried again.")
    for posted in refused:
        say(f"Refused by {posted.letter.channel}: “{posted.letter.subject}”: {posted.last_why}")


def why(
    asked: Annotated[
        str,
        typer.Argument(
            metavar="NUMBER|CHAIN",
            help="A reminder's number, as 'gritledger due' shows it; or a chain, or the bike that wears it.",
        ),
    ],
    home: Home = None,
) -> None:
    """Show everything behind a reminder, each ride hour and the limit; or why a chain asks for nothing yet.

    Examples: gritledger why 12 · gritledger why Plover
    """
    from rules.vocabulary import ReminderId
    from services.views.stories import why as trace
    from services.wiring import open_app

    if not asked.isdecimal():
        _why_nothing_yet(asked, home)
        return
    number = int(asked)
    if not 1 <= number <= LARGEST:
        raise typer.BadParameter(
            f"reminders are numbered from 1, and at most {LARGEST}; 'gritledger due' lists them"
        )
    for line in trace(open_app(home), ReminderId(number)):
        say(line)


def _why_nothing_yet(chain: str, home: Path | None) -> None:
    """How far each limit of a chain is."""
    from rules.outlook import why_not_yet
    from services.app import zone_of
    from services.use_cases.find import chain_named
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        found = chain_named(tx.garage(), chain, now)
        ledger = tx.ledger_of({found.id})
    for sentence in why_not_yet(ledger, app.rulebook_for(ledger), found.id, now=now, zone_of=zone_of):
        say(sentence)


def what_if(
    ride: Annotated[int | None, typer.Option(min=1, max=LARGEST, help="A ride …")] = None,
    on: Annotated[
        str | None, typer.Option(help="… had been on this bike, or: an imagined ride on it.")
    ] = None,
    word: Annotated[Condition | None, typer.Option(help="… had been like this.")] = None,
    hours: Annotated[float, typer.Option(min=0.1, max=24, help="Drive hours of an imagined ride.")] = 2.0,
    limit: Annotated[str | None, typer.Option(help="A limit had another value, e.g. 'drip=8'.")] = None,
    year: Annotated[
        bool, typer.Option("--year", help="The last year had been cared for another way.")
    ] = False,
    take: Annotated[
        str | None, typer.Option(help="With --year and --on: this way is good, set its limits for the bike.")
    ] = None,
    home: Home = None,
) -> None:
    """Show what would be different: a ride on another bike, rain tomorrow, another limit.

    Nothing is kept, but for --take.

    Examples: gritledger what-if --ride 12 --on Plover · gritledger what-if --on Plover --word wet --hours 3
    · gritledger what-if --year · gritledger what-if --year --on Plover --take 'a longer wait for the pot'
    """
    if year:
        _year(home, on, take)
        return
    from rules.outlook import difference, with_condition, with_imagined_ride, with_ride_on
    from rules.rulebook import KEYS
    from rules.vocabulary import RideId
    from services.app import zone_of
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        before = tx.ledger()
        bike = tx.equipment.find_bike(on) if on else None
        if ride is not None:
            tx.rides.ride(RideId(ride))
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
            number = float(value)
        except ValueError as error:
            raise typer.BadParameter(f"'{value}' is no number; write e.g. {name.strip()}=8") from error
        try:
            book = book.with_value(key, number)
        except ValueError as error:  # outside the range that the rulebook gives, in words
            raise typer.BadParameter(str(error)) from error
    if after is before and book is in_force:
        raise typer.BadParameter(
            "imagine something: --ride with --on or --word; --on with --word; --limit; or --year"
        )
    for sentence in difference(
        before, after, in_force, now=then, rulebook_after=book, zone_of=zone_of
    ).sentences or ("Nothing would change.",):
        say(sentence)


def _year(home: Path | None, on: str | None, take: str | None) -> None:
    """The last year, bike by bike, cared for another way; one way may be taken over."""
    from rules.commands import SetLimits
    from rules.year.another_way import another_way, can_be_taken_over, taken_over
    from services.app import zone_of
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        ledger = tx.ledger()
    found = another_way(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
    if not found:
        say("No bike with a waxed chain was ridden enough in the last year to be worth comparing.")
    if take is not None:
        meant = [one for one in found if on is None or one.name.casefold() == on.casefold()]
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
    from services.cli.sensitivity import show_sensitivity
    from services.use_cases.find import chain_named
    from services.wiring import open_app

    app, now = open_app(home), now_utc()
    if as_json:
        list_as_json(app, "outlook", now=now)
        return
    ledger = ledger_of(app)
    only = {chain_named(ledger, chain, now).id} if chain else None
    if weights:
        show_sensitivity(app, ledger, only, now)
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
                else local(row.by, zone_of(ledger.rider(row.rider).time_zone))[:10]
                if row.by
                else "not in sight",
            )
            for row in look_ahead(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of)
            if only is None or row.chain in only
        ),
        right=(3, 4),
    )


def tomorrow(
    weather: Annotated[
        Literal["rain", "dust", "salt"] | None,
        typer.Argument(help="What it will be like; left out, the forecast says, if the settings ask for it."),
    ] = None,
    rider: Annotated[str | None, typer.Option(help="Who rides; left out, everybody.")] = None,
    hours: Annotated[float | None, typer.Option(min=0.1, max=24, help="Hours of pedalling.")] = None,
    start: Annotated[str, typer.Option(help="When a ride of --hours begins.")] = "09:00",
    home: Home = None,
) -> None:
    """Show which bike to take tomorrow, and why: what the day would put into each chain.

    The day is the rider's usual one for that weekday, or --hours from --start. For the forecast set
    `tomorrow.forecast = true`: one question an evening, for the cell you ride in most.

    Examples: gritledger tomorrow · gritledger tomorrow rain --hours 2 --start 17:30
    """
    from services.views.tomorrow import days_ahead
    from services.wiring import open_app

    try:
        begins = time.fromisoformat(start.zfill(5))
    except ValueError as error:
        raise typer.BadParameter(f"'{start}' is no time of day; write 17:30") from error
    app, now = open_app(home), now_utc()
    found = days_ahead(app, now=now, rider=rider, weather=weather, hours=hours, begins=begins)
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


def done(
    number: ReminderNumber,
    note: Annotated[str, typer.Option(help="Anything worth keeping.")] = "",
    home: Home = None,
) -> None:
    """Say that what a reminder asked for is done: the care is logged as of now, and the reminder closed.

    Was it done earlier, log the care itself with its time: gritledger log drip Plover --at 'yesterday 20:00'.

    Example: gritledger done 12
    """
    from services.use_cases.answer_reminder import done as answer
    from services.wiring import open_app

    tell(answer(open_app(home), number, note, now=now_utc()))


def put_off(
    number: ReminderNumber,
    until: Annotated[str | None, typer.Option(help="Until when, e.g. '2026-05-03 18:00'.")] = None,
    days: Annotated[float, typer.Option(min=0.01, max=365, help="For so many days.")] = 1,
    for_good: Annotated[
        bool, typer.Option("--for-good", help="The same cause is not raised again; say why with --because.")
    ] = False,
    because: Annotated[str, typer.Option(help="Why for good; kept with the reminder.")] = "",
    home: Home = None,
) -> None:
    """Put a reminder off: it is silent until then, or for good. A wet chain rusts meanwhile.

    Examples: gritledger put-off 12 --days 2 · gritledger put-off 12 --for-good --because 'the bike is sold'
    """
    from services.use_cases.answer_reminder import dismiss
    from services.use_cases.answer_reminder import put_off as answer
    from services.wiring import open_app

    if for_good != bool(because):
        raise typer.BadParameter("--for-good and --because go together: it is kept why")
    app, now = open_app(home), now_utc()
    if for_good:
        tell(dismiss(app, number, because, now=now))
        return
    zone = zone_for(ledger_of(app))
    then = parse_moment(until, now=now, zone=zone).at if until else now + timedelta(days=days)
    answer(app, number, then, now=now)
    say(f"Reminder {number} is silent until {local(then, zone)}.")
