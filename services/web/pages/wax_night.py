"""A wax night: which chains go into the pot, in which order, with cautions; and what stands on the shelf."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from rules.commands import BeginSupply, EndSupply
from rules.supplies import USES
from rules.vocabulary import BikeId, SupplyId, SupplyKind
from rules.wax_night import plan, ridden_tomorrow
from services.app import zone_of
from services.web.context import AContext, APost
from services.web.forms import FormRefused
from services.web.pages.care import PARTS

router = APIRouter(prefix="/wax-night")


@router.get("")
def wax_night(
    context: AContext,
    needed: Annotated[list[int] | None, Query(max_length=200)] = None,
    asked: Annotated[str, Query(max_length=5)] = "",
    pot: Annotated[int, Query(ge=1, le=20)] = 2,
) -> HTMLResponse:
    """The plan. needed: bikes that ride tomorrow; at first those that usually do, else every one."""
    snapshot = context.snapshot
    bikes = [bike for bike in snapshot.ledger.bikes_here(context.now) if not bike.indoor]
    hour = context.now.replace(minute=0, second=0, microsecond=0)
    usual = snapshot.once(
        "ridden tomorrow",
        lambda: ridden_tomorrow(snapshot.lately(context.now).ledger, now=context.now, zone_of=zone_of),
        asof=hour,
    )
    tomorrow = {BikeId(one) for one in needed or ()} if asked else usual or {bike.id for bike in bikes}
    night = snapshot.once(
        "wax night",
        lambda: plan(
            snapshot.since_supplies(context.now).ledger,
            snapshot.rulebook,
            now=context.now,
            needed=tomorrow,
            pot_holds=pot,
        ),
        asof=(hour, frozenset(tomorrow), pot),
    )
    return context.show(
        "wax_night.html",
        here="care",
        parts=PARTS,
        night=night,
        bikes=bikes,
        tomorrow=tomorrow,
        pot=pot,
        supplies=snapshot.supplies(context.now),
        uses=USES,
    )


@router.post("/supplies")
def begin_supply(context: AContext, posted: APost) -> Response:
    """A bath was melted, a bottle opened, a pack bought."""
    amount = posted.number("amount", what="The amount")
    if amount is None:
        raise FormRefused("Say how much it held: g of a bath, ml of a bottle, pieces of a pack.")
    begun = BeginSupply(
        posted.choice("kind", SupplyKind, "what was begun"),
        amount,
        posted.instant("at", context.zone, now=context.now),
        posted.text("name"),
        posted.number("a_use", what="What one use takes"),
        posted.number("price", what="The price"),
    )
    return context.keep(begun, posted, "/wax-night#supplies")


@router.post("/supplies/end")
def end_supply(context: AContext, posted: APost) -> Response:
    """A supply is used up, or was poured away."""
    number = SupplyId(posted.identity("supply", "a supply"))
    return context.keep(EndSupply(number, context.now), posted, "/wax-night#supplies")
