"""A wax night: which chains go into the pot, in which order, with cautions; beside it the supplies."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from rules.supplies import USES
from rules.vocabulary import BikeId
from rules.wax_night import plan, ridden_tomorrow
from services.app import zone_of
from services.web.context import AContext
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
