"""Rides and reminders as lines of text, for the terminal."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from rules.cautions import caution
from rules.contamination import exposures
from rules.dates_and_numbers import clock, day, local_stamp, number
from rules.ledger import Ledger
from rules.reminder import RaisedReminder, Reason, Step
from rules.ride_name import own_title
from rules.rulebook import Rulebook
from rules.units import distance, height
from rules.vocabulary import Bike, ReminderId, Ride, RideId
from services.app import App, zone_of
from services.store import FactRefused, Word

if TYPE_CHECKING:  # reading a ride file takes numpy; telling of a ride does not
    from ingest.ride.summary import RideSummary


def ride_conditions(ledger: Ledger, ride: Ride, rulebook: Rulebook) -> str:
    """The conditions of a ride in a few words, by drive time, most first: 'dusty 1.4 h, wet 0.3 h'."""
    by_word: dict[str, float] = {}
    for one in exposures(ledger, ride, rulebook):
        by_word[one.condition.value] = by_word.get(one.condition.value, 0.0) + one.drive_h
    most_first = sorted(by_word.items(), key=lambda item: -item[1])
    return ", ".join(f"{word} {number(drive_h)} h" for word, drive_h in most_first if drive_h >= 0.05)


def ride_story(app: App, ride_number: int) -> Iterator[str]:
    """One ride as its rider would want it told. Raises NotFound."""
    with app.store.reading() as tx:
        details = tx.rides.details(RideId(ride_number))
        ledger = tx.garage()
        decision = tx.rides.assignment_in_force(RideId(ride_number))
        words = [word for word in tx.rides.words_of(RideId(ride_number)) if word.about == "unpaved share"]
        sources = [record.name for record in tx.files.files_of(RideId(ride_number))]
        others = [
            (other, tx.rides.ride(other).file_name, tx.rides.why_same_outing(other))
            for other in details.second_recordings
        ]
    ride, summary = details.ride, details.summary
    rider = ledger.rider(ride.rider)
    zone = zone_of(rider.time_zone)
    bike = ledger.bike(ride.bike) if ride.bike is not None else None
    chain = ledger.chain_of(ride)
    title = own_title(ride)
    yield f"Ride {ride.id}{': ' if title else ''}{title}, by {rider.name}"
    yield (
        f"  {day(ride.started_at, zone)}, {clock(ride.started_at, zone)} to {clock(ride.ended_at, zone)}; "
        f"{distance(ride.distance_m)}, {height(ride.climb_m)} of climbing"
    )
    low, high = ride.drive_low_s / 3600, ride.drive_high_s / 3600
    yield (
        f"  {ride.drive_s / 3600:.2f} drive hours by {ride.drive_method.value} "
        f"(between {low:.2f} and {high:.2f})"
    )
    yield from _unpaved_lines(ride, bike, words)
    for name in sources:
        yield f"  from {name}, read by {summary.reader}"
    for sentence in summary.damage:
        yield f"  Damaged: {sentence}"
    for sentence in left_out(summary):
        yield f"  {sentence}"
    for other, name, because in others:
        yield f"  Also recorded in {Path(name).name} (ride {other}): {'; '.join(because)}."
        yield f"    Two outings after all? gritledger correct {other} --two-rides"
    if details.kept_ride is not None:
        yield f"  A second recording of ride {details.kept_ride}: it does not count by itself."
    if details.withdrawn_because:
        yield f"  Counts no more: {details.withdrawn_because}"
    yield ""
    yield from _bike_lines(
        ride, bike, chain.name if chain else None, decision.evidence if decision else None, ledger.bikes
    )
    yield ""
    yield from _hour_lines(ledger, ride, app.rulebook_for(ledger), zone)
    yield from app.attribution


def left_out(summary: RideSummary) -> Iterator[str]:
    """What of a recording does not count, and what counts though it may not have been ridden."""
    from ingest.ride.summary import LOOKS_CARRIED

    if summary.doubt:
        low = f"its lower figure of {summary.drive_low_s / 3600:.2f} h is without them"
        yield f"{summary.doubt}; that is a guess, so they count, and {low}"
    for why, count in summary.dropped.items():
        if why.startswith("seconds ") and why != LOOKS_CARRIED:
            time = f"{count / 60:.0f} min" if count >= 60 else f"{count} s"
            yield f"{time} left out: {why.removeprefix('seconds ')}"
        elif why != LOOKS_CARRIED:
            yield f"{count} left out: {why}"


def _unpaved_lines(ride: Ride, bike: Bike | None, words: Sequence[Word]) -> Iterator[str]:
    """How much of the ride counts as unpaved, and who says so."""
    if ride.indoor or (bike is not None and bike.indoor):
        return
    if words and words[-1].said is not None:
        yield f"  {float(words[-1].said):.0%} unpaved, by {words[-1].by}"
    elif ride.unpaved_share is not None:
        yield f"  {ride.unpaved_share:.0%} unpaved, by the kind of riding its file names"
    elif bike is not None:
        yield f"  {bike.unpaved_share:.0%} unpaved, as is usual for {bike.name}"


def _bike_lines(
    ride: Ride, bike: Bike | None, chain: str | None, evidence: str | None, bikes: tuple[Bike, ...]
) -> Iterator[str]:
    names = {b.id: b.name for b in bikes}
    if bike is not None:
        by = ride.decided_by.value if ride.decided_by else "nobody"
        yield f"Bike: {bike.name}, decided by {by}; chain: {chain or 'none noted on it then'}"
    elif ride.decided_by is not None:
        yield "Bike: none of ours"
    else:
        yield "Bike: a question for you"
    said = json.loads(evidence) if evidence else {}
    if said.get("because"):
        yield f"  {said['because']}"
    for clue in said.get("clues", ()):
        weight = "cannot be" if clue["weight"] is None else f"{clue['weight']:+.1f}"
        yield f"  {weight:>10}  {names.get(clue['bike'], 'none of ours')}: {clue['sentence']}"


def _hour_lines(ledger: Ledger, ride: Ride, rulebook: Rulebook, zone: tzinfo) -> Iterator[str]:
    yield "Hours:"
    for hour, put in zip(ride.hours, exposures(ledger, ride, rulebook), strict=True):
        tag = hour.tag
        start = max(hour.hour_start, ride.started_at)
        sure = f", {tag.confidence:.0%} sure" if tag is not None and tag.known and ride.word is None else ""
        yield (
            f"  from {clock(start, zone)}: {put.condition.value}{sure}; {put.drive_h:.2f} drive hours "
            f"× {put.weight:.2f} = {put.grit_h:.2f} grit-hours"
        )
        if ride.word is not None:
            yield f"    by your word, the whole ride was {ride.word.value}"
        elif tag is not None:
            fetched = f", fetched {local_stamp(tag.fetched_at, zone)}" if tag.fetched_at else ""
            yield f"    {tag.because}"
            if tag.known:
                yield f"    {tag.source}, {tag.tier.value}{fetched}"
        elif not ride.indoor:
            yield "    no weather fetched yet: the next round asks for it"


def still_known(ledger: Ledger, raised: RaisedReminder) -> None:
    """Whether what a reminder of old is about is still there. Raises FactRefused: it was undone since."""
    due = raised.reminder
    chains, riders = {one.id for one in ledger.chains}, {one.id for one in ledger.riders}
    if due.chain not in chains or due.rider not in riders:
        raise FactRefused(
            f"Reminder {raised.id}, “{due.headline}”, was about something that was undone since: what led to "
            "it can no longer be shown."
        )


def why(app: App, reminder: ReminderId) -> Iterator[str]:
    """The whole trace of a reminder, line by line, to the number that crossed the limit. Raises NotFound."""
    with app.store.reading() as tx:
        raised, ledger = tx.reminders.get(reminder), tx.garage()
        letters = tx.outbox.about(reminder)
    still_known(ledger, raised)
    due = raised.reminder
    zone = zone_of(ledger.rider(due.rider).time_zone)
    yield f"{due.headline}  ({raised.state.value})"
    yield due.sentence
    yield ""
    for reason in due.reasons:
        yield from _reason_lines(reason, zone)
    yield ""
    yield f"Total {number(due.total, 2)} {due.unit}, limit {number(due.limit, 2)}."
    yield f"Judged by rulebook {due.rulebook_version}."
    if due.unknown_h:
        yield (
            f"{number(due.unknown_h, 2)} drive hours of it have no weather yet; they count as plain hours, "
            "and the next round asks again."
        )
    yield f"Careful: {caution(due.kind, ledger.chain(due.chain).regime)}"
    yield ""
    yield from _life(raised, zone)
    for posted in letters:
        if posted.delivered_at:
            state = f"told {local_stamp(posted.delivered_at, zone)}"
        elif posted.refused_at:
            state = f"refused {local_stamp(posted.refused_at, zone)}: {posted.last_why}"
        elif posted.cancelled_at:
            state = f"not sent: {posted.last_why}"
        else:
            state = "waiting" + (f": {posted.last_why}" if posted.last_why else "")
        yield f"  by {posted.letter.channel}: {state}"


def _reason_lines(reason: Reason, zone: tzinfo) -> Iterator[str]:
    sums = ""
    if reason.drive_h is not None and reason.weight is not None and reason.grit_h is not None:
        sums = f"  {reason.drive_h:.3f} h × {reason.weight:.3f} = {reason.grit_h:.3f}"
    elif reason.drive_h is not None:
        sums = f"  + {reason.drive_h:.3f} h"
    total = f"  total {reason.total:.3f}" if reason.total is not None else ""
    yield f"  {local_stamp(reason.at, zone)}  {reason.text}{sums}{total}"
    if reason.weather:
        yield f"                    {reason.weather}"


def _life(raised: RaisedReminder, zone: tzinfo) -> Iterator[str]:
    for step in raised.steps:
        until = f" until {local_stamp(step.until, zone)}" if step.until else ""
        # The sentence it was first raised with stands at the top already.
        said = step.step is not Step.TOLD and step is not raised.steps[0]
        reason = f": {step.why}" if step.why and said else ""
        yield f"  {local_stamp(step.at, zone)}  {step.step.value}{until}, by {step.by}{reason}"
