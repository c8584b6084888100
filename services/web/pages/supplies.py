"""Supplies: wax, solvent and quick links begun and used up. They are shown on the page of the wax night."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from rules.commands import BeginSupply, EndSupply
from rules.vocabulary import SupplyId, SupplyKind
from services.web.context import AContext, APost
from services.web.forms import FormRefused

router = APIRouter(prefix="/wax-night/supplies")


@router.post("")
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


@router.post("/end")
def end_supply(context: AContext, posted: APost) -> Response:
    """A supply is used up, or was poured away."""
    number = SupplyId(posted.identity("supply", "a supply"))
    return context.keep(EndSupply(number, context.now), posted, "/wax-night#supplies")
