"""Every number that is a judgement: weights and limits, each with its unit, its range and its source."""

from __future__ import annotations

import difflib
import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from importlib import resources
from typing import Any, NoReturn

from rules.units import marked
from rules.vocabulary import Bike, Chain, Condition, Rider

SCOPES = ("rider", "bike", "chain")  # the later, the closer to the chain, and the stronger
WORDS = tuple(condition for condition in Condition if condition is not Condition.UNKNOWN)
WEIGHTS = ("water", "mud", "dust", "salt")  # may differ for a rider, a bike or a chain; thresholds may not
KEYS = (
    "weight.water",
    "weight.mud",
    "weight.dust",
    "weight.salt",
    "weight.starved",
    "threshold.wet",
    "threshold.muddy",
    "threshold.dusty",
    "threshold.narrow",
    "limit.wet_ride",
    "limit.wet_ride_overdue",
    "limit.wet_ride_expires",
    "limit.drip",
    "limit.immersion",
    "limit.oil",
    "limit.clean",
    "limit.inspection",
    "limit.inspection_immersions",
    "limit.inspection_chance",
    "limit.wear_narrow",
    "limit.wear_wide",
    "limit.wear_single",
    "limit.overdue",
)
_PARTS = ("value", "unit", "range", "source")
_WORD_PARTS = ("water", "mud", "dust", "source")
_TOP = ("version", "weight", "threshold", "limit", "word", *SCOPES)


class RulebookError(ValueError):
    """A rulebook that cannot be used.

    name: the file.  line: 1-based line number, None where the file as a whole is meant.  why: one sentence.
    try_this: what to write instead.
    """

    def __init__(self, name: str, line: int | None, why: str, try_this: str) -> None:
        self.name, self.line, self.why, self.try_this = name, line, why, try_this
        place = name if line is None else f"{name}, line {line}"
        super().__init__(f"{place}: {why} {try_this}")


@dataclass(frozen=True, slots=True)
class Judgement:
    """One number of the rulebook."""

    key: str  # "limit.drip"
    value: float
    unit: str
    low: float  # range of sensible values, ends included
    high: float
    source: str  # a published source, or "common practice: …", or "labelled assumption: …"


@dataclass(frozen=True, slots=True)
class Weights:
    """How water, mud, dust and salt weigh, and from where on an hour is called wet, muddy or dusty."""

    water: float  # a_w [grit-hours per drive hour at water 1]
    mud: float  # a_m
    dust: float  # a_d
    salt: float  # a_s
    wet_from: float
    muddy_from: float
    dusty_from: float
    words: Mapping[Condition, tuple[float, float, float]]  # the rider's word as (water, mud, dust)

    def weight(self, water: float, mud: float, dust: float, salt: float = 0.0) -> float:
        """How many grit-hours does one drive hour count? 1 + a_w w + a_m m + a_d d + a_s s."""
        return 1.0 + self.water * water + self.mud * mud + self.dust * dust + self.salt * salt

    def condition(self, water: float, mud: float, dust: float) -> Condition:
        """Which word names an hour like this? Mud before water; of dust and damp, whichever weighs more."""
        if mud >= self.muddy_from:
            return Condition.MUDDY
        if water >= self.wet_from:
            return Condition.WET
        if dust >= self.dusty_from and self.dust * dust > self.water * water:
            return Condition.DUSTY
        return Condition.DAMP if water > 0.0 else Condition.DRY


@dataclass(frozen=True, eq=False)  # by identity: a key for what was derived with it
class Rulebook:
    """Judgements, and where a rider, a bike or a chain differs."""

    name: str
    version: str  # the file's own version and a hash of its text
    judgements: Mapping[str, Judgement]
    words: Mapping[Condition, tuple[float, float, float]]
    overrides: Mapping[tuple[str, str], Mapping[str, float]]  # (scope, name) -> {"drip": 12.0}
    lines: Mapping[tuple[str, str], int]  # where each override stands in the file

    def judgement(self, key: str) -> Judgement:
        """What does the rulebook say for everybody? KeyError for a key that is not in KEYS."""
        return self.judgements[key]

    def limit(
        self,
        short_key: str,
        *,
        chain: Chain | None = None,
        bike: Bike | None = None,
        rider: Rider | None = None,
    ) -> Judgement:
        """Which limit holds here? The chain's own, else the bike's, else the rider's, else everybody's.

        short_key: the key without "limit.", e.g. "drip".
        """
        general = self.judgements[f"limit.{short_key}"]
        for scope, owner in (("chain", chain), ("bike", bike), ("rider", rider)):
            if owner is None:
                continue
            value = self.overrides.get((scope, owner.name), {}).get(short_key)
            if value is not None:
                return replace(general, value=value, source=f"set for the {scope} {owner.name}")
        return general

    def wear_limit(self, chain: Chain, *, bike: Bike | None = None, rider: Rider | None = None) -> Judgement:
        """At which elongation is this chain worn out? [%] Of unknown width: the strictest limit."""
        if chain.speeds is None or chain.speeds >= self.judgements["threshold.narrow"].value:
            key = "wear_narrow"
        else:
            key = "wear_single" if chain.speeds == 1 else "wear_wide"
        return self.limit(key, chain=chain, bike=bike, rider=rider)

    def with_value(self, key: str, value: float) -> Rulebook:
        """The same rulebook with one number changed for everybody, for 'what if'.

        ValueError, in words, for a number outside the range.
        """
        general = self.judgements[key]
        if not general.low <= value <= general.high:
            raise ValueError(f"{key} must lie in {general.low:g}–{general.high:g} {general.unit}.")
        changed = {**self.judgements, key: replace(self.judgements[key], value=value)}
        return replace(self, judgements=changed, version=f"{self.version}, with {key} = {value:g}")

    def weights_for(self, chain: Chain | None, bike: Bike | None, rider: Rider | None) -> Weights:
        """How does an hour weigh on this chain, on this bike, under this rider?

        The chain's own weight goes before the bike's, that before the rider's, that before everybody's.
        """
        owners = tuple(
            (scope, owner.name)
            for scope, owner in (("rider", rider), ("bike", bike), ("chain", chain))
            if owner is not None and self.overrides.get((scope, owner.name), {}).keys() & set(WEIGHTS)
        )
        if owners not in self._weights:
            set_for_them: dict[str, float] = {}
            for owner in owners:
                set_for_them |= self.overrides[owner]
            own: dict[str, Any] = {name: set_for_them[name] for name in WEIGHTS if name in set_for_them}
            self._weights[owners] = replace(self.weights, **own)
        return self._weights[owners]

    @cached_property
    def _weights(self) -> dict[tuple[tuple[str, str], ...], Weights]:
        return {(): self.weights}

    @cached_property
    def weights(self) -> Weights:
        """Everybody's weights and thresholds in one piece."""
        value = {key: judgement.value for key, judgement in self.judgements.items()}
        return Weights(
            water=value["weight.water"],
            mud=value["weight.mud"],
            dust=value["weight.dust"],
            salt=value["weight.salt"],
            wet_from=value["threshold.wet"],
            muddy_from=value["threshold.muddy"],
            dusty_from=value["threshold.dusty"],
            words=self.words,
        )


def default_rulebook() -> Rulebook:
    """The rulebook that comes with the program."""
    text = resources.files("rules").joinpath("default_rulebook.toml").read_text(encoding="utf-8")
    return parse_rulebook(text, name="default_rulebook.toml")


def parse_rulebook(text: str, *, name: str, base: Rulebook | None = None) -> Rulebook:
    """What does this rulebook say?

    text: TOML.  name: the file, for errors.
    base: the rulebook it differs from. Given one, the text need hold only what differs, and a judgement may
    be a bare number (`drip = 12`) that keeps the base's unit and range. Without one, nothing may be missing.
    Raises RulebookError with the key and the line.
    """
    return _Parser(text, name, base).parse()


class _Parser:
    """One reading of one rulebook: holds the text's line numbers, which TOML itself does not give."""

    def __init__(self, text: str, name: str, base: Rulebook | None) -> None:
        self.text, self.name, self.base = text, name, base
        self.lines = _lines_of_keys(text)

    def parse(self) -> Rulebook:
        try:
            content = tomllib.loads(self.text)
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"\(at line (\d+)", str(error))
            why = str(error).split(" (at ", maxsplit=1)[0]
            line = int(found.group(1)) if found else len(self.text.splitlines())
            raise RulebookError(self.name, line, f"This is not TOML: {why}.", "Mend this line.") from error
        for key in content:
            if key not in _TOP:
                self.unknown((key,), key, _TOP)
        judgements = self.judgements(content)
        words = self.words(content)
        overrides = dict(self.base.overrides) if self.base else {}
        for scope in SCOPES:
            for owner, limits in self.table(content, (scope,)).items():
                overrides[scope, owner] = self.override((scope, owner), limits, judgements)
        lines = dict(self.base.lines) if self.base else {}
        lines |= {path: self.lines[path] for path in overrides if path in self.lines}
        return Rulebook(self.name, self.version(content), judgements, words, overrides, lines)

    def version(self, content: Mapping[str, Any]) -> str:
        basis = self.base.version if self.base else ""
        own = content.get("version", basis.rsplit("-", 1)[0] if self.base else None)
        if not isinstance(own, str) or not own:
            self.fail(("version",), "A rulebook needs a version in quotes.", 'Write version = "1".')
        return f"{own}-{hashlib.sha256((basis + self.text).encode()).hexdigest()[:8]}"

    def judgements(self, content: Mapping[str, Any]) -> dict[str, Judgement]:
        found = dict(self.base.judgements) if self.base else {}
        for section in ("weight", "threshold", "limit"):
            for short_key, entry in self.table(content, (section,)).items():
                key = f"{section}.{short_key}"
                if key not in KEYS:
                    known = [known.split(".")[1] for known in KEYS if known.startswith(f"{section}.")]
                    self.unknown((section, short_key), key, known)
                found[key] = self.judgement((section, short_key), key, entry, found.get(key))
        for key in KEYS:
            if key not in found:
                section, short_key = key.split(".")
                raise RulebookError(
                    self.name,
                    self.lines.get((section,)),
                    f"{key} is missing.",
                    f"Add {short_key} with value, unit, range and source to [{section}].",
                )
        return found

    def judgement(self, path: tuple[str, ...], key: str, entry: object, basis: Judgement | None) -> Judgement:
        if not isinstance(entry, dict):
            if basis is None:
                self.fail(path, f"{key} needs value, unit, range and source.", f"Write them in [{key}].")
            return replace(basis, value=self.inside(path, key, entry, basis), source=f"set in {self.name}")
        for part in entry:
            if part not in _PARTS:
                self.unknown((*path, part), f"{key}.{part}", _PARTS)
        if basis is None:
            for part in _PARTS:
                if part not in entry:
                    self.fail(path, f"{key} has no {part}.", f"Add {part} to [{key}].")
        unit = entry.get("unit", basis.unit if basis else "")
        source = entry.get("source", f"set in {self.name}")
        for part, text in (("unit", unit), ("source", source)):
            if not isinstance(text, str) or not text.strip():
                self.fail((*path, part), f"{key}.{part} must be words in quotes.", "Say it in a few words.")
        if basis is not None and unit != basis.unit:
            self.fail(
                (*path, "unit"), f"{key} is measured in {basis.unit}, not {unit}.", "Convert the value."
            )
        ends = entry.get("range", [basis.low, basis.high] if basis else None)
        if not isinstance(ends, list) or len(ends) != 2:
            self.fail((*path, "range"), f"{key}.range must be two numbers.", "Write range = [low, high].")
        low, high = (self.number((*path, "range"), f"{key}.range", end) for end in ends)
        if low > high:
            self.fail((*path, "range"), f"{key}.range begins above its end.", "Write range = [low, high].")
        judgement = Judgement(key, low, unit, low, high, marked(source))
        value = entry.get("value", basis.value if basis else None)
        return replace(judgement, value=self.inside((*path, "value"), key, value, judgement))

    def words(self, content: Mapping[str, Any]) -> dict[Condition, tuple[float, float, float]]:
        found = dict(self.base.words) if self.base else {}
        for word, entry in self.table(content, ("word",)).items():
            if word not in WORDS:
                self.unknown(("word", word), f"word.{word}", WORDS)
            path = ("word", word)
            parts = self.table(content["word"], path)
            for part in entry:
                if part not in _WORD_PARTS:
                    self.unknown((*path, part), f"word.{word}.{part}", _WORD_PARTS)
            numbers = []
            for part in _WORD_PARTS[:3]:
                if part not in parts:
                    self.fail(path, f"word.{word} has no {part}.", f"Add {part} to [word.{word}].")
                number = self.number((*path, part), f"word.{word}.{part}", parts[part])
                if not 0.0 <= number <= 3.0:
                    self.fail((*path, part), f"word.{word}.{part} must lie in 0–3.", "0 is none, 1 is full.")
                numbers.append(number)
            found[Condition(word)] = (numbers[0], numbers[1], numbers[2])
        for word in WORDS:
            if word not in found:
                raise RulebookError(self.name, None, f"word.{word} is missing.", f"Add [word.{word}].")
        return found

    def override(
        self, path: tuple[str, ...], limits: object, judgements: Mapping[str, Judgement]
    ) -> dict[str, float]:
        owner = ".".join((path[0], f'"{path[1]}"'))
        if not isinstance(limits, dict):
            self.fail(path, f"[{owner}] must hold limits.", f"Write [{owner}] and under it drip = 12.")
        known = [key.removeprefix("limit.") for key in KEYS if key.startswith("limit.")] + list(WEIGHTS)
        values = {}
        for short_key, value in limits.items():
            if short_key not in known:
                self.unknown((*path, short_key), f"{owner}.{short_key}", known)
            general = judgements[f"weight.{short_key}" if short_key in WEIGHTS else f"limit.{short_key}"]
            values[short_key] = self.inside((*path, short_key), f"{owner}.{short_key}", value, general)
        return values

    def table(self, content: Mapping[str, Any], path: tuple[str, ...]) -> Mapping[str, Any]:
        table = content.get(path[-1], {})
        if not isinstance(table, dict):
            self.fail(path, f"{'.'.join(path)} must be a table.", f"Write [{'.'.join(path)}].")
        return table

    def number(self, path: tuple[str, ...], key: str, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            self.fail(
                path, f"{key} must be a number, not {value!r}.", "Write it with a point, without quotes."
            )
        return float(value)

    def inside(self, path: tuple[str, ...], key: str, value: object, judgement: Judgement) -> float:
        number = self.number(path, key, value)
        if not judgement.low <= number <= judgement.high:
            why = f"{key} is {number:g} {judgement.unit}, outside {judgement.low:g}–{judgement.high:g}."
            self.fail(path, why, f"If you mean it, widen the range in [{judgement.key}].")
        return number

    def unknown(self, path: tuple[str, ...], key: str, known: tuple[str, ...] | list[str]) -> NoReturn:
        near = difflib.get_close_matches(path[-1], known, n=1, cutoff=0.4)
        try_this = f"Did you mean {near[0]}?" if near else f"Known here: {', '.join(known)}."
        self.fail(path, f"{key} is not a key of a rulebook.", try_this)

    def fail(self, path: tuple[str, ...], why: str, try_this: str) -> NoReturn:
        line = None
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                break
        raise RulebookError(self.name, line, why, try_this)


_HEADER = re.compile(r"^\s*\[\[?(?P<path>[^\]]+)\]")
_PAIR = re.compile(r"""^\s*(?P<path>(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+|\s*\.\s*)+)\s*=""")
_PIECE = re.compile(r""""([^"]*)"|'([^']*)'|([A-Za-z0-9_-]+)""")


def _lines_of_keys(text: str) -> dict[tuple[str, ...], int]:
    """On which line does each key stand? Keys inside an inline table share the line of the table."""
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _pieces(header["path"])
            path = table
        elif pair := _PAIR.match(line):
            path = table + _pieces(pair["path"])
        else:
            continue
        for length in range(1, len(path) + 1):
            lines.setdefault(path[:length], number)
    return lines


def _pieces(path: str) -> tuple[str, ...]:
    return tuple(double or single or bare for double, single, bare in _PIECE.findall(path))
