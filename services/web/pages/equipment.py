"""Equipment, set on the page: riders, bikes, chains and where they sit, sensors."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from rules import commands as say
from rules.cautions import LINK
from rules.dates_and_numbers import number
from rules.gate.times import end_of, start_of
from rules.vocabulary import Bike, BikeId, Chain, ChainId, FittingId, Regime, Rider, RiderId
from services.store import NotFound
from services.use_cases.find_by_name import Thing
from services.web.context import AChoice, AContext, APage, APost, RequestContext
from services.web.forms import Posted
from services.web.pages.corrections import back_of
from services.web.pages.settings_overview import show_part

router = APIRouter(prefix="/settings")
FITTINGS, CHAINS = 6, 12  # a page


@router.get("/riders")
def riders(context: AContext) -> HTMLResponse:
    """Who rides."""
    return show_part(context, "riders")


@router.post("/riders")
def keep_rider(context: AContext, posted: APost) -> Response:
    """A new rider, or a mended one."""
    name, email = posted.need("name", "the rider's name"), posted.text("email", most=254) or None
    time_zone = posted.text("time_zone", most=64) or "UTC"
    if not posted.text("rider"):
        return context.keep(say.AddRider(name, email, time_zone), posted, "/settings/riders")
    values = {"name": name, "email": email, "time_zone": time_zone}
    return _amend(context, posted, "rider", posted.identity("rider", "a rider"), values)


@router.get("/bikes")
def bikes(context: AContext) -> HTMLResponse:
    """What is ridden."""
    return show_part(context, "bikes")


@router.post("/bikes")
def keep_bike(context: AContext, posted: APost) -> Response:
    """A new bike, or a mended one."""
    known = next((one for one in context.snapshot.ledger.bikes if str(one.id) == posted.text("bike")), None)
    unpaved = posted.number("unpaved", what="The unpaved share in %") or 0.0
    wheel_mm = posted.number("wheel_mm", what="The wheel circumference in mm")
    fields: dict[str, Any] = {
        "name": posted.need("name", "the bike's name"),
        "owner": RiderId(posted.identity("owner", "whose it is")),
        "unpaved_share": _or_kept(unpaved, 100, getattr(known, "unpaved_share", None)),
        "chainrings": posted.teeth("chainrings", "Chainrings"),
        "cogs": posted.teeth("cogs", "Cogs"),
        "wheel_circumference_m": _or_kept(wheel_mm, 1000, getattr(known, "wheel_circumference_m", None)),
        "indoor": posted.ticked("indoor"),
        "from_at": _whole_day(context, posted, "from_at", getattr(known, "from_at", None)),
        "until_at": _whole_day(context, posted, "until_at", getattr(known, "until_at", None)),
    }
    if not posted.text("bike"):
        return context.keep(say.AddBike(**fields), posted, "/settings/bikes")
    return _amend(context, posted, "bike", posted.identity("bike", "a bike"), fields)


def _or_kept(typed: float | None, scale: float, kept: float | None) -> float | None:
    """A number that the form shows as so many times what is kept, rounded; left as shown, nothing changes."""
    if typed is None or (kept is not None and number(typed) == number(kept * scale)):
        return kept if typed is not None else None
    return typed / scale


def _whole_day(
    context: RequestContext, posted: Posted, name: str, kept: datetime | None = None
) -> datetime | None:
    """A day on which something came or went; left as the form shows it, the time that is kept stands."""
    typed, zone = posted.time_or_day(name, context.zone, now=context.now), context.zone
    if typed is None or typed.day is None:
        return None if typed is None else typed.at
    if kept is not None and kept.astimezone(zone).date() == typed.day:
        return kept
    return end_of(typed.day, zone, context.now) if name == "until_at" else start_of(typed.day, zone)


@router.post("/bikes/left")
def bike_left(context: AContext, posted: APost) -> Response:
    """A bike was sold, lent for good or broken: no ride from now on is on it."""
    gone = posted.identity("bike", "a bike")
    return _amend(context, posted, "bike", gone, {"until_at": context.now})


def _amend(
    context: RequestContext, posted: Posted, what: Thing, number: int, asked: dict[str, Any]
) -> Response:
    """Only what the form says otherwise than the ledger: two who mend at once do not undo each other."""
    page = f"/settings/{what}s"
    things: dict[Thing, Sequence[Rider | Bike | Chain]] = {
        "rider": context.snapshot.ledger.riders,
        "bike": context.snapshot.ledger.bikes,
        "chain": context.snapshot.ledger.chains,
    }
    known = next((one for one in things[what] if one.id == number), None)
    if known is None:
        raise NotFound(what, number, (one.name for one in things[what]))
    values = {name: value for name, value in asked.items() if getattr(known, name) != value}
    if not values:
        return context.redirect(page, "Nothing was changed: it is so already.")
    return context.keep(say.Amend(what, number, values), posted, page)


@router.get("/chains")
def chains(context: AContext, chain: AChoice = "", page: APage = 1, chains: APage = 1) -> HTMLResponse:
    """What is fitted where. chain: the one that is shown open.  page: of fittings.  chains: page of those."""
    snapshot, now = context.snapshot, context.now
    every = snapshot.ledger.chains
    place = next((place for place, one in enumerate(every) if str(one.id) == chain), None)
    shown = chains if place is None else place // CHAINS + 1
    fittings = sorted(snapshot.ledger.fittings, key=lambda one: (one.fitted_at, one.id), reverse=True)
    return show_part(
        context,
        "chains",
        chosen=chain,
        chains=every[(shown - 1) * CHAINS : shown * CHAINS],
        shown=shown,
        of_chains=max(1, -(-len(every) // CHAINS)),
        regimes=list(Regime),
        link_caution=LINK,
        fittings=fittings[(page - 1) * FITTINGS : page * FITTINGS],
        page=page,
        pages=max(1, -(-len(fittings) // FITTINGS)),
        usable=[one for one in snapshot.ledger.chains if one.retired_at is None or one.retired_at > now],
        bikes=snapshot.ledger.bikes_here(now),
    )


@router.post("/chains")
def keep_chain(context: AContext, posted: APost) -> Response:
    """A new chain, or a mended one."""
    fields: dict[str, Any] = {
        "name": posted.need("name", "the chain's name"),
        "regime": posted.choice("regime", Regime, "how it is lubricated"),
        "speeds": posted.whole("speeds", what="The speeds it is made for"),
        "links": posted.whole("links", what="The number of links"),
        "price": posted.number("price", what="The price"),
    }
    if not posted.text("chain"):
        return context.keep(say.AddChain(**fields, acquired_at=context.now), posted, "/settings/chains")
    return _amend(context, posted, "chain", posted.identity("chain", "a chain"), fields)


@router.post("/fit")
def fit(context: AContext, posted: APost) -> Response:
    """A chain goes onto a bike."""
    chain, bike = ChainId(posted.identity("chain", "a chain")), BikeId(posted.identity("bike", "a bike"))
    at = posted.instant("at", context.zone, now=context.now)
    return context.keep(say.FitChain(chain, bike, at), posted, back_of(posted, "/settings/chains"))


@router.post("/take-off")
def take_off(context: AContext, posted: APost) -> Response:
    """A chain comes off, and perhaps it is worn out."""
    chain = ChainId(posted.identity("chain", "a chain"))
    at = posted.instant("at", context.zone, now=context.now)
    said = say.Retire(chain, at) if posted.ticked("retire") else say.TakeOff(chain, at)
    return context.keep(said, posted, "/settings/chains")


@router.post("/fitting-was-not")
def fitting_was_not(context: AContext, posted: APost) -> Response:
    """A fitting that never was: kept, and counted no more."""
    number = FittingId(posted.identity("fitting", "a fitting"))
    because = posted.text("because") or "noted by mistake"
    return context.keep(say.FittingWasNot(number, because), posted, "/settings/chains")


@router.get("/sensors")
def sensors(context: AContext) -> HTMLResponse:
    """What files name, and where it sits."""
    spans: dict[str, list[Any]] = {}
    for one in context.snapshot.ledger.sensors:
        spans.setdefault(one.identity, []).append(one)
    return show_part(context, "sensors", seen=context.snapshot.sensors_seen, spans=spans)


@router.post("/sensors")
def sensor_sits(context: AContext, posted: APost) -> Response:
    """A sensor sits on a bike since then; rides it was heard on are judged again."""
    placed = say.PlaceSensor(
        posted.need("identity", "which sensor"),
        posted.text("kind") or "sensor",
        BikeId(posted.identity("bike", "a bike")),
        _whole_day(context, posted, "since"),
    )
    return context.keep(placed, posted, "/settings/sensors")


@router.post("/sensors/forget")
def forget_sensor(context: AContext, posted: APost) -> Response:
    """A sensor was learned or typed wrongly."""
    number = posted.identity("sensor", "a sensor")
    span = next((one for one in context.snapshot.ledger.sensors if one.id == number), None)
    if span is None:
        raise NotFound("sensor", number)
    return context.keep(say.ForgetSensor(span.identity, span.bike, span.from_at), posted, "/settings/sensors")
