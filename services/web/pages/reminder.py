"""One reminder: every line that led to it, why now, what if; and the answers it takes."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from rules.kinds_of_work import work
from rules.reminder import LONGEST_PUT_OFF_DAYS, RaisedReminder, Step
from rules.vocabulary import BikeId, Condition, ReminderId, RideId
from rules.what_if import difference, what_if_limit, with_condition, with_ride_on
from services.app import zone_of
from services.use_cases import answer_reminder
from services.use_cases.preview import on_then
from services.views.bench import need_of
from services.views.chain_state import state_of
from services.views.terminal_text import still_known
from services.web.context import AChoice, AContext, APage, APost, AText, RequestContext, paged
from services.web.drawing_inputs import strip
from services.web.forms import LARGEST_ID, FormRefused, number_in
from services.web.pages.corrections import back_of
from services.web.rendering import stamp

router = APIRouter(prefix="/why")
PAGE = 25


@router.get("")
def every(
    context: AContext,
    text: AText = "",
    now_: Annotated[str, Query(alias="now", max_length=20)] = "",
    page: APage = 1,
) -> HTMLResponse:
    """Every reminder ever raised, newest first."""
    with context.app.store.reading() as tx:
        found, count = tx.reminders.page(text=text, state=now_, limit=PAGE, offset=(page - 1) * PAGE)
    return context.show(
        "reminders.html",
        reminders=found,
        text=text,
        state=now_,
        states=[one.value for one in Step],
        **paged(count, page, PAGE),
    )


@router.get("/{number}")
def why(
    number: int,
    context: AContext,
    ride: AChoice = "",
    on: AChoice = "",
    word: AChoice = "",
    limit: AChoice = "",
) -> HTMLResponse:
    """The trace of one reminder; the query asks a what-if, which keeps nothing."""
    with context.app.store.reading() as tx:
        raised = tx.reminders.get(_identity(number))
        letters = tx.outbox.about(raised.id)
    snapshot = context.snapshot
    still_known(snapshot.ledger, raised)
    due = raised.reminder
    rides = list(dict.fromkeys(reason.ride for reason in due.reasons if reason.ride is not None))
    snapshot = snapshot.of({due.chain}, rides)
    chain = snapshot.ledger.chain(due.chain)
    hands = work(due.kind, chain.regime)
    return context.show(
        "reminder.html",
        zone=zone_of(snapshot.ledger.rider(due.rider).time_zone),
        need=need_of(snapshot, raised),
        raised=raised,
        due=due,
        chain=chain,
        letters=letters,
        state=state_of(snapshot, chain, context.now),
        strip=strip,
        rides=[one for number in rides[::-1] if (one := snapshot.ledger.ride(number)) is not None],
        words=[one for one in Condition if one is not Condition.UNKNOWN],
        bikes=snapshot.ledger.bikes,
        general=None if hands is None else snapshot.rulebook.judgement(f"limit.{hands.limit}"),
        supposed=_suppose(context, raised, ride=ride, on=on, word=word, limit=limit),
        asked={"ride": ride, "on": on, "word": word, "limit": limit},
    )


def _identity(number: int) -> ReminderId:
    return ReminderId(min(max(number, 0), LARGEST_ID))


def _suppose(
    context: RequestContext, raised: RaisedReminder, *, ride: str, on: str, word: str, limit: str
) -> tuple[str, ...] | None:
    """What would be different; None = nothing was supposed."""
    snapshot, due = context.snapshot, raised.reminder
    if limit:
        chain = snapshot.ledger.chain(due.chain)
        hands = work(due.kind, chain.regime)
        if hands is None:
            return None
        key = f"limit.{hands.limit}"
        value = number_in(limit, low=0.0, high=1e6, what="The limit")
        try:
            found = what_if_limit(
                snapshot.ledger, snapshot.rulebook, key, value, now=context.now, zone_of=zone_of
            )
        except ValueError as error:
            raise FormRefused(f"{error}") from error
        return found.sentences or ("Nothing would change.",)
    if not ride.isascii() or not ride.isdigit() or not (on or word):
        return None
    number = RideId(int(ride))
    asked = snapshot.of(rides={number}).ledger.ride(number)
    if asked is None:
        raise FormRefused("That ride does not count; choose another.", status=404)
    bikes = {bike.id for bike in snapshot.ledger.bikes}
    moved = on == "none" or (on.isascii() and on.isdigit() and int(on) in bikes)
    bike = asked.bike if not moved else None if on == "none" else BikeId(int(on))
    before = snapshot.of(on_then(snapshot.ledger, asked, bike), {number}).ledger
    after = with_ride_on(before, number, bike) if moved else before
    if word in {one.value for one in Condition}:
        after = with_condition(after, number, Condition(word))
    found = difference(before, after, snapshot.rulebook, now=context.now, zone_of=zone_of)
    return found.sentences or ("Nothing would change.",)


@router.post("/{number}/done")
def done(number: int, context: AContext, posted: APost) -> Response:
    """It is done: the treatment that answers it is logged; what has none is closed by the rider's word."""
    said = answer_reminder.done(context.app, _identity(number), posted.text("note"), now=context.now)
    return context.redirect(back_of(posted, f"/why/{number}"), *said.sentences, undo=said.number or None)


@router.post("/{number}/put-off")
def put_it_off(number: int, context: AContext, posted: APost) -> Response:
    """Silent for some days."""
    days = posted.number("days", low=0.01, high=LONGEST_PUT_OFF_DAYS, what="The number of days") or 1.0
    until = context.now + timedelta(days=days)
    answer_reminder.put_off(context.app, _identity(number), until, now=context.now)
    return context.redirect(
        back_of(posted, f"/why/{number}"), f"It is silent until {stamp(until, context.zone)}."
    )


@router.post("/{number}/again")
def ask_again(number: int, context: AContext, posted: APost) -> Response:
    """Put off or closed by mistake: it is asked for as before."""
    said = answer_reminder.ask_again(context.app, _identity(number), now=context.now)
    return context.redirect(back_of(posted, f"/why/{number}"), *said.sentences)


@router.post("/{number}/dismiss")
def dismiss(number: int, context: AContext, posted: APost) -> Response:
    """Closed for good, with a reason."""
    because = posted.need("because", "why it is dismissed; the reason is kept with it")
    said = answer_reminder.dismiss(context.app, _identity(number), because, now=context.now)
    return context.redirect(back_of(posted, f"/why/{number}"), *said.sentences)
