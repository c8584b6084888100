"""Wear: readings and where they lead, wax against wet lube, what it costs; and where nobody can say."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from rules.vocabulary import Chain, Reading, Regime
from rules.wear import Forecast, Measure, Refusal
from services.web.desk import ASheet
from services.web.picture import comparison_picture, wear_picture

router = APIRouter(prefix="/wear")


@dataclass(frozen=True, slots=True)
class Worn:
    """One chain, its readings and its forecast."""

    chain: Chain
    where: str
    readings: tuple[Reading, ...]
    answer: Forecast | Refusal
    picture: Markup
    refused: bool
    chance: float


@router.get("")
def wear(sheet: ASheet) -> HTMLResponse:
    """Everything that is known of wear."""
    snapshot, now = sheet.snapshot, sheet.now
    worn = []
    for chain in snapshot.ledger.chains:
        readings = tuple(one for one in snapshot.ledger.readings_of(chain.id) if one.taken_at <= now)
        answer = snapshot.wear(chain.id, now)
        worn.append(
            Worn(
                chain,
                snapshot.where(chain, now),
                readings,
                answer,
                wear_picture(snapshot, chain, now) if readings else Markup(""),
                isinstance(answer, Refusal),
                answer.chance_worn,
            )
        )
    worn.sort(key=lambda one: (one.where == "retired", not one.readings, -one.chance, one.chain.name))
    comparisons = [snapshot.comparison(now, measure) for measure in Measure]
    return sheet.show(
        "wear.html",
        here="wear",
        worn=worn,
        comparisons=comparisons,
        rates=comparison_picture(comparisons[0]),
        costs=[snapshot.cost(regime, now) for regime in Regime],
    )
