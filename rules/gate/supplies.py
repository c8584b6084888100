"""May this be said of a bath, a bottle or a pack of quick links?"""

from __future__ import annotations

from collections.abc import Iterator

from rules.commands import BeginSupply, EndSupply
from rules.gate.equipment import MOST_PRICE
from rules.gate.field_checks import line, within
from rules.gate.times import ends_once, not_ahead
from rules.gate.verdicts import Hearing, Objection, Question, Refused, the_one
from rules.supplies import USES
from rules.vocabulary import SupplyKind

MOST = {
    SupplyKind.BATH: (50.0, 20_000.0),
    SupplyKind.DRIP_WAX: (5.0, 10_000.0),
    SupplyKind.SOLVENT: (50.0, 100_000.0),
    SupplyKind.QUICK_LINKS: (1.0, 500.0),
}


def begin_supply(command: BeginSupply, hearing: Hearing) -> Iterator[Objection]:
    use = USES[command.kind]
    yield from not_ahead(command.begun_at, hearing)
    yield from within(command.amount, *MOST[command.kind], f"The amount, in {use.unit}")
    yield from within(command.a_use, *use.range, f"What one {use.deed} takes, in {use.unit}")
    yield from within(command.price, 0.0, MOST_PRICE, "The price")
    if command.name.strip():
        yield from line(command.name, "The name of a supply", "as you call it")
    if command.kind is SupplyKind.QUICK_LINKS:
        return
    for other in hearing.ledger.supplies:
        if other.kind is command.kind and other.ended_at is None and other.begun_at > command.begun_at:
            yield Refused(
                f"A newer {command.kind.value} is in use since {hearing.told(other.begun_at)}; say since "
                "when this one is, or end that one first."
            )
        elif other.kind is command.kind and other.ended_at is None:
            yield Question(
                f"The {command.kind.value} begun on {hearing.told(other.begun_at)} is in use: is it used up, "
                "and this one in its place?"
            )


def end_supply(command: EndSupply, hearing: Hearing) -> Iterator[Objection]:
    supply = the_one(command.supply, hearing.ledger.supplies, "supply")
    yield from ends_once(supply.kind.value, command.at, supply.begun_at, supply.ended_at, hearing)
