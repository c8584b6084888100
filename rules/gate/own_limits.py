"""May these limits and weights be set?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import cache

from rules.commands import SetLimits
from rules.gate.field_checks import text, within
from rules.gate.times import not_ahead
from rules.gate.verdicts import Hearing, Objection, Refused, said_of
from rules.own_limits import owner_of, rulebook_key
from rules.rulebook import KEYS, Rulebook, default_rulebook

MOST_VALUES = 100


@cache
def _ranges() -> Rulebook:
    return default_rulebook()


def set_limits(command: SetLimits, hearing: Hearing) -> Iterator[Objection]:
    yield from not_ahead(command.set_at, hearing)
    yield from text(command.because, "A reason")
    if not 0 < len(command.limits) <= MOST_VALUES:
        yield Refused("Say at least one limit or weight, for a rider, a bike or a chain.")
    named = Counter((one.scope, one.owner, rulebook_key(one.key)) for one in command.limits)
    for one in command.limits:
        if named[one.scope, one.owner, rulebook_key(one.key)] > 1:
            yield Refused(f"{one.key[:40].capitalize()} is set twice for the same; say which holds.", one.key)
        if owner_of(hearing.ledger, one) is None:
            yield Refused(f"There is no {one.scope} {one.owner} to set {one.key} for.")
        key = rulebook_key(one.key)
        if key not in KEYS:
            yield Refused(f"“{one.key[:40]}” is no limit or weight that can be set for one of them.")
            continue
        judgement = _ranges().judgement(key)
        head = f"{one.key.replace('_', ' ').capitalize()}, in {judgement.unit},"
        yield from said_of(one.key, within(one.value, judgement.low, judgement.high, head))
