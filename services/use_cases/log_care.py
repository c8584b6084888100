"""Log what hands did to a chain; whatever it answers is closed in the same transaction."""

from __future__ import annotations

from datetime import datetime

from rules.vocabulary import Chain, ReadingTool, TreatmentKind
from services.app import App
from services.store import FactRefused, NotFound, Transaction
from services.use_cases.update_reminders import reckon

BY_COMMAND = "a rider, by command"


def log_treatment(
    app: App,
    chain_or_bike: str,
    kind: TreatmentKind,
    done_at: datetime,
    *,
    minutes: float | None = None,
    cost: float | None = None,
    note: str = "",
    now: datetime,
) -> str:
    """A treatment was done; returns what to tell the rider. Raises NotFound, FactRefused."""
    _not_ahead(done_at, now)
    with app.store.writing() as tx:
        chain = chain_named(tx, chain_or_bike, done_at)
        treatment = tx.care.log_treatment(chain.id, kind, done_at, minutes=minutes, cost=cost, note=note)
        _noted(tx, f"logged {kind.value} on {chain.name}", "care", "treatment", treatment.id, now)
        told = reckon(tx, app, now=now).sentences
    return "\n".join((f"{kind.value.capitalize()} logged on {chain.name} (treatment {treatment.id}).", *told))


def log_reading(
    app: App,
    chain_or_bike: str,
    tool: ReadingTool,
    taken_at: datetime,
    *,
    over_pct: float | None = None,
    under_pct: float | None = None,
    exact_pct: float | None = None,
    note: str = "",
    now: datetime,
) -> str:
    """A reading was taken; returns what to tell the rider. Raises NotFound, FactRefused."""
    _not_ahead(taken_at, now)
    _measured(tool, over_pct, under_pct, exact_pct)
    with app.store.writing() as tx:
        chain = chain_named(tx, chain_or_bike, taken_at)
        reading = tx.care.log_reading(
            chain.id,
            tool,
            taken_at,
            over_pct=over_pct,
            under_pct=under_pct,
            exact_pct=exact_pct,
            note=note,
        )
        _noted(tx, f"logged a reading of {chain.name}", "care", "reading", reading.id, now)
        told = reckon(tx, app, now=now).sentences
    return "\n".join((f"Reading of {chain.name} logged (reading {reading.id}).", *told))


def log_wipe_test(app: App, chain_or_bike: str, grade: int, done_at: datetime, *, now: datetime) -> str:
    """A rag was passed along the chain; returns what to tell the rider. Raises NotFound, FactRefused."""
    _not_ahead(done_at, now)
    with app.store.writing() as tx:
        chain = chain_named(tx, chain_or_bike, done_at)
        test = tx.care.log_wipe_test(chain.id, done_at, grade)
        _noted(tx, f"logged a wipe test of {chain.name}", "care", "wipe test", test.id, now)
    return f"Wipe test of {chain.name} logged: grade {grade} (wipe test {test.id})."


def take_back(app: App, kind: str, number: int, because: str, *, now: datetime) -> str:
    """Count a logged fact no more; returns what to tell the rider. Raises NotFound, FactRefused."""
    with app.store.writing() as tx:
        tx.care.retract(kind, number, at=now, by=BY_COMMAND, why=because)
        _noted(tx, f"took back {kind} {number}", "taken back", kind, number, now)
        told = reckon(tx, app, now=now).sentences
    return "\n".join((f"Taken back: {kind} {number} counts no more.", *told))


def _noted(tx: Transaction, what: str, kind: str, fact: str, number: int, now: datetime) -> None:
    """Keep what was done in the way services.use_cases.correct.undo takes it back."""
    tx.corrections.add(what, {"kind": kind, "fact": fact, "id": number}, at=now, by=BY_COMMAND)


def chain_named(tx: Transaction, chain_or_bike: str, at: datetime) -> Chain:
    """The chain of that name, or the one then on the bike of that name. Raises NotFound, FactRefused."""
    try:
        return tx.equipment.find_chain(chain_or_bike)
    except NotFound as no_chain:
        bikes = tx.equipment.bikes()
        bike = next((b for b in bikes if b.name.casefold() == chain_or_bike.strip().casefold()), None)
        if bike is None:
            names = [*(one.name for one in tx.equipment.chains()), *(one.name for one in bikes)]
            raise NotFound("chain or bike", chain_or_bike, names) from no_chain
        on = [
            f
            for f in tx.equipment.fittings()
            if f.bike == bike.id and f.fitted_at <= at and (f.removed_at is None or at < f.removed_at)
        ]
        if not on:
            raise FactRefused(
                f"{bike.name} had no chain noted at that time; say which with: gritledger fit CHAIN BIKE"
            ) from no_chain
        return tx.equipment.chain(on[-1].chain)


def _not_ahead(at: datetime, now: datetime) -> None:
    if at > now:
        raise FactRefused(f"{at.astimezone():%Y-%m-%d %H:%M} has not come yet; log it once it is done.")


def _measured(tool: ReadingTool, over: float | None, under: float | None, exact: float | None) -> None:
    """Whether the values are what this tool can give. Raises FactRefused."""
    if tool is ReadingTool.GAUGE:
        if exact is not None:
            raise FactRefused(
                "A go/no-go gauge tells the step that dropped in and the one that did not: over and under. "
                "An exact figure is a ruler's or a caliper's."
            )
        if over is None and under is None:
            raise FactRefused(
                "Say what was read: over the largest step that dropped in, under the smallest that did not; "
                "or an exact figure by ruler or caliper."
            )
        if over is not None and under is not None and over >= under:
            raise FactRefused(
                f"Over {over:g} % and under {under:g} % leave nothing between them: the step that dropped in "
                "is the smaller one."
            )
    elif exact is None or over is not None or under is not None:
        raise FactRefused(f"A {tool.value} gives one exact figure, in % longer than new.")
