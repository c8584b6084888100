"""The life of a chain as a table: spans of weeks, with what went in and what hands did in each."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from rules.contamination import ChainHistory
from rules.reasons import TREATMENT_NOUN, reading_words
from rules.vocabulary import Chain, Condition, Reading, Treatment, WipeTest
from services.web.snapshot import Snapshot

MOST_SPANS = 60
_WEEKS = (1, 2, 4, 8, 13, 26, 52)  # lengths of a span; the shortest with which a life fits


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


def spans_of(snapshot: Snapshot, chain: Chain, now: datetime) -> tuple[int, tuple[Span, ...]]:
    """The life of a chain as rows of a table: how many weeks each row holds, and the rows in order."""
    ledger = snapshot.ledger
    past = snapshot.past(chain.id, now)
    start = _monday(past.entries[0].at if past.entries else now, snapshot.zone)
    whole_weeks = max(1, -(-(now - start) // timedelta(weeks=1)))
    weeks = next((one for one in _WEEKS if whole_weeks / one <= MOST_SPANS), _WEEKS[-1])
    events: list[Treatment | Reading | WipeTest] = [
        *ledger.treatments_of(chain.id),
        *ledger.readings_of(chain.id),
        *ledger.wipe_tests_of(chain.id),
    ]
    return weeks, _spans(past, start, now, weeks, [one for one in events if instant_of(one) <= now])


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
