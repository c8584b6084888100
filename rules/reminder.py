"""What a reminder is, and the dated steps of its life."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from rules.vocabulary import BikeId, ChainId, Condition, ReminderId, RideId, RiderId, TreatmentId

# How long a wet chain's message says what to do on the evenings to come; labelled assumption.
WET_HOLDS = timedelta(days=10)
ASKED_AHEAD = f"wet evening for {WET_HOLDS.days} days"  # in the words that ask for those evenings too
THE_ROUND = "the round"  # by whom, where no rider said it
LONGEST_PUT_OFF_DAYS = 365.0  # what is wanted later than that is dismissed
HAS_DRIED = " It has dried by now: skip it;"  # said of a wet chain that asks for nothing any more


class ReminderKind(StrEnum):
    """What hands are asked to do."""

    WIPE_AND_DRIP = "wipe and drip"
    DRIP = "drip"
    IMMERSION = "re-immersion"
    INSPECTION = "inspection"
    REPLACEMENT = "replacement"


@dataclass(frozen=True, slots=True)
class Reason:
    """One line of a reminder's ledger. The lines add up, in order, to the number that crossed the limit."""

    at: datetime  # the ride hour's start, or when the treatment or reading happened
    text: str  # what happened, one sentence
    ride: RideId | None = None
    condition: Condition | None = None
    drive_h: float | None = None  # what this line adds
    weight: float | None = None  # grit-hours per drive hour, 1 + a_w*w + a_m*m + a_d*d + a_s*s
    grit_h: float | None = None  # drive_h * weight
    total: float | None = None  # running total after this line, in the reminder's unit
    weather: str = ""  # value, source, model, tier and fetch time, in words


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something is due, and this is why.

    key names the cause, so that the same cause is never raised twice: kind, chain, and the fact it counts
    from (the treatment that cleared the total, or the wet ride, or the reading).
    """

    key: str
    kind: ReminderKind
    chain: ChainId
    rider: RiderId  # whom to tell: who rides the bike it is on, else the bike's owner
    bike: BikeId | None
    cause_at: datetime  # when the limit was crossed, or the wet ride ended
    headline: str  # "Wipe and drip the chain on Plover tonight"
    sentence: str  # the one fact that made it due
    total: float
    limit: float
    unit: str  # "grit-hours", "drive hours", "%", "immersions", "cleanings", "probability"
    unknown_h: float  # drive hours in the total with no weather behind them: counted as plain hours, said so
    reasons: tuple[Reason, ...]
    rulebook_version: str
    urgency: int = 0  # 0 soon, 1 today, 2 overdue by half the limit again; a rise is worth telling again


class Step(StrEnum):
    """A dated step in a reminder's life. The last step that is not TOLD is its state."""

    RAISED = "raised"
    TOLD = "told"
    WORSE = "worse"
    DONE = "done"
    PUT_OFF = "put off"
    DISMISSED = "dismissed"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class ReminderStep:
    """One step, with who and why."""

    step: Step
    at: datetime
    by: str  # THE_ROUND, a rider's name, a channel's name
    why: str = ""
    until: datetime | None = None  # for PUT_OFF
    treatment: TreatmentId | None = None  # for DONE by a treatment


@dataclass(frozen=True, slots=True)
class RaisedReminder:
    """A reminder as the store keeps it: what was due, and everything that happened to it since."""

    id: ReminderId
    reminder: Reminder
    steps: tuple[ReminderStep, ...]

    @property
    def standing(self) -> ReminderStep:
        """The step it stands at: the last other than TOLD."""
        return next(step for step in reversed(self.steps) if step.step is not Step.TOLD)

    @property
    def state(self) -> Step:
        """Where it stands."""
        return self.standing.step

    @property
    def is_open(self) -> bool:
        """Whether hands are still wanted."""
        return self.state in (Step.RAISED, Step.WORSE, Step.PUT_OFF)

    @property
    def is_silenced(self) -> bool:
        """Whether a rider's word alone keeps it from being asked for: that word can be taken back."""
        last = self.standing
        by_word = last.step is Step.DONE and last.treatment is None and last.by != THE_ROUND
        return by_word or last.step in (Step.PUT_OFF, Step.DISMISSED)


def asked_for_wet_evenings(known: Iterable[RaisedReminder]) -> dict[ChainId, list[datetime]]:
    """When was it told of each chain what to do on its wet evenings, be it beside another job? In no order.

    known: every reminder ever raised.
    """
    found: dict[ChainId, list[datetime]] = {}
    for one in known:
        wet = one.reminder.kind is ReminderKind.WIPE_AND_DRIP
        told = [step.at for step in one.steps if step.step is Step.TOLD and (wet or step.why == ASKED_AHEAD)]
        found.setdefault(one.reminder.chain, []).extend(told)
    return found


def wants_a_rinse(reminder: Reminder) -> bool:
    """Whether a chain is asked for that came home with road salt in it?"""
    return reminder.kind is ReminderKind.WIPE_AND_DRIP and "road salt" in reminder.sentence
