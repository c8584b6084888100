"""What the page's own script and other programs on this machine can ask, as JSON. It changes nothing."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict

from rules.contamination import exposures
from rules.reminder import RaisedReminder
from rules.ride_name import own_title
from rules.units import SI, said
from rules.vocabulary import Chain, Condition, ReminderId, Ride, RideId
from rules.wear.forecast import Forecast
from rules.what_if import Difference
from services.store import NotFound
from services.use_cases.preview import supposed
from services.views.chain_state import state_of
from services.views.snapshot import Snapshot
from services.web.context import AContext, RequestContext
from services.web.forms import LARGEST_ID
from services.web.pages.ride import NOTHING_CHANGES, bike_said, identity_of, word_said
from services.web.pages.rides import AWanted, found


class InSI(JSONResponse):
    """What a program reads: every amount in SI, whatever the household reads."""

    def render(self, content: Any) -> bytes:
        """The answer as bytes."""
        return said(super().render(content).decode(), SI).encode()


router = APIRouter(tags=["reading"], default_response_class=InSI)
ANumber = Annotated[int, Path(ge=1, le=LARGEST_ID)]
MOST_A_PAGE = 500


class Trouble(BaseModel):
    """Why there is no answer."""

    detail: str


NO: dict[int | str, dict[str, Any]] = {
    422: {"model": Trouble, "description": "The question cannot be understood."},
    404: {"model": Trouble, "description": "There is none of that number."},
    503: {"model": Trouble, "description": "The ledger is busy; ask again."},
}


class LimitJson(BaseModel):
    """How far a limit is."""

    kind: str
    used: float
    limit: float
    unit: str
    expected_at: datetime | None
    sentence: str


class ChainJson(BaseModel):
    """A chain as it stands. Totals are grit-hours unless they say otherwise."""

    id: int
    name: str
    regime: str
    where: str
    retired_at: datetime | None
    since_drip_grit_h: float
    since_immersion_grit_h: float
    over_life_grit_h: float
    over_life_drive_h: float
    without_weather_drive_h: float
    since_immersion_by_condition_grit_h: dict[str, float]
    limits: list[LimitJson]
    due: list[int]
    wear: str


class HourJson(BaseModel):
    """One clock hour of a ride."""

    hour_start: datetime
    condition: str
    drive_h: float
    weight: float
    grit_h: float
    because: str
    source: str
    tier: str
    confidence: float | None


class RideJson(BaseModel):
    """One ride."""

    id: int
    title: str
    rider: str
    started_at: datetime
    ended_at: datetime
    bike: str | None
    decided_by: str | None
    asks: bool
    chain: str | None
    distance_m: float
    climb_m: float
    drive_s: float
    grit_h: float
    word: str | None
    indoor: bool


class RideWithHours(RideJson):
    """One ride, hour by hour."""

    hours: list[HourJson]


class RidesJson(BaseModel):
    """A stretch of a list of rides."""

    count: int
    rides: list[RideJson]


class FromLedger(BaseModel):
    """What is told just as the ledger has it."""

    model_config = ConfigDict(from_attributes=True)


class ReasonJson(FromLedger):
    """One line of a reminder's trace."""

    at: datetime
    text: str
    ride: int | None
    drive_h: float | None
    weight: float | None
    grit_h: float | None
    total: float | None
    weather: str


class StepJson(FromLedger):
    """Something that happened to a reminder."""

    at: datetime
    step: str
    by: str
    why: str


class ReminderJson(BaseModel):
    """A raised reminder."""

    id: int
    state: str
    kind: str
    chain: str
    headline: str
    sentence: str
    total: float
    limit: float
    unit: str
    rulebook: str
    urgency: int


class ReminderWithTrace(ReminderJson):
    """A raised reminder with everything behind it."""

    reasons: list[ReasonJson]
    steps: list[StepJson]


class Supposed(BaseModel):
    """What would change, in sentences. Nothing was kept."""

    sentences: list[str]


@router.get("/chains")
def chains(context: AContext) -> list[ChainJson]:
    """Every chain, as it stands now."""
    snapshot = context.snapshot.whole
    return [_chain(snapshot, context.now, one) for one in snapshot.ledger.chains]


@router.get("/chains/{number}", responses=NO)
def chain(number: ANumber, context: AContext) -> ChainJson:
    """One chain, as it stands now."""
    for one in context.snapshot.ledger.chains:
        if one.id == number:
            return _chain(context.snapshot.of({one.id}), context.now, one)
    raise NotFound("chain", number)


@router.get("/rides", responses=NO)
def rides(
    context: AContext,
    want: AWanted,
    offset: Annotated[int, Query(ge=0, le=LARGEST_ID)] = 0,
    limit: Annotated[int, Query(ge=1, le=MOST_A_PAGE)] = 50,
) -> RidesJson:
    """Rides, newest first. bike: a number, 'open' (which one?) or 'none' (none of ours); like: a word."""
    some = found(context.snapshot, want, context.zone, limit=limit, offset=offset)
    return RidesJson(count=some.sums.count, rides=[_ride(context, one) for one in some.rides])


@router.get("/rides/{number}", responses=NO)
def ride(number: ANumber, context: AContext) -> RideWithHours:
    """One ride that counts, with its hours."""
    one = _counted(context, number)
    hours = []
    for hour, put in zip(
        one.hours, exposures(context.snapshot.ledger, one, context.snapshot.rulebook), strict=True
    ):
        tag = hour.tag
        hours.append(
            HourJson(
                hour_start=hour.hour_start,
                condition=put.condition.value,
                drive_h=put.drive_h,
                weight=put.weight,
                grit_h=put.grit_h,
                because=tag.because if tag else "",
                source=tag.source if tag else "",
                tier=tag.tier.value if tag else "",
                confidence=tag.confidence if tag else None,
            )
        )
    return RideWithHours(**_ride(context, one).model_dump(), hours=hours)


@router.get("/reminders")
def reminders(context: AContext) -> list[ReminderJson]:
    """What needs hands now, most pressing first."""
    return [_reminder(context, one) for one in context.snapshot.most_pressing_first]


@router.get("/reminders/{number}", responses=NO)
def reminder(number: ANumber, context: AContext) -> ReminderWithTrace:
    """One reminder with the lines that add up to its total."""
    with context.app.store.reading() as tx:
        one = tx.reminders.get(ReminderId(number))
    return ReminderWithTrace(
        **_reminder(context, one).model_dump(),
        reasons=[ReasonJson.model_validate(line) for line in one.reminder.reasons],
        steps=[StepJson.model_validate(step) for step in one.steps],
    )


@router.get("/suppose/bike", responses=NO)
def suppose_bike(
    context: AContext,
    ride: Annotated[int, Query(ge=1, le=LARGEST_ID)],
    bike: Annotated[str, Query(min_length=1, max_length=12)],
) -> Supposed:
    """What would change if this ride were on that bike ('none': on none of ours)?"""
    answers = {_counted(context, ride).id: bike_said(bike, context.snapshot)}
    return _told(supposed(context.app, bikes=answers, now=context.now))


@router.get("/suppose/conditions", responses=NO)
def suppose_conditions(
    context: AContext,
    ride: Annotated[int, Query(ge=1, le=LARGEST_ID)],
    word: Annotated[str, Query(min_length=1, max_length=12)],
) -> Supposed:
    """What would change if the rider said this word on the ride ('archive': took it back)?"""
    said = {_counted(context, ride).id: word_said(word)}
    return _told(supposed(context.app, words=said, now=context.now))


def _told(difference: Difference) -> Supposed:
    return Supposed(sentences=list(difference.sentences) or [NOTHING_CHANGES])


def _counted(context: RequestContext, number: int) -> Ride:
    one = context.snapshot.of(rides={identity_of(number)}).ledger.ride(identity_of(number))
    if one is None:
        raise NotFound("ride", RideId(number))
    return one


def _chain(snapshot: Snapshot, now: datetime, one: Chain) -> ChainJson:
    state = state_of(snapshot, one, now)
    answer = snapshot.wear(one.id, now)
    return ChainJson(
        id=one.id,
        name=one.name,
        regime=one.regime.value,
        where=state.where,
        retired_at=one.retired_at,
        since_drip_grit_h=state.film_used,
        since_immersion_grit_h=state.immersion_used,
        over_life_grit_h=state.over_life.grit_h,
        over_life_drive_h=state.over_life.drive_h,
        without_weather_drive_h=state.over_life.unknown_h,
        since_immersion_by_condition_grit_h={word.value: grit_h for word, grit_h in state.by_condition},
        limits=[
            LimitJson(
                kind=limit.kind.value,
                used=limit.used,
                limit=limit.limit,
                unit=limit.unit,
                expected_at=limit.by,
                sentence=limit.sentence,
            )
            for limit in snapshot.outlook(now)
            if limit.chain == one.id
        ],
        due=[due.id for due in state.due],
        wear=answer.sentence if isinstance(answer, Forecast) else f"{answer.sentence} {answer.wants}",
    )


def _ride(context: RequestContext, one: Ride) -> RideJson:
    snapshot = context.snapshot
    chain = snapshot.ledger.chain_of(one)
    return RideJson(
        id=one.id,
        title=own_title(one),
        rider=snapshot.rider(one).name,
        started_at=one.started_at,
        ended_at=one.ended_at,
        bike=None if one.bike is None else snapshot.bike_name(one.bike),
        decided_by=None if one.decided_by is None else one.decided_by.value,
        asks=one.bike is None and one.decided_by is None,
        chain=None if chain is None else chain.name,
        distance_m=one.distance_m,
        climb_m=one.climb_m,
        drive_s=one.drive_s,
        grit_h=sum(grit_h for _, _, grit_h in snapshot.conditions(one)),
        word=None if one.word is None else Condition(one.word).value,
        indoor=one.indoor,
    )


def _reminder(context: RequestContext, one: RaisedReminder) -> ReminderJson:
    due = one.reminder
    names = {chain.id: chain.name for chain in context.snapshot.ledger.chains}
    return ReminderJson(
        id=one.id,
        state=one.state.value,
        kind=due.kind.value,
        chain=names.get(due.chain, "undone since"),
        headline=due.headline,
        sentence=due.sentence,
        total=due.total,
        limit=due.limit,
        unit=due.unit,
        rulebook=due.rulebook_version,
        urgency=due.urgency,
    )
