"""Chains: all of them at a glance, and the whole life of one."""

from __future__ import annotations

from datetime import datetime, timedelta

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from rules.outlook import why_not_yet
from rules.vocabulary import Chain, ChainId
from rules.wear.forecast import Measure
from services.app import zone_of
from services.store import NotFound
from services.views.bench import need_of
from services.views.chain_state import state_of
from services.views.snapshot import Snapshot
from services.web.context import AChoice, AContext, APage, AText, paged
from services.web.drawing_inputs import life_picture, life_rows, strip

MOST_ROWS = 40
HALF_YEARS, MOST_HALF_YEARS = 4, 12  # drawn at first, and on asking: each weighs some 7 kB
PAGE = 10
PLACES = ("bike", "shelf", "retired")
router = APIRouter(prefix="/chains")


@router.get("")
def chains(context: AContext, text: AText = "", where: AChoice = "", page: APage = 1) -> HTMLResponse:
    """Every chain and what it has been through. where: 'bike', 'shelf', 'retired', or anywhere."""
    snapshot, now = context.snapshot, context.now
    places = snapshot.once(
        "places",
        lambda: {one.id: _place(snapshot, one, now) for one in snapshot.ledger.chains},
        asof=now.replace(second=0, microsecond=0),
    )
    wanted = [
        one
        for one in snapshot.ledger.chains
        if text.casefold() in one.name.casefold() and where in ("", places[one.id])
    ]
    wanted.sort(key=lambda one: (PLACES.index(places[one.id]), one.name))
    shown = wanted[(page - 1) * PAGE : page * PAGE]
    look = snapshot.of(one.id for one in shown)
    return context.show(
        "chains.html",
        here="chains",
        states=[state_of(look, one, now) for one in shown],
        text=text,
        where=where,
        **paged(len(wanted), page, PAGE),
        km=lambda one: Measure.KILOMETRES.over_life(one.past),
        strip=strip,
    )


def _place(snapshot: Snapshot, chain: Chain, now: datetime) -> str:
    words = snapshot.where(chain, now)
    return words if words == "retired" else "shelf" if words == "on the shelf" else "bike"


def _here(sentence: str, name: str) -> str:
    """A limit's line without the chain and its bike, which stand over the page."""
    of, colon, rest = sentence.partition(": ")
    return rest[0].upper() + rest[1:] if colon and of.startswith(f"{name} on ") else sentence


@router.get("/{number}")
def chain(number: int, context: AContext, whole: bool = False) -> HTMLResponse:
    """One chain, from its box to its retirement. whole: every half-year is drawn, not the newest alone."""
    snapshot, now = context.snapshot, context.now
    one = next((chain for chain in snapshot.ledger.chains if chain.id == number), None)
    if one is None:
        raise NotFound("chain", number, (chain.name for chain in snapshot.ledger.chains))
    snapshot = snapshot.of({one.id})
    state = state_of(snapshot, one, now)
    lived = state.past.entries
    return context.show(
        "chain.html",
        here="chains",
        state=state,
        chain=one,
        needs=[need_of(snapshot, due) for due in state.due],
        not_yet=[
            _here(sentence, one.name)
            for sentence in why_not_yet(
                snapshot.ledger, snapshot.rulebook, ChainId(one.id), now=now, zone_of=zone_of
            )
        ],
        rows=life_rows(snapshot, one, now)[: -MOST_ROWS - 1 : -1],
        most_rows=MOST_ROWS,
        picture=life_picture(snapshot, one, now, MOST_HALF_YEARS if whole else HALF_YEARS),
        more_drawn=not whole and bool(lived) and now - lived[0].at > timedelta(days=183 * HALF_YEARS),
        fittings=snapshot.ledger.fittings_of(one.id)[::-1],
        km=Measure.KILOMETRES.over_life(state.past),
        strip=strip,
    )
