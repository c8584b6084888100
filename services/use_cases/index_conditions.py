"""What each ride was like is kept beside it: those of a kind are found without deriving all of them."""

from __future__ import annotations

import hashlib
from datetime import datetime

from rules.contamination import likes
from rules.ledger import Ledger
from rules.rulebook import WEIGHTS, Rulebook
from rules.vocabulary import Ride
from services.app import App
from services.store import Transaction
from services.store.bookkeeping import RIDES_NAMED_BY
from services.use_cases.derive_chains import way_of_deriving

MOST_AT_ONCE = 2000  # rides in a transaction; the others in the next ones


def index_conditions(tx: Transaction, app: App, *, now: datetime) -> None:
    """Keep what those rides were like of which something was said or tagged since; or all of them anew."""
    rulebook = app.rulebook_in(tx)
    by = _named_by(tx, rulebook)
    if tx.notes.get(RIDES_NAMED_BY) != by:
        tx.rides.forget_likes()
        tx.notes.put(RIDES_NAMED_BY, by, at=now)
    if tx.rides.unnamed():
        ledger = tx.ledger_of((), rides=tx.rides.without_likes(MOST_AT_ONCE))
        tx.rides.set_likes({one.id: likes(ledger, one, rulebook) for one in ledger.rides})


def anything_to_index(tx: Transaction, rulebook: Rulebook) -> bool:
    """Whether `index_conditions` has anything to do; quick."""
    return tx.rides.unnamed() or tx.notes.get(RIDES_NAMED_BY) != _named_by(tx, rulebook)


def kept_otherwise(tx: Transaction, ledger: Ledger, rulebook: Rulebook) -> tuple[Ride, ...]:
    """Rides of which something else is kept than all facts give. There should be none."""
    kept = tx.rides.likes()
    return tuple(
        one for one in ledger.rides if one.id in kept and kept[one.id] != likes(ledger, one, rulebook)
    )


def _named_by(tx: Transaction, rulebook: Rulebook) -> str:
    """By which code, thresholds and weights: those of one bike or chain hold where it is."""
    own = [
        (owner, sorted(said.items()))
        for owner, said in sorted(rulebook.overrides.items())
        if said.keys() & set(WEIGHTS)
    ]
    where = repr((tx.garage() if own else "", own, rulebook.weights))
    return f"{way_of_deriving()} {hashlib.sha256(where.encode()).hexdigest()[:12]}"
