"""Rows and verdicts as programs read them: plain numbers, units in their keys, times with their offset."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime, tzinfo
from enum import Enum
from typing import Any, TypeAlias

from rules.ledger import Ledger

Names: TypeAlias = Mapping[str, Mapping[int, str]]  # of things, by the type of their numbers
DIGITS = 6


def names_in(ledger: Ledger) -> Names:
    """What riders call what verdicts number."""
    return {
        "RiderId": {one.id: one.name for one in ledger.riders},
        "BikeId": {one.id: one.name for one in ledger.bikes},
        "ChainId": {one.id: one.name for one in ledger.chains},
    }


def plain(value: Any, zone: tzinfo, names: Names | None = None) -> Any:
    """A value as JSON has it: times ISO 8601 by that wall clock, enums by their word, lengths in metres.

    A verdict is an object by its fields; riders, bikes and chains in it stand by name. What is no number a
    program could reckon with (never, not known) is null.
    """
    if isinstance(value, datetime):
        return value.astimezone(zone).isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float):
        return round(float(value), DIGITS) if math.isfinite(value) else None
    if is_dataclass(value) and not isinstance(value, type):
        return dict(
            _field(value, one.name, str(one.type), zone, names or {}) for one in fields(value) if one.repr
        )
    if hasattr(value, "_asdict"):
        return plain(value._asdict(), zone, names)
    if isinstance(value, Mapping):
        return {str(plain(key, zone)): plain(one, zone, names) for key, one in value.items()}
    if isinstance(value, tuple | list | frozenset | set):
        return [plain(one, zone, names) for one in value]
    return value


def _field(verdict: Any, key: str, kind: str, zone: tzinfo, names: Names) -> tuple[str, Any]:
    """One field of a verdict. kind: its type, as it is written there."""
    value = getattr(verdict, key)
    for number, called in names.items():
        if number in kind:
            value = _named(value, called)
    if key.endswith("_km") and "per" not in key:
        key, value = key.removesuffix("_km") + "_m", _times_1000(value)
    return key, plain(value, zone, names)


def _named(value: Any, called: Mapping[int, str]) -> Any:
    if isinstance(value, int) and not isinstance(value, bool):
        return called.get(value)
    if isinstance(value, Mapping):
        return {_named(key, called): one for key, one in value.items()}
    return [_named(one, called) for one in value] if isinstance(value, tuple) else value


def _times_1000(value: Any) -> Any:
    return [_times_1000(one) for one in value] if isinstance(value, tuple) else value * 1000.0
