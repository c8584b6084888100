"""Deriving what something happened to, or whose time has come; everything else stays as it was derived.

    chains to look at | as much of the ledger as they need | what is due | until when that holds

The reasons are always folded from the facts of a chain's whole life, which wear bounds. What hangs on other
chains too is the chance that one is worn: of each is kept what the wear model hears of it, and when that
moves, those that are measured and on a bike are looked at as well.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import rules
from rules.care_due import due
from rules.changed_defaults import NEWEST
from rules.overlapping_reminders import one_a_chain
from rules.recheck_time import next_look
from rules.reconcile import Change, reconcile
from rules.reminder import asked_for_wet_evenings
from rules.rulebook import Rulebook
from rules.vocabulary import BikeId, ChainId
from rules.wear.chain_readings import Read, Ridden, Worn, heard_together, worn_of
from services.app import App, zone_of
from services.store import ChainState, Transaction

if TYPE_CHECKING:
    from rules.wear.reading_arrays import Measured


def derived_by(rulebook: Rulebook) -> str:
    """By which rulebook, which limits of the program's own and which code chains are derived now."""
    return f"{rulebook.version} {NEWEST} {way_of_deriving()}"


@cache
def way_of_deriving() -> str:
    """The code of the rules by its bytes: nobody has to remember that it changed."""
    digest = hashlib.sha256()
    for module in sorted(Path(rules.__file__).parent.rglob("*.py")):
        digest.update(module.read_bytes())
    return digest.hexdigest()[:12]


def derive(tx: Transaction, app: App, *, now: datetime) -> tuple[Change, ...] | None:
    """Look at every chain that wants it and mark it clean; returns what to keep of its reminders.

    None: there was nothing to look at.
    """
    rulebook = app.rulebook_in(tx)
    by = derived_by(rulebook)
    wanted = frozenset(tx.derived.to_look_at(now, by))
    if not wanted:
        tx.derived.settle((), {}, by=by, now=now)
        return None
    before = tx.derived.states(wanted)
    look = Look(tx, app, wanted, now)
    if any(_heard(worn_from(before, one)) != _heard(look.worn.get(one)) for one in wanted):
        wanted |= tx.derived.measured_and_fitted(now)
        look = Look(tx, app, wanted, now)
    chances = look.chances(tx)
    everything = due(
        look.ledger,
        rulebook,
        now=now,
        zone_of=zone_of,
        worn_chance=chances,
        only=wanted,
        wet_told=asked_for_wet_evenings(look.known),
    )
    asked_for = one_a_chain(everything, look.known)
    changes = reconcile(look.known, asked_for, look.ledger, now=now, rulebook=rulebook, zone_of=zone_of)
    found = {
        one.id: ChainState(
            next_look(
                look.ledger,
                rulebook,
                one,
                due_now=[reminder for reminder in everything if reminder.chain == one.id],
                known=[raised for raised in look.known if raised.reminder.chain == one.id],
                now=now,
            ),
            json.dumps(look.worn[one.id]),
            bool(look.worn[one.id].read),
        )
        for one in look.chains
    }
    tx.derived.settle(wanted, found, by=by, now=now)
    return changes


class Look:
    """What is seen of some chains at one moment. Those that are gone are not among `chains`."""

    def __init__(self, tx: Transaction, app: App, wanted: Collection[ChainId], now: datetime) -> None:
        self.rulebook, self.wanted, self.now = app.rulebook_in(tx), wanted, now
        self.known = tx.reminders.of_chains(wanted)
        told_of = {reason.ride for one in self.known if one.is_open for reason in one.reminder.reasons}
        self.ledger = tx.ledger_of(wanted, rides=[ride for ride in told_of if ride is not None])
        self.chains = [one for one in self.ledger.chains if one.id in wanted]
        self.worn = {one.id: worn_of(self.ledger, self.rulebook, one, now) for one in self.chains}

    def chances(self, tx: Transaction) -> Mapping[ChainId, float]:
        """With which probability is each of these worn that is measured, on a bike and ridden since?"""
        asked: dict[ChainId, BikeId] = {}
        for chain, worn in self.worn.items():
            fitting = self.ledger.fitting_of(chain, self.now)
            if fitting is not None and worn.read and worn.since:
                asked[chain] = fitting.bike
        if not asked:
            return {}
        from rules.wear.forecast import chance_worn  # slow to load, and mostly nobody is measured

        return {
            chain: chance_worn(self.heard_with(tx, chain), self.worn[chain], bike)
            for chain, bike in asked.items()
        }

    def heard_with(self, tx: Transaction, chain: ChainId) -> Measured:
        """What the wear model hears when this chain is judged, as it wants it."""
        from rules.wear.reading_arrays import gathered

        return gathered(self.heard(tx, chain), self.rulebook)

    def heard(self, tx: Transaction, chain: ChainId) -> tuple[Worn, ...]:
        """The chains heard when this one is judged: of those that are not looked at, what was kept."""
        ranks = [
            (number, is_measured, None if retired_at is None else retired_at.timestamp())
            for number, (is_measured, retired_at) in tx.derived.measured().items()
            if number not in self.wanted
        ]
        ranks += [(number, bool(worn.read), worn.retired_s) for number, worn in self.worn.items()]
        lot = heard_together(ranks, chain)
        kept = tx.derived.states(one for one in lot if one not in self.worn)
        heard = [self.worn[one] if one in self.worn else worn_from(kept, one) for one in lot]
        return tuple(one for one in heard if one is not None)


def look_at_stale(tx: Transaction, app: App, now: datetime) -> Look:
    """A look at the chains that no round has looked at since something happened to them."""
    return Look(tx, app, frozenset(tx.derived.to_look_at(now, derived_by(app.rulebook_in(tx)))), now)


def _heard(worn: Worn | None) -> Worn | None:
    return None if worn is None else worn.heard


def worn_from(states: Mapping[ChainId, ChainState], chain: ChainId) -> Worn | None:
    """What was kept of a chain, as it was."""
    if chain not in states:
        return None
    number, waxed, retired, limit_pct, stretches, read, since, drive_h = json.loads(states[chain].worn)
    return Worn(
        ChainId(number),
        waxed,
        retired,
        limit_pct,
        tuple(_ridden(one) for one in stretches),
        tuple(Read(*one) for one in read),
        _ridden(since),
        drive_h,
    )


def _ridden(kept: list[tuple[int, list[float], float]]) -> tuple[Ridden, ...]:
    return tuple(Ridden(BikeId(bike), tuple(known), unknown_h) for bike, known, unknown_h in kept)
