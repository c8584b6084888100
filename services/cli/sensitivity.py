"""How much of a chain's score rests on the assumed weights, as `outlook --weights` shows it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from services.cli.output import say, table
from services.cli.saying import zone_for

if TYPE_CHECKING:
    from rules.ledger import Ledger
    from rules.sensitivity import Sensitivity
    from rules.vocabulary import ChainId
    from services.app import App


def show_sensitivity(app: App, ledger: Ledger, only: set[ChainId] | None, now: datetime) -> None:
    """How far grit-hours and due dates move with each weight; of these chains, or of all on bikes."""
    from rules.sensitivity import sensitivity as of_chains
    from rules.vocabulary import Regime
    from services.app import zone_of

    found = of_chains(ledger, app.rulebook_for(ledger), now=now, zone_of=zone_of, only=only)
    if not found:
        say("No chain is on a bike: gritledger fit CHAIN BIKE")
    for one in found:
        named = ledger.chain(one.chain)
        care = ("drip", "immersion") if named.regime is Regime.WAXED else ("oil", "cleaning")
        table(
            (named.name, "weight", "grit-hours", *care),
            _rows(one, now.astimezone(zone_for(ledger))),
            right=(1, 2),
        )
        say(one.sentence)
        say("")


def _rows(one: Sensitivity, now: datetime) -> Iterator[tuple[str, str, str, str, str]]:
    stands = one.assumed
    yield (
        "as assumed",
        "",
        f"{stands.grit_h:.1f}",
        _when(stands.drip_by, now),
        _when(stands.immersion_by, now),
    )
    for row in one.moves:
        low, high = row.low, row.high
        yield (
            row.what,
            f"{row.range[0]:g} to {row.range[1]:g}" if row.range else "",
            f"{low.grit_h:.1f} to {high.grit_h:.1f}",
            _span(low.drip_by, high.drip_by, now),
            _span(low.immersion_by, high.immersion_by, now),
        )


def _span(low: datetime | None, high: datetime | None, now: datetime) -> str:
    """By the weight's lowest and by its highest, in the order of the other columns."""
    first, last = _when(low, now), _when(high, now)
    return first if first == last else f"{first} to {last}"


def _when(at: datetime | None, now: datetime) -> str:
    if at is None:
        return "–"
    return "now" if at <= now else f"{at.astimezone(now.tzinfo):%Y-%m-%d}"
