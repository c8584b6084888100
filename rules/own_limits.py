"""Limits and weights that riders set for themselves: on top of the rulebook, undone like anything said."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

from rules.dates_and_numbers import number
from rules.ledger import Ledger
from rules.rulebook import WEIGHTS, Rulebook
from rules.vocabulary import Bike, Chain, OwnValue, Rider

_Set = tuple[tuple[str, str, str, float | None], ...]  # scope, name, key, value; the newest last


def in_force(rulebook: Rulebook, ledger: Ledger) -> Rulebook:
    """Which rulebook holds, with what the household set on top of it? The same answer is one object."""
    found = [
        (one.scope, owner.name, one.key, one.value)
        for said in sorted(ledger.own_limits, key=lambda said: said.id)
        for one in said.limits
        if (owner := owner_of(ledger, one)) is not None
    ]
    return _with(rulebook, tuple(found)) if found else rulebook


def owner_of(ledger: Ledger, one: OwnValue) -> Rider | Bike | Chain | None:
    """Whose value is it? None: nobody's who is there."""
    families: dict[str, Sequence[Rider | Bike | Chain]] = {
        "rider": ledger.riders,
        "bike": ledger.bikes,
        "chain": ledger.chains,
    }
    return next((owner for owner in families.get(one.scope, ()) if owner.id == one.owner), None)


def set_for(ledger: Ledger, one: OwnValue) -> str:
    """One clause: 'immersion of Plover set to 60', 'water of Ada left to the rulebook'."""
    owner = owner_of(ledger, one)
    head = f"{one.key} of {one.owner if owner is None else owner.name}"
    return f"{head} left to the rulebook" if one.value is None else f"{head} set to {number(one.value, 2)}"


def rulebook_key(key: str) -> str:
    """Where the rulebook keeps it: 'limit.drip', 'weight.water'."""
    return f"weight.{key}" if key in WEIGHTS else f"limit.{key}"


@lru_cache(maxsize=16)
def _with(rulebook: Rulebook, values: _Set) -> Rulebook:
    overrides = {owner: dict(said) for owner, said in rulebook.overrides.items()}
    for scope, name, key, value in values:
        own = overrides.setdefault((scope, name), {})
        if value is not None:
            own[key] = value
        elif key in rulebook.overrides.get((scope, name), {}):
            own[key] = rulebook.overrides[scope, name][key]
        else:
            own.pop(key, None)
    mark = hashlib.sha256(repr(values).encode()).hexdigest()[:8]
    kept = {owner: said for owner, said in overrides.items() if said}
    return replace(rulebook, overrides=kept, version=f"{rulebook.version}, with {mark} of your own")
