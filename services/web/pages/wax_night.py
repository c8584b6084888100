"""A wax night: which chains go into the pot together, in which order, with the caution at each step."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from rules.vocabulary import BikeId
from rules.wax_night import plan
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
    """The plan. needed: bikes that ride tomorrow; every one, until the form was sent."""
    snapshot = context.snapshot
    bikes = [bike for bike in snapshot.bikes_here(context.now) if not bike.indoor]
    tomorrow = {BikeId(one) for one in needed or ()} if asked else {bike.id for bike in bikes}
    night = plan(snapshot.ledger, snapshot.rulebook, now=context.now, needed=tomorrow, pot_holds=pot)
    return context.show(
        "wax_night.html", here="care", parts=PARTS, night=night, bikes=bikes, tomorrow=tomorrow, pot=pot
    )
