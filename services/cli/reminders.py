"""Commands that ask what is due, and why; and that answer a reminder."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from rules.dates_and_numbers import local_stamp
from rules.reminder import LONGEST_PUT_OFF_DAYS, Step
from rules.vocabulary import ReminderId
from services.cli.keep_fact import ledger_of, list_as_json, print_plain, tell, zone_for
from services.cli.output import (
    LARGEST,
    AsJson,
    Home,
    amount,
    now_utc,
    open_app,
    out,
    parse_moment,
    plain,
    say,
    waiting_for_a_word,
)

ReminderNumber = Annotated[
    int, typer.Argument(min=1, max=LARGEST, help="The reminder's number, as 'gritledger due' shows it.")
]


def due(as_json: AsJson = False, home: Home = None) -> None:
    """Show what needs hands now, most pressing first, and what could not be delivered.

    Example: gritledger due
    """
    from rules.message_timing import MONTH
    from services.app import household_zone
    from services.views.untold_reminders import held_back

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
        riders = tx.equipment.riders()
        told = tx.told_since(riders, now_utc() - MONTH)
    zone = household_zone(riders)
    if not riders:
        say(f"Nothing needs your hands: {app.settings.home} knows nobody yet. Begin: gritledger add rider")
    elif not standing:
        say("Nothing needs your hands.")
    for raised in standing:
        put_off = ""
        if raised.state is Step.PUT_OFF:
            until = next(s.until for s in reversed(raised.steps) if s.step is Step.PUT_OFF)
            put_off = f" (put off until {local_stamp(until, zone)})" if until else " (put off)"
        out.print(f"[bold]{raised.id:>4}  {plain(raised.reminder.headline)}[/bold]{put_off}")
        out.print(f"      {plain(raised.reminder.sentence)}")
    if waits := held_back(app, standing, riders, now_utc(), told):
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
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Show everything behind a reminder, each ride hour and the limit; or why a chain asks for nothing yet.

    Examples: gritledger why 12 · gritledger why Plover
    """
    from services.views.terminal_text import why as trace

    if not asked.isdecimal():
        if as_json:
            list_as_json(open_app(home), "outlook", now=now_utc(), chain=asked)
        else:
            _why_nothing_yet(asked, home)
        return
    number = int(asked)
    if not 1 <= number <= LARGEST:
        raise typer.BadParameter(
            f"reminders are numbered from 1, and at most {LARGEST}; 'gritledger due' lists them"
        )
    app = open_app(home)
    if as_json:
        with app.store.reading() as tx:
            raised = tx.reminders.get(ReminderId(number))
            print_plain(raised, tx.garage())
        return
    for line in trace(app, ReminderId(number)):
        say(line)


def _why_nothing_yet(chain: str, home: Path | None) -> None:
    """How far each limit of a chain is."""
    from rules.outlook import why_not_yet
    from services.app import zone_of
    from services.use_cases.find_by_name import chain_named

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        found = chain_named(tx.garage(), chain, now)
        ledger = tx.ledger_of({found.id})
    for sentence in why_not_yet(ledger, app.rulebook_for(ledger), found.id, now=now, zone_of=zone_of):
        say(sentence)


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

    tell(answer(open_app(home), number, note, now=now_utc()))


def put_off(
    number: ReminderNumber,
    until: Annotated[str | None, typer.Option(help="Until when, e.g. '2026-05-03 18:00'.")] = None,
    days: Annotated[float, amount("For so many days.", low=0.01, high=LONGEST_PUT_OFF_DAYS)] = 1,
    for_good: Annotated[
        bool, typer.Option("--for-good", help="The same cause is not raised again; say why with --because.")
    ] = False,
    because: Annotated[str, typer.Option(help="Why for good; kept with the reminder.")] = "",
    again: Annotated[
        bool, typer.Option("--again", help="Put off or closed by mistake: ask for it as before.")
    ] = False,
    home: Home = None,
) -> None:
    """Put a reminder off: it is silent until then, or for good. A wet chain rusts meanwhile.

    Examples: gritledger put-off 12 --days 2 · gritledger put-off 12 --for-good --because 'the bike is sold'
    · gritledger put-off 12 --again
    """
    from services.use_cases.answer_reminder import ask_again, dismiss
    from services.use_cases.answer_reminder import put_off as answer

    if for_good != bool(because):
        raise typer.BadParameter("--for-good and --because go together: it is kept why")
    app, now = open_app(home), now_utc()
    if again:
        tell(ask_again(app, number, now=now))
        return
    if for_good:
        tell(dismiss(app, number, because, now=now))
        return
    zone = zone_for(ledger_of(app))
    then = parse_moment(until, now=now, zone=zone).at if until else now + timedelta(days=days)
    answer(app, number, then, now=now)
    say(f"Reminder {number} is silent until {local_stamp(then, zone)}.")
