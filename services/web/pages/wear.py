"""Wear: readings and where they lead, wax against wet lube, what it costs; and where nobody can say."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from rules.comparison import Comparison
from rules.vocabulary import Chain, Reading, Regime
from rules.wear import Forecast, Measure, Refusal
from services.web.desk import ASheet
from services.web.picture import rate_picture, wear_picture

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
        rates=[(one, rate_rows(one)) for one in comparisons],
        costs=[snapshot.cost(regime, now) for regime in Regime],
    )


def rate_rows(one: Comparison) -> list[tuple[str, str, int, tuple[float, float, float], Markup]]:
    """Each chain as a witness: its name, regime, readings, rate, and the rate drawn on a shared scale."""
    witnesses = [*one.waxed, *one.control]
    most = max((witness.slope[2] for witness in witnesses), default=1.0)
    return [
        (
            witness.name,
            witness.regime.value,
            witness.readings,
            witness.slope,
            rate_picture(witness.slope, most, witness.name, f"rate-{witness.chain}"),
        )
        for witness in witnesses
    ]
