"""The overview: a row a bike, with its chain and today's job; what waits for a word; what does not work."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from rules.dates_and_numbers import listed
from rules.rulebook_names import unknown_names
from services.channels.calendar import feed
from services.heartbeat import SILENT_AFTER
from services.views.bench import Need, bench, headline
from services.views.calendar_entries import entries
from services.views.snapshot import TROUBLE_TOLD
from services.views.tomorrow import advice
from services.views.untold_reminders import held_back
from services.web.context import AContext, RequestContext
from services.web.drawing_inputs import sign, strip
from services.web.pages.begin import open_steps
from services.web.pages.rides import question_of

router = APIRouter()
MOST_TROUBLES_OF_A_KIND = 3
MOST_DRAWN = 12  # bikes; the others are named
MOST_QUESTIONS = 2


@router.get("/")
def overview(context: AContext) -> HTMLResponse:
    """The first page."""
    snapshot, now = context.snapshot, context.now
    rows = bench(snapshot, now, tomorrow=advice(context.app, snapshot, now))
    shown = rows[:MOST_DRAWN]
    asked_now = context.shared.snapshots.asked() if snapshot.questions else ()
    open_ones = [asked for asked in asked_now if not asked.is_check]
    questions = [one for asked in open_ones[:MOST_QUESTIONS] if (one := question_of(snapshot, asked))]
    return context.show(
        "overview.html",
        here="overview",
        headline=headline(rows),
        held_back=held_back(context.app, snapshot.standing, snapshot.ledger.riders, now, snapshot.told),
        hands=[row for row in shown if row.wants_hands],
        calm=[row for row in shown if not row.wants_hands],
        more=rows[MOST_DRAWN:],
        cautions=cautions(row.need for row in shown if row.need and row.wants_hands),
        questions=questions,
        further=len(open_ones) - len(questions),
        troubles=list(_troubles(context)),
        first_hour=[] if snapshot.first_hour_over or not context.may("/begin") else open_steps(context),
        shelf=[one for one in snapshot.ledger.chains if snapshot.where(one, now) == "on the shelf"],
        strip=strip,
        sign=sign,
    )


def cautions(needs: Iterable[Need]) -> list[tuple[str, str, str]]:
    """What can hurt in all of this, no sentence twice: the job, its danger, and the rest."""
    said: set[str] = set()
    found = []
    for need in needs:
        fresh = [one for one in need.caution.split(". ") if one.rstrip(".") not in said]
        said.update(one.rstrip(".") for one in fresh)
        if fresh:
            first, *rest = (f"{one.rstrip('.')}." for one in fresh)
            found.append((need.job, first, " ".join(rest)))
    return found


@router.get("/chains.ics")
def calendar(context: AContext) -> Response:
    """The calendar feed, for any calendar program on this machine."""
    content = feed(entries(context.app, now=context.now))
    return Response(content, media_type="text/calendar; charset=utf-8")


def _troubles(context: RequestContext) -> Iterator[tuple[str, str, str]]:
    """What does not work, in sentences, each with where to look (address and words; "" = nowhere)."""
    snapshot, now = context.snapshot, context.now
    if context.shared.followed.trouble:
        yield context.shared.followed.trouble, "/settings", "Settings"
    for posted in snapshot.undelivered[:MOST_TROUBLES_OF_A_KIND]:
        yield f"Not delivered yet by {posted.letter.channel}: {posted.last_why}. It is tried again.", "", ""
    for posted in snapshot.refused[:MOST_TROUBLES_OF_A_KIND]:
        subject, why = posted.letter.subject, posted.last_why
        yield f"Refused by {posted.letter.channel}: “{subject}”: {why}", "/settings/channels", "Channels"
    if snapshot.weather_waits_until is not None and snapshot.weather_waits_until > now:
        yield "The weather archive asked to be left alone for a while; hours without weather wait.", "", ""
    if context.member is not None:
        pass  # the club's workers make no rounds
    elif snapshot.round_at is None:
        yield "No round was made yet: nothing is read or decided by itself. Start: gritledger watch", "", ""
    elif now - snapshot.round_at > SILENT_AFTER:
        yield "The last round was more than a day ago. Is gritledger watch running?", "", ""
    for sentence in unknown_names(snapshot.rulebook, snapshot.ledger)[:MOST_TROUBLES_OF_A_KIND]:
        yield sentence, "/settings/limits", "Limits"
    recent = [one for one in snapshot.file_troubles if now - one.seen_at < TROUBLE_TOLD]
    if recent:
        names = [Path(one.name).name for one in recent[:MOST_TROUBLES_OF_A_KIND]]
        more = f" and {len(recent) - len(names)} more" if len(recent) > len(names) else ""
        yield f"Files that did not become whole rides: {listed(names)}{more}.", "/files?only=trouble", "Files"
    for trouble in snapshot.ledger.troubles()[:MOST_TROUBLES_OF_A_KIND]:
        yield trouble.sentence, "/settings/chains", "Chains"
    if snapshot.unworn:
        bikes = sorted(snapshot.bike_name(bike) for bike in snapshot.unworn)
        rides = sum(snapshot.unworn.values())
        count = f"{rides} ride has" if rides == 1 else f"{rides} rides have"
        yield (
            f"{count} a bike, but no chain noted on it at the time: {listed(bikes)}.",
            "/settings/chains",
            "Chains",
        )
