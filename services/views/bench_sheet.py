"""The bench sheet: today's jobs on one page of paper, like work on several chains as one job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rules.bench_steps import steps_of
from rules.dates_and_numbers import listed
from rules.reminder import ReminderKind, wants_a_rinse
from services.views.bench import BenchRow, Need
from services.views.chain_state import ChainState

RAG = ("rag", ("0", "1", "2", "3", "4"))
BLANKS: dict[ReminderKind, tuple[tuple[str, tuple[str, ...]], ...]] = {
    ReminderKind.WIPE_AND_DRIP: (RAG, ("minutes", ()), ("time", ())),
    ReminderKind.DRIP: (RAG, ("minutes", ()), ("time", ())),
    ReminderKind.IMMERSION: (("minutes", ()), ("time", ())),
    ReminderKind.INSPECTION: (("over, %", ()), ("under, %", ()), ("gauge", ())),
    ReminderKind.REPLACEMENT: (("went on", ()), ("it reads, %", ()), ("time", ())),
}


@dataclass(frozen=True, slots=True)
class Job:
    """One job on the sheet. blanks: what to write or circle, by its word; no choices = a line to write on."""

    title: str
    states: tuple[ChainState, ...]
    steps: tuple[str, ...]
    blanks: tuple[tuple[str, tuple[str, ...]], ...]
    needs: tuple[Need, ...]


def jobs(rows: Sequence[BenchRow]) -> list[Job]:
    """Today's jobs in the order of the bench; what is done alike is done together."""
    together: dict[tuple[object, ...], list[BenchRow]] = {}
    for row in rows:
        if row.need is not None and row.state is not None and row.wants_hands:
            key = (row.need.due.kind, row.state.chain.regime, wants_a_rinse(row.need.due))
            # A chain is swapped or measured for itself.
            own = () if row.need.answer else (row.bike.id,)
            together.setdefault((*key, *own), []).append(row)
    return [_job(alike) for alike in together.values()]


def _job(rows: Sequence[BenchRow]) -> Job:
    needs = tuple(row.need for row in rows if row.need)
    states = tuple(row.state for row in rows if row.state)
    first = needs[0]
    names = listed([f"{row.state.chain.name} on {row.bike.name}" for row in rows if row.state])
    blanks = BLANKS[first.due.kind]
    if first.spares:
        blanks = (("went on", tuple(one.name for one in first.spares)), *blanks[1:])
    return Job(
        title=f"{names}: {first.job.lower()}",
        states=states,
        steps=steps_of(first.due.kind, first.chain.regime, salted=wants_a_rinse(first.due)),
        blanks=blanks,
        needs=needs,
    )
