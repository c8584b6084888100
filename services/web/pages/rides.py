"""Rides: found, narrowed down, and answered, a week of them without letting go of the keyboard."""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace
from datetime import datetime, tzinfo
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query
from fastapi.responses import HTMLResponse, Response
from pydantic import StringConstraints

from rules.commands import PutRidesOn, TellRide
from rules.contamination import likes
from rules.ledger import Ledger
from rules.vocabulary import BikeId, Condition, Ride, RideId, RiderId
from services.app import zone_of
from services.store import RideSums, Sought
from services.use_cases.find_by_name import NEAR_IN_TIME, place_about
from services.use_cases.judge_bikes import OpenQuestion
from services.use_cases.preview import supposed
from services.views.snapshot import Snapshot
from services.web.context import AContext, APage, APost, paged
from services.web.drawing_inputs import ride_mini
from services.web.forms import LARGEST_ID, FormRefused, is_number_of, midnight
from services.web.pages.question_detail import closer
from services.web.pages.ride import NONE, NOTHING_CHANGES, bike_said, identity_of

router = APIRouter(prefix="/rides")
PAGE = 25
PARTS = (
    ("rides", "/rides", "Rides"),
    ("answer", "/rides/answer", "Which bike was it?"),
    ("files", "/files", "Files"),
)
MOST_ASKED = 10  # what a phone scrolls through; what comes up next is chosen by these answers
FEWEST_IN_ONE = 3  # single rides of a rider from which on one answer may be for all that are left open
OPEN = "open"  # rides whose bike is a question


Filter = Annotated[str, Query(max_length=12)]
FILTERS = ("text", "rider", "bike", "like", "from", "until")  # as they are called in addresses and forms


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rides are looked for, by the filters of the query."""

    text: Annotated[str, Query(max_length=200), StringConstraints(strip_whitespace=True)] = ""
    rider: Filter = ""
    bike: Filter = ""
    like: Filter = ""
    first: Annotated[str, Query(alias="from", max_length=25)] = ""
    last: Annotated[str, Query(alias="until", max_length=25)] = ""

    def query(self) -> str:
        """As the query of an address, without what is empty."""
        return urlencode([pair for pair in zip(FILTERS, astuple(self), strict=True) if pair[1]])

    @property
    def anything(self) -> bool:
        """Whether the list is narrowed down at all."""
        return any(astuple(self))


AWanted = Annotated[Wanted, Depends()]


@dataclass(frozen=True, slots=True)
class Found:
    """Rides that are as wanted, newest first: those of one page, and the sums of all."""

    rides: tuple[Ride, ...]
    sums: RideSums


def found(
    snapshot: Snapshot, want: Wanted, zone: tzinfo, *, limit: int | None = None, offset: int = 0
) -> Found:
    """Which rides are as wanted? Raises FormRefused for a date that is none."""
    sought = _sought(want, zone)
    if sought is None:
        return Found((), RideSums(0, 0.0, 0.0))
    with snapshot.app.store.reading() as tx:
        like = sought.get("like")
        if like is None or not tx.rides.unnamed():
            rides = tx.rides.rides(newest_first=True, limit=limit, offset=offset, **sought)
            return Found(rides, tx.rides.sums(**sought) if want.anything else snapshot.recorded)
        sought["like"] = None
        every = tx.rides.rides(newest_first=True, **sought)
    # Until a round has kept it of all rides, it is worked out of their hours.
    alike = [ride for ride in every if like in likes(snapshot.ledger, ride, snapshot.rulebook)]
    sums = RideSums(len(alike), sum(one.distance_m for one in alike), sum(one.drive_s for one in alike))
    return Found(tuple(alike[offset:][:limit]), sums)


def _sought(want: Wanted, zone: tzinfo) -> Sought | None:
    """The same for the store; None = there can be no such ride."""
    bike = want.bike if want.bike not in (OPEN, NONE) else ""
    if not all(one == "" or is_number_of(one) for one in (want.rider, bike)):
        return None
    if want.like not in ("", *Condition):
        return None
    return Sought(
        between=_span(want, zone),
        rider=RiderId(int(want.rider)) if want.rider else None,
        bike=BikeId(int(bike)) if bike else None,
        asking=want.bike == OPEN,
        none_of_ours=want.bike == NONE,
        text=want.text,
        like=Condition(want.like) if want.like else None,
    )


def _span(want: Wanted, zone: tzinfo) -> tuple[datetime | None, datetime | None]:
    """From the first day's midnight to the end of the last day."""
    first = midnight(want.first, zone) if want.first else None
    last = midnight(want.last, zone, days_later=1) if want.last else None
    return first, last


@router.get("")
def rides(
    context: AContext, want: AWanted, page: APage = 1, bike_now: str = Query("", alias="put", max_length=12)
) -> HTMLResponse:
    """The list, page by page."""
    snapshot = context.snapshot
    matching = found(snapshot, want, context.zone, limit=PAGE, offset=(page - 1) * PAGE)
    sums, changes = matching.sums, None
    if bike_now and sums.count:
        every = found(snapshot, want, context.zone).rides
        answers = {ride.id: bike_said(bike_now, snapshot) for ride in every}
        changes = supposed(context.app, bikes=answers, now=context.now).sentences or (NOTHING_CHANGES,)
    return context.show(
        "rides.html",
        here="rides",
        part="rides",
        parts=PARTS,
        want=want,
        rides=matching.rides,
        **paged(sums.count, page, PAGE),
        likes=list(Condition),
        mini=ride_mini,
        put=bike_now,
        supposed=changes,
        distance_m=sums.distance_m,
        drive_s=sums.drive_s,
    )


@router.post("/put")
def put_all(context: AContext, posted: APost) -> Response:
    """The rider's word on every ride of a narrowed list: a lost week, a sensor on the wrong bike."""
    want = Wanted(*map(posted.text, FILTERS))
    if not want.anything:
        raise FormRefused("Narrow the list down first: a word on every ride there is would be too much.")
    snapshot = context.snapshot
    matching = found(snapshot, want, context.zone).rides
    count = posted.whole("count", low=0, high=LARGEST_ID, what="The number of rides")
    if count != len(matching):
        raise FormRefused("The list has changed since you looked; look again.", status=409)
    bike = bike_said(posted.text("put"), snapshot)
    said = PutRidesOn(tuple((ride.id, bike) for ride in matching))
    return context.keep(said, posted, f"/rides?{want.query()}")


@dataclass(frozen=True, slots=True)
class Option:
    """One bike that a ride may have been on. key: the digit that picks it."""

    key: int
    value: str
    name: str


@dataclass(frozen=True, slots=True)
class Question:
    """Rides that one answer settles, with the bikes they may have been on.

    key: the numbers of all its rides.  shown: those to look at: first, last and oddest.  options: none
    picked, and no guess beside them: one that is shown becomes the answer.  because: what to know first.
    """

    key: str
    shown: tuple[Ride, ...]
    count: int
    zone: tzinfo
    rider: str
    options: tuple[Option, ...]
    because: str

    @property
    def is_one_ride(self) -> bool:
        """Whether all that it settles is in sight."""
        return self.count == 1


@router.get("/answer")
def answer(context: AContext, apart: int | None = None, look: int | None = None) -> HTMLResponse:
    """The most useful questions first; one form keeps all answers.

    apart: a ride whose group is asked about ride by ride.
    look: a ride whose question is looked at closely, with what each answer would move; else the first shows
    its gears and days.
    """
    snapshot = context.snapshot
    asked = context.shared.snapshots.asked()
    group = next((one for one in asked if apart in one.rides), None)
    if group is not None:
        asked = tuple(replace(group, rides=(ride,), shown=(ride,)) for ride in group.rides)
    asked = asked[:MOST_ASKED]
    snapshot = snapshot.of(rides=[ride for one in asked for ride in one.shown])
    shown = [found for one in asked if (found := question_of(snapshot, one)) is not None]
    place = next((i for i, one in enumerate(shown) if str(look) in one.key.split("-")), 0)
    near = None
    if shown:
        rides = tuple(RideId(int(one)) for one in shown[place].key.split("-"))
        of = next(one for one in asked if one.rides == rides)
        answers = [option.value for option in shown[place].options]
        near = closer(context, of, answers, moves=look is not None)
    told = sum(len(one.rides) for one in asked if not one.is_check)
    return context.show(
        "which_bike.html",
        here="rides",
        part="answer",
        parts=PARTS,
        questions=shown,
        others=_others(shown),
        near=near,
        looked=look is not None,
        near_key=shown[place].key if shown else "",
        left=max(0, len(snapshot.questions) - told),
    )


def question_of(snapshot: Snapshot, asked: OpenQuestion) -> Question | None:
    """The question as a page asks it; None = its rides count no more."""
    look = snapshot.of(rides=[one for one in asked.shown if snapshot.ledger.ride(one) is None])
    shown = tuple(ride for one in asked.shown if (ride := look.ledger.ride(one)) is not None)
    if not shown:
        return None
    first = shown[0]
    rider = snapshot.rider(first)
    bikes = snapshot.ledger.may_have_been(first)
    options = [Option(key, str(bike.id), bike.name) for key, bike in enumerate(bikes, start=1)]
    return Question(
        "-".join(str(ride) for ride in asked.rides),
        shown,
        len(asked.rides),
        zone_of(rider.time_zone),
        rider.name,
        (*options, Option(0, NONE, "none of ours")),
        asked.because,
    )


def _others(questions: list[Question]) -> list[dict[str, Any]]:
    """Riders with several single rides on the form, and the bikes that each of these may have been on.

    One answer for all that a form leaves open of them: each is in sight.
    """
    of: dict[RiderId, list[Question]] = {}
    for one in questions:
        if one.is_one_ride:
            of.setdefault(one.shown[0].rider, []).append(one)
    found = []
    for rider, singles in of.items():
        if len(singles) < FEWEST_IN_ONE:
            continue
        offered = [{option.value for option in one.options} for one in singles]
        bikes = [option for option in singles[0].options if all(option.value in each for each in offered)]
        numbered = [replace(option, key=key % len(bikes)) for key, option in enumerate(bikes, start=1)]
        name = singles[0].rider
        found.append({"rider": rider, "name": name, "count": len(singles), "options": numbered})
    return found


@router.post("/tell")
def tell(context: AContext, posted: APost) -> Response:
    """A ride that nobody recorded."""
    snapshot = context.snapshot
    rider = RiderId(posted.identity("rider", "who rode"))
    bike = bike_said(posted.need("bike", "which bike it was on"), snapshot)
    minutes = posted.number("minutes", what="How long it took, in minutes,")
    if minutes is None:
        raise FormRefused("Say how long it took, in minutes, for instance 40.", field="minutes")
    word = posted.choice("like", Condition, "what it was like") if posted.text("like") else None
    at = posted.instant_or_none("at", context.zone, now=context.now)
    if at is None:
        raise FormRefused("Say when it began.", field="at")
    indoor = posted.ticked("indoor")
    with context.app.store.reading() as tx:
        near = () if indoor else tx.rides.rides(between=(at - NEAR_IN_TIME, at + NEAR_IN_TIME), rider=rider)
    place = place_about(Ledger(rides=near), rider, at)
    latitude_deg, longitude_deg = (None, None) if place is None else place[1:]
    units = context.app.units
    distance_km = units.km(posted.number("distance", what=f"The distance in {units.distance}") or 0.0)
    told = TellRide(rider, bike, at, minutes, word, distance_km * 1000, latitude_deg, longitude_deg, indoor)
    return context.keep(told, posted, "/rides")


@router.post("/answer")
def keep_answers(context: AContext, posted: APost) -> Response:
    """Keep every answer that was given, as one correction."""
    answers: dict[RideId, BikeId | None] = {}
    left_open: list[RideId] = []
    for number, value in posted.names("on-"):
        of = number.split("-")
        if not all(one.isascii() and one.isdigit() for one in of):
            raise FormRefused("An answer names no ride.")
        rides = [RideId(identity_of(int(one))) for one in of]
        if value:
            answers |= dict.fromkeys(rides, bike_said(value, context.snapshot))
        elif len(rides) == 1:
            left_open += rides
    others = {rider: value for rider, value in posted.names("others-") if value}
    look = context.snapshot.of(rides=left_open) if others else context.snapshot
    for ride in left_open if others else ():
        found = look.ledger.ride(ride)
        if found is not None and (bike := others.get(str(found.rider))):
            answers[ride] = bike_said(bike, context.snapshot)
    if not answers:
        raise FormRefused("No answer was picked; nothing was changed.")
    return context.keep(PutRidesOn(tuple(answers.items())), posted, "/rides/answer")
