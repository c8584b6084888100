"""Which spare goes on which bike while its own chain is cared for: as many of the pressing ones as can be."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from rules.ledger import Ledger
from rules.vocabulary import Bike, Chain, ChainId


def fits(ledger: Ledger, spare: Chain, own: Chain, bike: Bike) -> bool:
    """Whether a spare can stand in for a bike's own chain.

    It was on this bike before, or it has the same speeds and the same number of links, both noted.
    """
    if any(fitting.bike == bike.id for fitting in ledger.fittings_of(spare.id)):
        return True
    alike = (spare.speeds, spare.links) == (own.speeds, own.links)
    return alike and spare.speeds is not None and spare.links is not None


def stand_ins(
    wanted: Iterable[tuple[ChainId, float]], suit: Mapping[ChainId, Sequence[ChainId]]
) -> dict[ChainId, ChainId]:
    """Which spare for which chain? Each spare once, the sum of what is wanted as large as it can be.

    wanted: each chain with how much a stand-in is worth to it.  suit: the spares that fit it.
    The most pressing first; one that finds its spares taken may have another chain move on to a second spare.
    What a stand-in is worth hangs on the chain alone, so this is the best there is, not a rule of thumb.
    """
    taken: dict[ChainId, ChainId] = {}  # by spare

    def place(chain: ChainId, seen: set[ChainId]) -> bool:
        for spare in suit.get(chain, ()):
            if spare in seen:
                continue
            seen.add(spare)
            if spare not in taken or place(taken[spare], seen):
                taken[spare] = chain
                return True
        return False

    for chain, _ in sorted(wanted, key=lambda one: (-one[1], one[0])):
        place(chain, set())
    return {chain: spare for spare, chain in taken.items()}
