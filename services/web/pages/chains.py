"""Chains: all of them at a glance, and the whole life of one."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from rules.outlook import why_not_yet
from rules.vocabulary import ChainId
from rules.wear.forecast import Measure
from services.app import zone_of
from services.store import NotFound
from services.views.bench import need_of
from services.views.chain_state import state_of
from services.web.context import AContext
from services.web.embed import life_picture, life_rows, strip

MOST_ROWS = 120
router = APIRouter(prefix="/chains")


@router.get("")
def chains(context: AContext) -> HTMLResponse:
    """Every chain, where it is and what it has been through."""
    snapshot, now = context.snapshot, context.now
    states = [state_of(snapshot, chain, now) for chain in snapshot.ledger.chains]
    states.sort(key=lambda one: (one.where == "retired", one.bike is None, one.chain.name))
    return context.show(
        "chains.html",
        here="chains",
        states=states,
        km={one.chain.id: Measure.KILOMETRES.over_life(snapshot.past(one.chain.id, now)) for one in states},
    )


@router.get("/{number}")
def chain(number: int, context: AContext) -> HTMLResponse:
    """One chain, from its box to its retirement."""
    snapshot, now = context.snapshot, context.now
    one = next((chain for chain in snapshot.ledger.chains if chain.id == number), None)
    if one is None:
        raise NotFound("chain", number, (chain.name for chain in snapshot.ledger.chains))
    state = state_of(snapshot, one, now)
    return context.show(
        "chain.html",
        here="chains",
        state=state,
        chain=one,
        needs=[need_of(snapshot, due) for due in state.due],
        not_yet=why_not_yet(snapshot.ledger, snapshot.rulebook, ChainId(one.id), now=now, zone_of=zone_of),
        rows=life_rows(snapshot, one, now)[: -MOST_ROWS - 1 : -1],
        most_rows=MOST_ROWS,
        picture=life_picture(snapshot, one, now),
        wear=snapshot.wear(one.id, now),
        fittings=snapshot.ledger.fittings_of(one.id)[::-1],
        km=Measure.KILOMETRES.over_life(snapshot.past(one.id, now)),
        strip=strip,
    )
