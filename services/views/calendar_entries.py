"""What the household's calendar shows now: reminders that stand, and limits that are on their way."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rules.cautions import caution
from rules.ledger import Ledger
from rules.outlook import WEEKS_AHEAD, Outlook, outlook
from rules.reminder import RaisedReminder, Step
from rules.units import SI, Units, said
from rules.vocabulary import Regime, Rider, RiderId
from services.app import App, zone_of
from services.channels import ChannelError
from services.channels.calendar import CalendarChannel, Entry
from services.messages.buttons import WHY_COMMAND, why_link
from services.messages.week_ahead import coming


def entries(app: App, *, now: datetime) -> list[Entry]:
    """The household's calendar, with each rider's name where there are several. Raises StoreError."""
    with app.store.reading() as tx:
        ledger, standing = tx.in_use(now), tx.reminders.standing()
    found = [*_due(app, ledger, standing), *_on_the_way(app, ledger, now)]
    if len(ledger.riders) < 2:
        return [entry for _, entry in found]
    return [replace(one, headline=f"{ledger.rider(whose).name}: {one.headline}") for whose, one in found]


def refresh_calendar(app: App) -> list[str]:
    """Bring the calendar file up to date, so that what is done disappears; returns what went wrong."""
    channel = app.channels.get(CalendarChannel.name)
    if isinstance(channel, CalendarChannel):
        try:
            channel.refresh()
        except ChannelError as error:
            return [f"{error}."]
    return []


def _due(app: App, ledger: Ledger, standing: tuple[RaisedReminder, ...]) -> Iterator[tuple[RiderId, Entry]]:
    for raised in standing:
        rider = ledger.rider(raised.reminder.rider)
        regime = ledger.chain(raised.reminder.chain).regime
        yield (
            rider.id,
            calendar_entry(raised, rider, regime=regime, page_url=app.page_address, units=app.units),
        )


def _on_the_way(app: App, ledger: Ledger, now: datetime) -> Iterator[tuple[RiderId, Entry]]:
    for limit in outlook(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of):
        if limit.by is not None and now < limit.by <= now + timedelta(weeks=WEEKS_AHEAD):
            yield limit.rider, _expected(limit, ledger, limit.by, app.units)


def _expected(limit: Outlook, ledger: Ledger, by: datetime, units: Units) -> Entry:
    rider = ledger.rider(limit.rider)
    last_ridden = max((ride.ended_at for ride in ledger.rides if ride.bike == limit.bike), default=by)
    return Entry(
        key=f"expected {limit.kind}:{limit.chain}:{limit.unit}",
        day=by.astimezone(zone_of(rider.time_zone)).date(),
        headline=coming(limit, ledger).headline,
        text=said(limit.sentence, units),
        changed_at=last_ridden,
        expected=True,
    )


def calendar_entry(
    raised: RaisedReminder, rider: Rider, *, regime: Regime, page_url: str | None = None, units: Units = SI
) -> Entry:
    """An open reminder as a line of the rider's calendar, on the day it asks for hands."""
    reminder, standing, last = raised.reminder, raised.standing, raised.steps[-1]
    on = standing.until if standing.step is Step.PUT_OFF and standing.until else raised.steps[0].at
    paragraphs = (reminder.sentence, f"Careful: {caution(reminder.kind, regime)}")
    return Entry(
        key=f"{reminder.key}#{raised.id}",
        day=on.astimezone(ZoneInfo(rider.time_zone)).date(),
        headline=reminder.headline,
        text=said("\n\n".join((*paragraphs, "Why: " + WHY_COMMAND.format(id=raised.id))), units),
        changed_at=last.at,
        revision=len(raised.steps) - 1,
        link=why_link(page_url, raised.id),
    )
