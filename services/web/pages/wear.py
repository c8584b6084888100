"""Wear: readings and where they lead, wax against wet lube, what it costs; and where nobody can say."""

from __future__ import annotations

import secrets
from datetime import datetime

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from rules.commands import EndTrial, StartTrial
from rules.trial import USUAL_TURN_KM
from rules.vocabulary import BikeId, Chain, ChainId, Reading, Regime, TrialId
from rules.wear.forecast import Refusal
from rules.wear.trial_pairs import promise
from services.views.snapshot import Snapshot
from services.web.context import AContext, APage, APost, paged
from services.web.drawing_inputs import comparison_picture, wear_picture

router = APIRouter(prefix="/wear")
PAGE = 4  # a drawing is heavy
PARTS = (
    ("wear", "/wear", "Chain by chain"),
    ("compare", "/wear/compare", "Wax and wet lube"),
    ("year", "/year", "The year another way"),
)


def _at_limit(readings: tuple[Reading, ...], limit_pct: float) -> bool:
    """Whether the last reading is at the limit, or over it."""
    if not readings:
        return False
    last = readings[-1]
    worn_pct = last.exact_pct if last.exact_pct is not None else last.over_pct
    return worn_pct is not None and worn_pct >= limit_pct


def _neediest_first(snapshot: Snapshot, chain: Chain, now: datetime) -> tuple[bool, float, str]:
    """Those in use by how likely each is worn; then those retired, the last one first."""
    retired = snapshot.where(chain, now) == "retired"
    if retired and chain.retired_at is not None:
        return retired, -chain.retired_at.timestamp(), chain.name
    return retired, -snapshot.wear(chain.id, now).chance_worn, chain.name


@router.get("")
def wear(context: AContext, page: APage = 1) -> HTMLResponse:
    """Everything that is known of wear."""
    snapshot, now = context.snapshot, context.now
    with context.app.store.reading() as tx:
        have_readings = tx.care.measured()
    measured = [one for one in snapshot.ledger.chains if one.id in have_readings]
    measured.sort(key=lambda one: _neediest_first(snapshot, one, now))
    shown = measured[(page - 1) * PAGE : page * PAGE]
    snapshot, worn = snapshot.of(one.id for one in shown), []
    for chain in shown:
        readings = tuple(one for one in snapshot.ledger.readings_of(chain.id) if one.taken_at <= now)
        answer = snapshot.wear(chain.id, now)
        worn.append(
            {
                "chain": chain,
                "where": snapshot.where(chain, now),
                "readings": readings,
                "answer": answer,
                "refused": isinstance(answer, Refusal),
                "picture": wear_picture(snapshot, chain, now),
                # its last reading says so: no chance need be told
                "at_limit": _at_limit(readings, snapshot.wear_limit(chain, now)),
            }
        )
    return context.show(
        "wear.html",
        here="wear",
        part="wear",
        parts=PARTS,
        worn=worn,
        bare=[one for one in snapshot.ledger.chains if one.id not in have_readings],
        **paged(len(measured), page, PAGE),
    )


@router.get("/compare")
def compare(context: AContext) -> HTMLResponse:
    """Wax against wet lube: which wears less, a fair trial, and what each costs."""
    snapshot, now = context.snapshot, context.now
    comparison, bikes = snapshot.comparison(now), snapshot.ledger.bikes_here(now)
    found = snapshot.found_by_trials(now) if snapshot.ledger.trials else None
    so_far = 0 if found is None else found.pairs
    return context.show(
        "wear_compare.html",
        here="wear",
        part="compare",
        parts=PARTS,
        comparison=comparison,
        rates=comparison_picture(comparison),
        prices=snapshot.app.prices,
        pays_back=snapshot.pays_back(now),
        trials=snapshot.trials(now),
        usual_turn_km=USUAL_TURN_KM,
        found=found,
        bikes=bikes,
        # what could be found is the same on every bike; in how long is not
        promise=list(
            dict.fromkeys(
                sentence
                for bike in bikes
                for sentence in promise(snapshot.whole.ledger, bike.id, now=now, pairs_before=so_far)
            )
        ),
        pairs=[
            [one for one in snapshot.ledger.chains if one.regime is regime and one.retired_at is None]
            for regime in Regime
        ],
        learned=snapshot.learned(now),
        costs=[snapshot.cost(regime, now) for regime in Regime],
    )


@router.post("/trial")
def begin_trial(context: AContext, posted: APost) -> Response:
    """Two chains take turns from now on."""
    units = context.app.units
    every = posted.number("every", what=f"The distance from swap to swap, in {units.distance},")
    begun = StartTrial(
        BikeId(posted.identity("bike", "the bike")),
        ChainId(posted.identity("waxed", "the waxed chain")),
        ChainId(posted.identity("lubed", "the lubed chain")),
        context.now,
        USUAL_TURN_KM if every is None else units.km(every),
        secrets.randbelow(2**31),
    )
    return context.keep(begun, posted, "/wear/compare#trial")


@router.post("/trial/end")
def end_trial(context: AContext, posted: APost) -> Response:
    """A trial is over."""
    number = TrialId(posted.identity("trial", "the trial"))
    return context.keep(EndTrial(number, context.now), posted, "/wear/compare#trial")
