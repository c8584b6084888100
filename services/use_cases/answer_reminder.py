"""A rider's answer to a reminder: done, put off, dismissed; and the same by a link from a mail."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from rules.commands import LogTreatment, LogWipeTest, PutRidesOn
from rules.dates_and_numbers import clock, day
from rules.gate.field_checks import text
from rules.kinds_of_work import work
from rules.ledger import Ledger
from rules.reminder import LONGEST_PUT_OFF_DAYS, RaisedReminder, ReminderStep, Step
from rules.ride_name import ride_name
from rules.roles import objection
from rules.vocabulary import BikeId, ReminderId, RideId
from services.answer_links import Act, AnswerLink, mark_of, read_link
from services.app import App, zone_of
from services.store import FactRefused, NotAllowed, Transaction
from services.use_cases.record_change import A_RIDER, Done, recorded
from services.use_cases.update_reminders import reckon

A_DAY = timedelta(days=1)
BY_MAIL = "a link in a mail"
NONE_OF_OURS = "0"


def done(app: App, number: int, note: str = "", *, now: datetime, by: str = A_RIDER) -> Done:
    """It is done: the treatment it asks for is logged; what asks for none is closed by the rider's word.

    Raises NotFound, FactRefused.
    """
    with app.store.writing() as tx:
        return _done(tx, app, number, note, now, by)


def dismiss(app: App, number: int, because: str, *, now: datetime, by: str = A_RIDER) -> Done:
    """The same cause is not raised again. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        return _closed(tx, app, _open(tx, app, number), Step.DISMISSED, because, now, by)


def put_off(app: App, number: int, until: datetime, *, now: datetime, by: str = A_RIDER) -> None:
    """Silence a reminder until then. Raises NotFound, FactRefused."""
    if until <= now:
        raise FactRefused("That time has passed; give one that is to come.", "until")
    if until > now + timedelta(days=LONGEST_PUT_OFF_DAYS):
        raise FactRefused(
            f"That is more than {LONGEST_PUT_OFF_DAYS:g} days ahead; give a nearer day, or dismiss it.",
            "until",
        )
    with app.store.writing() as tx:
        _put_off(tx, app, number, until, now, by)


def ask_again(app: App, number: int, *, now: datetime, by: str = A_RIDER) -> Done:
    """It was put off, dismissed or called done by mistake: it is asked for as before, if the facts still ask.

    Raises NotFound, FactRefused where no word of a rider silences it.
    """
    with app.store.writing() as tx:
        raised = _answerable(tx, app, number)
        if not raised.is_silenced:
            raise FactRefused(_NOT_SILENCED[raised.state].format(headline=raised.reminder.headline))
        why = f"It is not {raised.state.value} after all."
        tx.reminders.add_step(raised.id, ReminderStep(Step.RAISED, now, app.speaker(by), why))
        reckon(tx, app, now=now)
        after = tx.reminders.get(raised.id)
    stands = "asked for again" if after.is_open else "not asked for any more: what called for it has changed"
    return Done(0, (f"{raised.reminder.headline}: {stands}.",))


_IS_ASKED_FOR = "“{headline}” is asked for as it is."
_NOT_SILENCED = {
    Step.RAISED: _IS_ASKED_FOR,
    Step.WORSE: _IS_ASKED_FOR,
    Step.DONE: "“{headline}” was done; take that care back instead.",
    Step.WITHDRAWN: "“{headline}” was withdrawn: the facts ask for it no more.",
}


@dataclass(frozen=True, slots=True)
class Offer:
    """What a link from a mail would write: the question, and what can be pressed: (bike or "", words)."""

    question: str
    presses: tuple[tuple[str, str], ...]


def offered(app: App, token: str, *, now: datetime) -> Offer:
    """What would be written if somebody pressed. Writes nothing, however often it is asked.

    Raises LinkRefused, FactRefused, NotFound: in plain words why nothing can be written any more.
    """
    link = read_link(token, app.answer_key, now)
    with app.store.reading() as tx:
        if (used_at := tx.outbox.link_used_at(mark_of(token))) is not None:
            zone = zone_of(tx.equipment.riders()[0].time_zone)
            raise FactRefused(
                f"This was written down on {day(used_at, zone)} at {clock(used_at, zone)}. A link answers "
                "once: nothing more was written."
            )
        ledger = tx.garage()
        if link.act is Act.IT_WAS:
            return _ride_offer(tx, ledger, link, now)
        due = _open(tx, app, link.number).reminder
    chain = ledger.chain(due.chain)
    on = "" if due.bike is None else f" on {ledger.bike(due.bike).name}"
    if link.act is Act.PUT_OFF:
        zone = zone_of(ledger.rider(due.rider).time_zone)
        return Offer(
            f"{due.headline}: put off until {day(now + A_DAY, zone)}, {clock(now + A_DAY, zone)}?",
            (("", "Put it off"),),
        )
    hands = work(due.kind, chain.regime)
    words = hands.past if hands else "Done"
    return Offer(f"{chain.name}{on}: {words[0].lower()}{words[1:]} just now?", (("", "Yes, write it down"),))


def answer_by_link(app: App, token: str, *, now: datetime, bike: str = "") -> Done:
    """Write down the one thing that a link from a mail names, as of now; never a second time.

    bike: the one chosen, where the link leaves that open: a number, 0 = none of ours.
    Raises LinkRefused, FactRefused, NotFound.
    """
    link = read_link(token, app.answer_key, now)
    with app.store.writing() as tx:
        tx.outbox.use_link(mark_of(token), now)
        if link.act is Act.DONE:
            return _done(tx, app, link.number, "", now, BY_MAIL)
        if link.act is Act.PUT_OFF:
            return _put_off(tx, app, link.number, now + A_DAY, now, BY_MAIL)
        ledger = tx.garage()
        choices = dict(_ride_offer(tx, ledger, link, now).presses)
        if bike not in choices:
            raise FactRefused("Press one of the bikes; nothing was written.")
        chosen = None if bike == NONE_OF_OURS else BikeId(int(bike))
        answer = PutRidesOn(((RideId(link.number), chosen),))
        return recorded(tx, app, answer, now=now, by=BY_MAIL)


def _ride_offer(tx: Transaction, ledger: Ledger, link: AnswerLink, now: datetime) -> Offer:
    ride = tx.rides.ride(RideId(link.number))
    name = ride_name(ride, zone_of(ledger.rider(ride.rider).time_zone), now=now)
    if ride.id not in tx.rides.questions():
        stands = "none of ours" if ride.bike is None else ledger.bike(ride.bike).name
        raise FactRefused(f"{name}: it is settled already ({stands}). Nothing was written.")
    bikes = {str(one.id): f"It was {one.name}" for one in ledger.may_have_been(ride)}
    bikes[NONE_OF_OURS] = "It was none of ours"
    if link.bike is not None:
        bikes = {key: words for key, words in bikes.items() if key == str(link.bike)}
    if not bikes:
        raise FactRefused(f"{name}: that bike is no longer one of the household's. Nothing was written.")
    return Offer(f"Which bike was it: {name}?", tuple(bikes.items()))


def _done(tx: Transaction, app: App, number: int, note: str, now: datetime, by: str) -> Done:
    raised = _open(tx, app, number)
    due = raised.reminder
    hands = work(due.kind, tx.equipment.chain(due.chain).regime)
    if hands is None:
        return _closed(tx, app, raised, Step.DONE, note, now, by)
    care = LogTreatment(due.chain, hands.answer, now, note=note)
    return recorded(tx, app, care, now=now, by=by)


def _put_off(tx: Transaction, app: App, number: int, until: datetime, now: datetime, by: str) -> Done:
    raised = _open(tx, app, number)
    tx.reminders.add_step(raised.id, ReminderStep(Step.PUT_OFF, now, app.speaker(by), until=until))
    return Done(0, (f"{raised.reminder.headline}: put off.",))


def _closed(
    tx: Transaction, app: App, raised: RaisedReminder, step: Step, why: str, now: datetime, by: str
) -> Done:
    for too_long in text(why, "A reason"):
        raise FactRefused(too_long.why, "because")
    tx.reminders.add_step(raised.id, ReminderStep(step, now, app.speaker(by), why))
    reckon(tx, app, now=now)
    return Done(0, (f"{raised.reminder.headline}: {step.value}.",))


def _open(tx: Transaction, app: App, number: int) -> RaisedReminder:
    """The reminder that waits for an answer, for whoever may give it. Raises NotAllowed, FactRefused."""
    raised = _answerable(tx, app, number)
    if not raised.is_open:
        raise FactRefused(f"“{raised.reminder.headline}” is {raised.state.value} already.")
    return raised


def _answerable(tx: Transaction, app: App, number: int) -> RaisedReminder:
    """The reminder, for whoever may answer it: as the care it asks for. Raises NotAllowed."""
    raised = tx.reminders.get(ReminderId(number))
    if app.member is not None:
        care = LogWipeTest(raised.reminder.chain, raised.reminder.cause_at, 0)
        if no := objection(app.member, tx.garage(), care):
            raise NotAllowed(no)
    return raised
