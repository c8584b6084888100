"""The life of a chain cut into spans for one line: where it was, what it went through, what hands did to it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from rules.contamination import ChainHistory
from rules.ledger import Ledger
from rules.reasons import TREATMENT_NOUN, reading_words
from rules.vocabulary import Chain, Condition, Fitting, Reading, Treatment, WipeTest
from rules.wear import Forecast, Refusal
from rules.wording import day, listed, number
from services.web.snapshot import Snapshot

MOST_SPANS = 60
_WEEKS = (1, 2, 4, 8, 13, 26, 52)  # lengths of a span; the shortest with which a life fits
CONDITIONS = tuple(Condition)


@dataclass(frozen=True, slots=True)
class Span:
    """A week or a few: what was put in, by condition. [grit-hours]"""

    start: datetime
    end: datetime
    grit_h: Mapping[Condition, float]
    drive_h: float
    events: tuple[str, ...]  # treatments, readings and wipe tests in it, in words

    @property
    def total(self) -> float:
        """Grit-hours of the span."""
        return sum(self.grit_h.values())


@dataclass(frozen=True, slots=True)
class Life:
    """One chain from its first fact to now, and to where its wear is going."""

    chain: Chain
    start: datetime
    end: datetime  # now, or the last day of the forecast's fan if that is sooner than a year from now
    now: datetime
    weeks: int  # length of a span
    spans: tuple[Span, ...]
    bikes: tuple[tuple[datetime, datetime, str], ...]
    treatments: tuple[Treatment, ...]
    readings: tuple[Reading, ...]
    wipe_tests: tuple[WipeTest, ...]
    wear: Forecast | Refusal
    limit_pct: float
    zone: tzinfo

    @property
    def summary(self) -> str:
        """The line in words."""
        grit_h = sum(span.total for span in self.spans)
        return (
            f"{number(grit_h)} grit-hours since {day(self.start, self.zone)}; "
            f"{len(self.treatments)} treatments, {len(self.readings)} readings, "
            f"{len(self.wipe_tests)} wipe tests; on {listed(sorted({name for *_, name in self.bikes})) or 'no bike'}"
        )


def life_of(snapshot: Snapshot, chain: Chain, now: datetime) -> Life:
    """Everything that happened to this chain until now, in spans few enough to draw."""
    ledger, zone = snapshot.ledger, snapshot.zone
    past = snapshot.past(chain.id, now)
    start = _monday(past.entries[0].at if past.entries else now, zone)
    whole_weeks = max(1, -(-(now - start) // timedelta(weeks=1)))
    weeks = next((one for one in _WEEKS if whole_weeks / one <= MOST_SPANS), _WEEKS[-1])
    treatments = tuple(one for one in ledger.treatments_of(chain.id) if one.done_at <= now)
    readings = tuple(one for one in ledger.readings_of(chain.id) if one.taken_at <= now)
    tests = tuple(one for one in ledger.wipe_tests_of(chain.id) if one.done_at <= now)
    wear = snapshot.wear(chain.id, now)
    end = now
    if isinstance(wear, Forecast) and wear.on is not None and wear.left[1] > 0:
        end = max(now, min(wear.on[2], now + max(timedelta(weeks=8), (now - start) / 3)))
    begun = [one for one in ledger.fittings_of(chain.id) if one.fitted_at <= now]
    bike = ledger.bike(begun[-1].bike) if begun else None
    return Life(
        chain=chain,
        start=start,
        end=end,
        now=now,
        weeks=weeks,
        spans=_spans(past, start, now, weeks, [*treatments, *readings, *tests]),
        bikes=tuple(_on_bikes(ledger, begun, now)),
        treatments=treatments,
        readings=readings,
        wipe_tests=tests,
        wear=wear,
        limit_pct=snapshot.rulebook.wear_limit(
            chain, bike=bike, rider=None if bike is None else ledger.rider(bike.owner)
        ).value,
        zone=zone,
    )


def _monday(at: datetime, zone: tzinfo) -> datetime:
    local = at.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight - timedelta(days=local.weekday())


def _spans(
    past: ChainHistory,
    start: datetime,
    now: datetime,
    weeks: int,
    events: Sequence[Treatment | Reading | WipeTest],
) -> tuple[Span, ...]:
    length = timedelta(weeks=weeks)
    count = max(1, -(-(now - start) // length))
    grit: list[dict[Condition, float]] = [defaultdict(float) for _ in range(count)]
    drive = [0.0] * count
    said: list[list[str]] = [[] for _ in range(count)]
    for entry in past.entries:
        if entry.exposure is not None:
            at = min(count - 1, max(0, (entry.at - start) // length))
            grit[at][entry.exposure.condition] += entry.exposure.grit_h
            drive[at] += entry.exposure.drive_h
    for event in sorted(events, key=instant_of):
        said[min(count - 1, max(0, (instant_of(event) - start) // length))].append(words_of(event))
    return tuple(
        Span(start + at * length, start + (at + 1) * length, dict(grit[at]), drive[at], tuple(said[at]))
        for at in range(count)
    )


def _on_bikes(
    ledger: Ledger, fittings: Sequence[Fitting], now: datetime
) -> list[tuple[datetime, datetime, str]]:
    found = []
    for position, one in enumerate(fittings):
        ends = [now, *([one.removed_at] if one.removed_at is not None else [])]
        if position + 1 < len(fittings):
            ends.append(fittings[position + 1].fitted_at)
        found.append((one.fitted_at, min(ends), ledger.bike(one.bike).name))
    return found


def instant_of(event: Treatment | Reading | WipeTest) -> datetime:
    """When it was."""
    return event.taken_at if isinstance(event, Reading) else event.done_at


def words_of(event: Treatment | Reading | WipeTest) -> str:
    """What it was, in a few words."""
    if isinstance(event, Treatment):
        return TREATMENT_NOUN[event.kind]
    if isinstance(event, Reading):
        return f"reading {reading_words(event)}"
    return f"wipe test {event.grade}"
