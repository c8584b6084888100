"""Which limits hold for a chain? One answer for reminders, outlook, forecast, page, wax night and mail.

A chain's own limit goes before that of the bike it is on (or was on last), that before its rider's, and that
before everybody's. Weights are judged hour by hour, by the bike and the rider of the ride: see
`Rulebook.weights_for`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.ledger import Ledger
from rules.rulebook import Judgement, Rulebook
from rules.vocabulary import Bike, Chain, Rider


@dataclass(frozen=True, slots=True)
class ChainJudgements:
    """A chain with whom it belongs to at a time: what is set for any of them holds for it."""

    rulebook: Rulebook
    chain: Chain
    bike: Bike | None  # it is on this bike now
    last_bike: Bike | None  # or it was last on this one
    rider: Rider | None  # who rode it last on that bike, else the bike's owner, else the household's first

    def limit(self, short_key: str) -> Judgement:
        """Which limit holds? short_key: the key without "limit.", e.g. "drip"."""
        return self.rulebook.limit(short_key, chain=self.chain, bike=self.last_bike, rider=self.rider)

    def wear_limit(self) -> Judgement:
        """At which elongation is it worn out? [%]"""
        return self.rulebook.wear_limit(self.chain, bike=self.last_bike, rider=self.rider)


def judgements_for(ledger: Ledger, rulebook: Rulebook, chain: Chain, now: datetime) -> ChainJudgements:
    """Whose judgements hold for this chain now?"""
    fitting = ledger.fitting_of(chain.id, now)
    last = ledger.last_fitting_of(chain.id, now)
    bike = None if fitting is None else ledger.bike(fitting.bike)
    last_bike = bike or (ledger.bike(last.bike) if last else None)
    return ChainJudgements(rulebook, chain, bike, last_bike, _rider(ledger, chain, last_bike, now))


def _rider(ledger: Ledger, chain: Chain, bike: Bike | None, now: datetime) -> Rider | None:
    if bike is None:
        return ledger.riders[0] if ledger.riders else None
    ridden = [ride for ride in ledger.rides_of(chain.id) if ride.started_at <= now]
    if ridden and ridden[-1].bike == bike.id:
        return ledger.rider(ridden[-1].rider)
    return ledger.rider(bike.owner)
