"""May this be said of what hands did to a chain, and of what they measured?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from rules.commands import LogReading, LogTreatment, LogWipeTest, TakeBack
from rules.dates_and_numbers import listed, number
from rules.gate.field_checks import line, text, within
from rules.gate.times import not_ahead
from rules.gate.verdicts import Hearing, Objection, Question, Refused, said_of
from rules.ledger import Ledger
from rules.vocabulary import Chain, ChainId, Reading, ReadingTool, Regime, TreatmentKind

MOST_MINUTES = 10_000.0
MOST_COST = 1_000_000.0
ONE_PRESS = timedelta(minutes=1)  # a button pressed twice is one act; common practice, no source
SLACK_PCT = 0.1  # by so much two readings of one chain may contradict each other; from memory
MOST_PCT = 5.0  # a chain this much longer than new has long been off any bike


def log_treatment(command: LogTreatment, hearing: Hearing) -> Iterator[Objection]:
    chains: list[Chain] = []
    for one in command.chains:
        chain = hearing.chain(one)
        if chain in chains:
            yield Refused(f"{chain.name} is named twice; once is enough.", "chain")
        chains.append(chain)
    for chain in chains:
        yield from _on_time(chain, command.done_at, hearing)
    yield from said_of("minutes", within(command.minutes, 0.0, MOST_MINUTES, "Minutes"))
    yield from said_of("cost", within(command.cost, 0.0, MOST_COST, "The cost"))
    yield from said_of("note", text(command.note, "A note"))
    yield from _odd_for_its_regime(chains, command.kind)
    logged = {
        one.chain
        for one in hearing.ledger.treatments
        if one.kind is command.kind and abs(one.done_at - command.done_at) <= ONE_PRESS
    }
    again = [one.name for one in chains if one.id in logged]
    if again:
        at = hearing.told(command.done_at)
        yield Question(f"The {command.kind.value} of {listed(again)} on {at} is logged already. Once more?")


_OF_WAX = (TreatmentKind.DRIP, TreatmentKind.IMMERSION, TreatmentKind.STRIP)
_OF_OIL = (TreatmentKind.OIL, TreatmentKind.CLEAN)
_DOING = {
    TreatmentKind.DRIP: "drip wax onto",
    TreatmentKind.IMMERSION: "immerse",
    TreatmentKind.STRIP: "strip",
    TreatmentKind.OIL: "oil",
    TreatmentKind.CLEAN: "degrease",
}


def _odd_for_its_regime(chains: Sequence[Chain], kind: TreatmentKind) -> Iterator[Objection]:
    for regime, called, others in ((Regime.WAXED, "waxed", _OF_OIL), (Regime.WET_LUBE, "oiled", _OF_WAX)):
        odd = [one.name for one in chains if one.regime is regime] if kind in others else []
        if odd:
            are, them = ("is", "it") if len(odd) == 1 else ("are", "them")
            yield Question(f"{listed(odd)} {are} {called}: {_DOING[kind]} {them} all the same?")


def log_reading(command: LogReading, hearing: Hearing) -> Iterator[Objection]:
    chain = hearing.chain(command.chain)
    yield from _on_time(chain, command.taken_at, hearing)
    yield from said_of("note", text(command.note, "A note"))
    if command.instrument.strip():
        yield from said_of("instrument", line(command.instrument, "The name of a tool", "as you call it"))
    yield from _measured(command)
    values = (command.tool, command.over_pct, command.under_pct, command.exact_pct)
    if any(
        one.chain == chain.id
        and (one.tool, one.over_pct, one.under_pct, one.exact_pct) == values
        and abs(one.taken_at - command.taken_at) <= ONE_PRESS
        for one in hearing.ledger.readings
    ):
        at = hearing.told(command.taken_at)
        yield Question(f"That reading of {chain.name} on {at} is logged already. Once more?")
    before, after = _readings_beside(hearing.ledger, chain.id, command.taken_at)
    for other, earlier, later in ((before, before, command), (after, command, after)):
        least, most = _at_least(earlier), _at_most(later)
        if other is not None and least is not None and most is not None and most <= least - SLACK_PCT:
            read = least if other is before else most
            yield Question(
                f"{chain.name} read {number(read, 2)} % on {hearing.told(other.taken_at)}, and a chain grows "
                "no shorter. Is it this chain?"
            )


def log_wipe_test(command: LogWipeTest, hearing: Hearing) -> Iterator[Objection]:
    chain = hearing.chain(command.chain)
    yield from _on_time(chain, command.done_at, hearing)
    if command.grade not in range(5):
        yield Refused(
            f"A wipe test is graded 0, clean, to 4, black paste; {command.grade} is no grade.", "grade"
        )
    if any(
        (one.chain, one.grade) == (chain.id, command.grade)
        and abs(one.done_at - command.done_at) <= ONE_PRESS
        for one in hearing.ledger.wipe_tests
    ):
        at = hearing.told(command.done_at)
        yield Question(f"That wipe test of {chain.name} on {at} is logged already. Once more?")


def take_back(command: TakeBack, hearing: Hearing) -> Iterator[Objection]:
    logged: dict[str, set[int]] = {
        "treatment": {one.id for one in hearing.ledger.treatments},
        "reading": {one.id for one in hearing.ledger.readings},
        "wipe test": {one.id for one in hearing.ledger.wipe_tests},
    }
    if command.fact not in logged:
        yield Refused(f"“{command.fact}” is nothing that is logged: treatment, reading or wipe test.")
    elif command.number not in logged[command.fact]:
        yield Refused(f"No {command.fact} {command.number} counts: it was never logged, or taken back since.")
    yield from said_of("because", text(command.because, "A reason"))


def _on_time(chain: Chain, at: datetime, hearing: Hearing) -> Iterator[Objection]:
    """Care is in the past, and ends with the chain's retirement."""
    on = hearing.fitting_of(chain.id)
    yield from not_ahead(at, hearing, on.bike if on else None)
    if chain.retired_at is not None and at > chain.retired_at:
        yield Refused(
            f"{chain.name} was retired on {hearing.told(chain.retired_at)}; nothing is done to it after "
            "that. If it was not, undo that first.",
            "at",
        )


def _readings_beside(ledger: Ledger, chain: ChainId, at: datetime) -> tuple[Reading | None, Reading | None]:
    """The chain's last reading until then, and its first after."""
    readings = sorted(
        (one for one in ledger.readings if one.chain == chain), key=lambda one: (one.taken_at, one.id)
    )
    before = [one for one in readings if one.taken_at <= at]
    return (before[-1] if before else None), next(iter(readings[len(before) :]), None)


def _at_least(read: Reading | LogReading | None) -> float | None:
    return None if read is None else read.exact_pct if read.exact_pct is not None else read.over_pct


def _at_most(read: Reading | LogReading | None) -> float | None:
    return None if read is None else read.exact_pct if read.exact_pct is not None else read.under_pct


def _measured(command: LogReading) -> Iterator[Objection]:
    """Whether the values are what this tool can give."""
    over, under, exact = command.over_pct, command.under_pct, command.exact_pct
    if command.tool is ReadingTool.GAUGE:
        if exact is not None:
            yield Refused(
                "A go/no-go gauge tells the step that dropped in and the one that did not: over and under. "
                "An exact figure is a ruler's or a caliper's."
            )
        elif over is None and under is None:
            yield Refused(
                "Say what was read: over the largest step that dropped in, under the smallest that did not; "
                "or an exact figure by ruler or caliper.",
                "over_pct",
            )
        yield from said_of(
            "over_pct", within(over, 0.0, MOST_PCT - 0.01, "The step that dropped in, in %", "it as 0.5")
        )
        yield from said_of(
            "under_pct", within(under, 0.01, MOST_PCT - 0.01, "The step that did not, in %", "it as 0.75")
        )
        if over is not None and under is not None and over >= under:
            yield Refused(
                f"Over {over:g} % and under {under:g} % leave nothing between them: the step that dropped in "
                "is the smaller one.",
                "over_pct",
            )
    elif exact is None or over is not None or under is not None:
        yield Refused(f"A {command.tool.value} gives one exact figure, in % longer than new.")
    else:
        yield from said_of(
            "exact_pct",
            within(exact, -0.99, MOST_PCT - 0.01, "The elongation in %", "it as 0.3, or give a length"),
        )
