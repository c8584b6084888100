"""May this be said of a trial of wax against wet lube?"""

from __future__ import annotations

from collections.abc import Iterator

from rules.commands import EndTrial, StartTrial
from rules.gate.field_checks import within
from rules.gate.times import ends_once, not_ahead
from rules.gate.verdicts import Hearing, Objection, Question, Refused, said_of, the_one
from rules.units import kilometres
from rules.vocabulary import Chain, Regime

TURN_KM = (50.0, 2000.0)  # shorter is only work, longer no longer shares weather and season


def start_trial(command: StartTrial, hearing: Hearing) -> Iterator[Objection]:
    bike = hearing.bike(command.bike)
    waxed, control = hearing.chain(command.waxed), hearing.chain(command.control)
    yield from not_ahead(command.started_at, hearing, bike.id)
    turn = within(command.block_km, *TURN_KM, "The distance from swap to swap", "it as 300", kilometres)
    yield from said_of("block_km", turn)
    if waxed.id == control.id:
        yield Refused("A trial needs two chains: one that is waxed, and one like it that is lubed.")
        return
    if waxed.regime is not Regime.WAXED or control.regime is not Regime.WET_LUBE:
        yield Refused(
            f"A trial sets a waxed chain against a lubed one; {waxed.name} is {waxed.regime.value} and "
            f"{control.name} {control.regime.value}. Name the waxed one first, or change how one is lubed."
        )
    for other in hearing.ledger.trials:
        ended = other.ended_at
        if other.bike == bike.id and (ended is None or ended > command.started_at):
            yield Refused(f"A trial is under way on {bike.name} already. End that one first.")
    yield from _ready(waxed, hearing)
    yield from _ready(control, hearing)
    if waxed.speeds != control.speeds:
        yield Question(
            f"{waxed.name} and {control.name} are not noted as the same kind of chain (speeds). Unlike "
            "chains wear unlike. Begin all the same?"
        )


def _ready(chain: Chain, hearing: Hearing) -> Iterator[Objection]:
    if chain.retired_at is not None:
        yield Refused(f"{chain.name} was retired on {hearing.told(chain.retired_at)}; take another one.")
    elif not any(one.chain == chain.id for one in hearing.ledger.readings):
        yield Question(
            f"{chain.name} was never measured. A trial starts from a reading, best after its first ten "
            "hours, when it has run in. Begin all the same?"
        )


def end_trial(command: EndTrial, hearing: Hearing) -> Iterator[Objection]:
    trial = the_one(command.trial, hearing.ledger.trials, "trial")
    yield from ends_once("trial", command.at, trial.started_at, trial.ended_at, hearing, trial.bike)
