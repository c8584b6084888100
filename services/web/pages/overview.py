"""The overview: what needs hands now, what is next, what waits, and what each chain has been through."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from rules.judgements import unknown_names
from rules.reminder import RaisedReminder, ReminderKind, Step
from rules.reminders import caution
from rules.wording import listed
from rules.work import work
from services.channels.calendar import feed
from services.messages.words import WEEKS_AHEAD, Coming, coming
from services.views.calendar_entries import entries
from services.views.chain_state import state_of
from services.views.snapshot import Snapshot
from services.web.context import AContext, RequestContext
from services.web.embed import film, strip

router = APIRouter()
SILENT_AFTER = timedelta(hours=26)  # a day, and the time a laptop sleeps
MOST_TROUBLES_OF_A_KIND = 3
MOST_DRAWN = 12  # the neediest; the others are named


@router.get("/")
def overview(context: AContext) -> HTMLResponse:
    """The first page."""
    snapshot, now = context.snapshot, context.now
    states = [
        state_of(snapshot, chain, now)
        for chain in snapshot.ledger.chains
        if chain.retired_at is None or chain.retired_at > now
    ]
    fitted = sorted((one for one in states if one.bike is not None), key=lambda one: one.need)
    questions = [ride for number in snapshot.questions if (ride := snapshot.ledger.ride(number)) is not None]
    return context.show(
        "overview.html",
        here="overview",
        needs=[need_of(snapshot, one) for one in snapshot.most_pressing_first],
        next_up=_next_up(snapshot, now),
        weeks=WEEKS_AHEAD,
        questions=questions,
        unconfirmed=len(snapshot.likely),
        troubles=list(_troubles(context)),
        chains=fitted[:MOST_DRAWN],
        calm=fitted[MOST_DRAWN:],
        shelf=[one for one in states if one.bike is None],
        strip=strip,
        film=film,
    )


@router.get("/chains.ics")
def calendar(context: AContext) -> Response:
    """The calendar feed, for any calendar program on this machine."""
    content = feed(entries(context.app, now=context.now))
    return Response(content, media_type="text/calendar; charset=utf-8")


def need_of(snapshot: Snapshot, raised: RaisedReminder) -> dict[str, object]:
    """A standing reminder as a page shows it: with its caution, and the treatment that answers it."""
    due = raised.reminder
    regime = snapshot.ledger.chain(due.chain).regime
    hands = work(due.kind, regime)
    put_off = next((step for step in reversed(raised.steps) if step.step is Step.PUT_OFF), None)
    return {
        "raised": raised,
        "due": due,
        "chain": snapshot.ledger.chain(due.chain),
        "rider": snapshot.ledger.rider(due.rider),
        "answer": None if hands is None else hands.answer,
        "measure": due.kind is ReminderKind.INSPECTION,
        "replace": due.kind is ReminderKind.REPLACEMENT,
        "caution": caution(due.kind, regime),
        "instead": snapshot.instead.get(due.key, ""),
        "put_off_until": put_off.until if put_off and raised.state is Step.PUT_OFF else None,
    }


def _next_up(snapshot: Snapshot, now: datetime) -> list[Coming]:
    """Limits that come within a few weeks, soonest first; one per chain and kind of work."""
    soon = now + timedelta(weeks=WEEKS_AHEAD)
    return [
        coming(limit, snapshot.ledger)
        for limit in snapshot.outlook(now)
        if limit.used < limit.limit and limit.by is not None and limit.by <= soon
    ]


def _troubles(context: RequestContext) -> Iterator[tuple[str, str, str]]:
    """What does not work, in sentences, each with where to look (address and words; "" = nowhere)."""
    snapshot, now = context.snapshot, context.now
    for posted in snapshot.undelivered[:MOST_TROUBLES_OF_A_KIND]:
        yield f"Not delivered yet by {posted.letter.channel}: {posted.last_why}. It is tried again.", "", ""
    for posted in snapshot.refused[:MOST_TROUBLES_OF_A_KIND]:
        subject, why = posted.letter.subject, posted.last_why
        yield f"Refused by {posted.letter.channel}: “{subject}”: {why}", "/settings/channels", "Channels"
    if snapshot.weather_waits_until is not None and snapshot.weather_waits_until > now:
        yield "The weather archive asked to be left alone for a while; hours without weather wait.", "", ""
    if snapshot.round_at is None:
        yield "No round was made yet: nothing is read or decided by itself. Start: gritledger watch", "", ""
    elif now - snapshot.round_at > SILENT_AFTER:
        yield "The last round was more than a day ago. Is gritledger watch running?", "", ""
    for sentence in unknown_names(snapshot.rulebook, snapshot.ledger)[:MOST_TROUBLES_OF_A_KIND]:
        yield sentence, "/settings/limits", "Limits"
    recent = [one for one in snapshot.file_troubles if now - one.seen_at < timedelta(days=14)]
    if recent:
        names = [Path(one.name).name for one in recent[:MOST_TROUBLES_OF_A_KIND]]
        more = f" and {len(recent) - len(names)} more" if len(recent) > len(names) else ""
        yield f"Files that did not become whole rides: {listed(names)}{more}.", "/files?only=trouble", "Files"
    for trouble in snapshot.ledger.troubles()[:MOST_TROUBLES_OF_A_KIND]:
        yield trouble.sentence, "/settings/chains", "Chains"
    bare = snapshot.bare_rides
    if bare:
        bikes = sorted({snapshot.bike_name(ride.bike) for ride in bare})
        count = f"{len(bare)} ride has" if len(bare) == 1 else f"{len(bare)} rides have"
        yield (
            f"{count} a bike, but no chain noted on it at the time: {listed(bikes)}.",
            "/settings/chains",
            "Chains",
        )
