"""Whatever a person says: judged at the gate, kept as a numbered change, and what follows derived again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rules import commands as say
from rules.commands import Command
from rules.dates_and_numbers import listed
from rules.gate.apply import applied
from rules.gate.change_sentence import described
from rules.gate.effects import effect
from rules.gate.judge import judge
from rules.gate.verdicts import Hearing, Question, Refused
from rules.ledger import Ledger
from rules.roles import objection
from rules.vocabulary import BikeId, ChainId, DecidedBy, RideId
from services.app import App
from services.store import FactRefused, NeedsConfirmation, NotAllowed, Transaction
from services.store.rows_of_facts import FAMILIES
from services.use_cases.judge_bikes import also_moved, judge_later, judge_new_rides, waits_for_a_round
from services.use_cases.rename_in_rulebook import rename_in_rulebook, renames
from services.use_cases.update_reminders import reckon

A_RIDER = "a rider"
LATER = "The other rides are judged by it in the next round."
MOST_NAMED = 5000  # rides at once; with more, all are read
A_DAY_MIN = 24 * 60.0
# What a command makes one of; the others make none.
FAMILY: dict[type, str] = {
    say.AddRider: "riders",
    say.AddBike: "bikes",
    say.AddChain: "chains",
    say.FitChain: "fittings",
    say.PlaceSensor: "sensors",
    say.LogTreatment: "treatments",
    say.LogReading: "readings",
    say.LogWipeTest: "wipe_tests",
    say.StartTrial: "trials",
    say.BeginSupply: "supplies",
    say.SetLimits: "own_limits",
}


@dataclass(frozen=True, slots=True)
class Done:
    """What was done, in sentences, and its number in the log, for undoing it.

    made: the fact's own number.  renamed: who is called otherwise now.
    """

    number: int
    sentences: tuple[str, ...]
    made: int = 0
    renamed: tuple[tuple[str, str, str], ...] = ()  # scope, old and new name


def record(app: App, command: Command, *, now: datetime, by: str = A_RIDER, confirmed: bool = False) -> Done:
    """Keep what a person says, if the gate lets it pass.

    Raises FactRefused with why not and what to do, NeedsConfirmation with the question, NotFound.
    """
    with app.store.writing() as tx:
        done = recorded(tx, app, command, now=now, by=by, confirmed=confirmed)
    return with_bikes(app, done, now=now)


def add_and_fit(
    app: App, chain: say.AddChain, bike: BikeId, at: datetime, *, now: datetime
) -> tuple[Done, Done]:
    """A new chain that is on a bike already: both are kept, or neither. Raises FactRefused."""
    with app.store.writing() as tx:
        added = recorded(tx, app, chain, now=now)
        fit = say.FitChain(ChainId(added.made), bike, at)
        fitted = recorded(tx, app, fit, now=now)
    return added, with_bikes(app, fitted, now=now)


def recorded(
    tx: Transaction, app: App, command: Command, *, now: datetime, by: str = A_RIDER, confirmed: bool = True
) -> Done:
    """The same, within a transaction that is under way; `with_bikes` comes after it."""
    ledger = ledger_for(tx, [command])
    done, _ = _kept(tx, app, ledger, command, now=now, by=by, confirmed=confirmed)
    done = with_rulebook(tx, app, done)
    return replace(done, sentences=(*done.sentences, *reckon(tx, app, now=now).sentences))


def copied_in(tx: Transaction, app: App, told: Sequence[Command], *, now: datetime) -> None:
    """A whole notebook, each line judged and logged; whoever comes after reckons. What is asked is a yes."""
    ledger = ledger_for(tx, told)
    for command in told:
        _, ledger = _kept(tx, app, ledger, command, now=now, by=A_RIDER, confirmed=True)


def _kept(
    tx: Transaction, app: App, ledger: Ledger, command: Command, *, now: datetime, by: str, confirmed: bool
) -> tuple[Done, Ledger]:
    """A command judged, kept and logged; and the ledger after it."""
    if no := objection(app.member, ledger, command):
        raise NotAllowed(no)
    by = app.speaker(by)
    if isinstance(command, say.SplitOuting):
        command = _second_recording(tx, command)
    verdict = judge(ledger, command, now=now, zone_of=ZoneInfo)
    if isinstance(verdict, Refused):
        raise FactRefused(verdict.why, verdict.of)
    if isinstance(verdict, Question) and not confirmed:
        raise NeedsConfirmation(verdict.ask)
    what = described(ledger, command, Hearing(ledger, now, ZoneInfo).zone(None))
    family = FAMILY.get(type(command))
    made = tx.facts.next_number(family) if family else 0
    more = len(command.also) if isinstance(command, say.LogTreatment) else 0
    for _ in range(more):  # PostgreSQL counts on by being asked
        tx.facts.next_number(family or "")
    after = applied(ledger, command, made)
    tx.facts.write(ledger, after, at=now, by=by, why=getattr(command, "because", what))
    rows = tuple(_ride_rows(tx, command, now, by))
    if moves_bikes(command):
        judge_later(tx, now)
    number = tx.changes.add(
        what, command, made=made, rows=rows, effect=effect(ledger, after), at=now, by=by
    ).number
    named = (
        f" ({FAMILIES[family].word}{f's {made} to {made + more}' if more else f' {made}'})" if family else ""
    )
    return Done(number, (f"{what[0].upper()}{what[1:]}{named}.",), made, renames(ledger, after)), after


def ledger_for(tx: Transaction, commands: Sequence[Command]) -> Ledger:
    """As much of the ledger as judging and applying these takes: of rides those named or beside them."""
    chains: set[ChainId] = set()
    rides: set[RideId] = set()
    for command in commands:
        match command:
            case say.LogTreatment():
                chains |= {command.chain, *command.also}
            case say.LogReading(chain) | say.LogWipeTest(chain):
                chains.add(chain)
            case say.PutRidesOn(answers) if len(answers) < MOST_NAMED:
                rides |= {ride for ride, _ in answers}
            case (
                say.SayCondition(ride) | say.SayUnpaved(ride) | say.WithdrawRide(ride) | say.SplitOuting(ride)
            ):
                rides.add(ride)
            case say.TellRide():
                lasted_min = min(max(0.0, command.minutes), A_DAY_MIN)  # in this order nan is 0
                ended_at = command.started_at + timedelta(minutes=lasted_min)
                beside = tx.rides.spans(command.started_at, ended_at)
                rides |= {one.id for one in beside}
            case say.PutRidesOn():
                return tx.ledger()
            case _:  # of what there is and how it was cared for; of no ride
                return tx.care_ledger()
    return tx.ledger_of(chains, rides=rides)


def with_bikes(app: App, done: Done, *, now: datetime) -> Done:
    """Which rides are other bikes' by what was said: judged all by all, while others may write."""
    moves = judge_new_rides(app.store, now)
    with app.store.reading() as tx:
        later = [LATER] if waits_for_a_round(tx) else []
    if not moves:
        return replace(done, sentences=(*done.sentences, *later))
    with app.store.writing() as tx:
        said = (*also_moved(tx, moves), *reckon(tx, app, now=now).sentences)
    return replace(done, sentences=(*done.sentences, *said, *later))


def with_rulebook(tx: Transaction, app: App, done: Done) -> Done:
    """The household's own rulebook follows a new name; a club's is many households'.

    Before anything is reckoned: by a rulebook that says the old name, what rests on it would be withdrawn.
    """
    if app.store.household is not None or not done.renamed:
        return done
    app.rulebook_in(tx)  # one that cannot be read is refused before it is written
    said = [sentence for one in done.renamed for sentence in rename_in_rulebook(app, *one)]
    return replace(done, sentences=(*done.sentences, *said))


def moves_bikes(command: Command) -> bool:
    """Whether rides may be other bikes' once this is said: all that no rider has spoken of is judged anew."""
    if isinstance(command, say.Amend):
        return command.what == "bike" and bool(command.values.keys() - {"name"})
    return isinstance(
        command,
        say.PlaceSensor
        | say.ForgetSensor
        | say.AddBike
        | say.FitChain
        | say.TakeOff  # a bike without a chain was not ridden
        | say.Retire
        | say.FittingWasNot
        | say.PutRidesOn
        | say.SplitOuting
        | say.WithdrawRide,
    )


def _second_recording(tx: Transaction, command: say.SplitOuting) -> say.SplitOuting:
    """Which recording is meant: the second one, or the ride it belongs to if that has only one."""
    details = tx.rides.details(command.ride)
    if details.kept_ride is not None:
        return command
    if not details.second_recordings:
        raise FactRefused(f"Ride {command.ride} has no second recording to split from it.")
    if len(details.second_recordings) > 1:
        several = listed([str(one) for one in details.second_recordings])
        raise FactRefused(f"Ride {command.ride} has several second recordings: say which of {several}.")
    return say.SplitOuting(details.second_recordings[0])


def _ride_rows(tx: Transaction, command: Command, now: datetime, by: str) -> Iterator[int]:
    """What a command changes about rides, where rides are kept; the rows it made there."""
    match command:
        case say.TellRide():
            yield _told_ride(tx, command, now, by)
        case say.PutRidesOn(answers):
            for ride, bike in answers:
                yield tx.rides.record(ride, bike, decided_by=DecidedBy.RIDER, at=now, by=by).id
        case say.SayCondition(ride, word):
            tx.rides.set_word(ride, word, now, by)
            yield tx.rides.words_of(ride)[-1].id
        case say.SayUnpaved(ride, share):
            tx.rides.set_unpaved_share(ride, share, now, by)
            yield tx.rides.words_of(ride)[-1].id
        case say.WithdrawRide(ride, because):
            tx.rides.withdraw(ride, at=now, by=by, why=because)
        case say.SplitOuting(ride):
            tx.rides.split_again(ride, at=now, by=by)


def _told_ride(tx: Transaction, command: say.TellRide, now: datetime, by: str) -> RideId:
    from ingest.ride.manual_ride import unrecorded  # numpy, only when it is wanted

    summary = unrecorded(
        command.started_at,
        command.minutes,
        distance_m=command.distance_m,
        latitude_deg=command.latitude_deg,
        longitude_deg=command.longitude_deg,
        indoor=command.indoor,
    )
    ride = tx.rides.add(replace(summary, title="told, not recorded"), command.rider, file_name="")
    tx.rides.record(ride, command.bike, decided_by=DecidedBy.RIDER, at=now, by=by)
    if command.word is not None:
        tx.rides.set_word(ride, command.word, now, by)
    return ride


def rides_counted_by(tx: Transaction, command: Command, rows: tuple[int, ...]) -> frozenset[RideId]:
    """Rides that count because of a command alone: told and without a file, or split from another one."""
    match command:
        case say.SplitOuting(ride):
            return frozenset({ride})
        case say.TellRide():
            from ingest.ride.manual_ride import READER

            return frozenset(ride for ride in map(RideId, rows) if tx.rides.outing(ride).reader == READER)
    return frozenset()


def take_back_rows(tx: Transaction, command: Command, rows: tuple[int, ...], now: datetime, by: str) -> None:
    """As if a command had not been said, as far as rides go. rows: its words, its decisions or its ride."""
    if isinstance(command, say.SayCondition | say.SayUnpaved):
        for word in rows:
            tx.rides.take_back_word(word)
        return
    if isinstance(command, say.TellRide):
        told = rides_counted_by(tx, command, rows)
        for ride in map(RideId, rows):
            if ride in told:
                tx.rides.withdraw(ride, at=now, by=by, why="undone")
                continue
            # Its file came since and stands for itself, without what was told: the ride was born with that.
            tx.rides.take_back_decision(tx.rides.assignments_of(ride)[0].id, at=now, by=by)
            if command.word is not None:
                tx.rides.take_back_word(tx.rides.words_of(ride)[0].id)
        return
    for decision in reversed(rows):
        tx.rides.take_back_decision(decision, at=now, by=by)
    match command:
        case say.WithdrawRide(ride):
            tx.rides.restore(ride, at=now, by=by)
        case say.SplitOuting(ride):
            tx.rides.join_again(ride, at=now, by=by)
