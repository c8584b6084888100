"""A wax night: which chains go into the pot together, in which order, so that no bike is missing tomorrow."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from rules.cautions import HOT_WAX, LINK, SOLVENT
from rules.contamination import history
from rules.judgements import judgements_for
from rules.ledger import Ledger
from rules.reminder import Reminder, ReminderKind
from rules.reminders import due
from rules.rulebook import Rulebook
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Regime, TreatmentKind
from rules.wording import listed, number

# Common practice, no source: minutes of one dip from a clean chain in the hand to a chain that can be fitted.
HEATING_MIN, SOAK_MIN, HANG_MIN, BREAK_IN_MIN = 45, 10, 30, 5
_DRIPPING = "Hot chains drip hot wax: gloves, a hook, nothing below."
WORTH_TAKING_ALONG = 0.5  # of the limit: the pot is hot anyway


@dataclass(frozen=True, slots=True)
class Dipped:
    """One chain on its way into the pot."""

    chain: ChainId
    name: str
    bike: BikeId | None  # on this bike now
    share: float  # of its immersion limit that is used
    wet: bool  # came home wet: must dry through first
    never_waxed: bool  # needs its factory grease stripped first
    because: str


@dataclass(frozen=True, slots=True)
class Swap:
    """A spare that takes a dipped chain's place, so that the bike can leave at any time."""

    bike: BikeId
    off: ChainId
    on: ChainId
    sentence: str


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the evening, with its caution where it can hurt."""

    what: str
    minutes: int
    caution: str = ""


@dataclass(frozen=True, slots=True)
class WaxNight:
    """The evening in order."""

    batches: tuple[tuple[Dipped, ...], ...]
    swaps: tuple[Swap, ...]
    left_out: tuple[tuple[ChainId, str], ...]  # with why
    steps: tuple[Step, ...]
    ready_tonight: tuple[BikeId, ...]  # bikes that wait for their own chain and must be refitted this evening

    @property
    def minutes(self) -> int:
        """How long the evening is."""
        return sum(step.minutes for step in self.steps)


def plan(
    ledger: Ledger,
    rulebook: Rulebook,
    *,
    now: datetime,
    needed: Collection[BikeId] | None = None,
    pot_holds: int = 2,
) -> WaxNight:
    """Which chains tonight, and in which order?

    needed: bikes that ride tomorrow; None = all. pot_holds: chains per dip, at least 1.
    Taken along: chains at half their immersion limit or more, and those never waxed. A bike with a fresh
    spare gets the spare. A needed bike without one has its chain in the first dip, so that it hangs longest.
    After that the cleanest goes first and the dirtiest last, for the bath keeps what it is given.
    """
    if pot_holds < 1:
        raise ValueError("the pot holds at least one chain")
    chosen: list[Dipped] = []
    left_out: list[tuple[ChainId, str]] = []
    reminders = due(ledger, rulebook, now=now)
    for chain in ledger.chains:
        if chain.regime is not Regime.WAXED or (chain.retired_at is not None and chain.retired_at <= now):
            continue
        dipped, why_not = _judge(ledger, rulebook, chain, reminders, now)
        if dipped is None:
            left_out.append((chain.id, why_not))
        else:
            chosen.append(dipped)
    swaps = _swaps(ledger, chosen, reminders, now)
    spared = {swap.off for swap in swaps}
    tomorrow = {bike.id for bike in ledger.bikes} if needed is None else set(needed)
    waiting = {one.chain for one in chosen if one.bike in tomorrow and one.chain not in spared}
    chosen.sort(key=lambda one: (one.chain not in waiting, one.never_waxed, one.share, one.chain))
    batches = tuple(tuple(chosen[at : at + pot_holds]) for at in range(0, len(chosen), pot_holds))
    return WaxNight(
        batches=batches,
        swaps=swaps,
        left_out=tuple(left_out),
        steps=_steps(batches, swaps),
        ready_tonight=tuple(one.bike for one in chosen if one.chain in waiting and one.bike is not None),
    )


def _judge(
    ledger: Ledger, rulebook: Rulebook, chain: Chain, reminders: Collection[Reminder], now: datetime
) -> tuple[Dipped | None, str]:
    kinds = {reminder.kind for reminder in reminders if reminder.chain == chain.id}
    if ReminderKind.REPLACEMENT in kinds:
        return None, f"{chain.name} is worn out: replace it, do not wax it."
    past = history(ledger, chain.id, rulebook).until(now)
    bike = _bike_of(ledger, chain, now)
    limit = judgements_for(ledger, rulebook, chain, now).limit("immersion")
    share = past.since_immersion.grit_h / limit.value
    never = not any(
        treatment.kind is TreatmentKind.IMMERSION and treatment.done_at <= now
        for treatment in ledger.treatments_of(chain.id)
    )
    if share < WORTH_TAKING_ALONG and not never:
        return None, f"{chain.name} has used {share:.0%} of its limit: not yet."
    if never:
        because = f"{chain.name} was never waxed: strip it first."
    else:
        because = (
            f"{chain.name} has {number(past.since_immersion.grit_h)} of {number(limit.value)} grit-hours "
            "since its immersion."
        )
    wet = ReminderKind.WIPE_AND_DRIP in kinds
    return Dipped(chain.id, chain.name, None if bike is None else bike.id, share, wet, never, because), ""


def _bike_of(ledger: Ledger, chain: Chain, now: datetime) -> Bike | None:
    fitting = ledger.fitting_of(chain.id, now)
    return None if fitting is None else ledger.bike(fitting.bike)


def _swaps(
    ledger: Ledger,
    chosen: Collection[Dipped],
    reminders: Collection[Reminder],
    now: datetime,
) -> tuple[Swap, ...]:
    """A fresh spare for each bike whose chain is dipped; each spare once, the dirtiest chain first."""
    worn = {reminder.chain for reminder in reminders if reminder.kind is ReminderKind.REPLACEMENT}
    taken = {one.chain for one in chosen}
    found = []
    for one in sorted(chosen, key=lambda one: (-one.share, one.chain)):
        if one.bike is None:
            continue
        bike, own = ledger.bike(one.bike), ledger.chain(one.chain)
        for spare in ledger.chains:
            if spare.id in taken or spare.id in worn or _bike_of(ledger, spare, now) is not None:
                continue
            if spare.retired_at is not None and spare.retired_at <= now:
                continue
            if spare.regime is Regime.WAXED and fits(ledger, spare, own, bike):
                taken.add(spare.id)
                sentence = f"Take {own.name} off {bike.name} and fit {spare.name}, which is fresh."
                found.append(Swap(bike.id, own.id, spare.id, sentence))
                break
    return tuple(found)


def fits(ledger: Ledger, spare: Chain, own: Chain, bike: Bike) -> bool:
    """Whether a spare can stand in for a bike's own chain.

    It was on this bike before, or it has the same speeds and the same number of links, both noted.
    """
    if any(fitting.bike == bike.id for fitting in ledger.fittings_of(spare.id)):
        return True
    alike = (spare.speeds, spare.links) == (own.speeds, own.links)
    return alike and spare.speeds is not None and spare.links is not None


def _steps(batches: tuple[tuple[Dipped, ...], ...], swaps: tuple[Swap, ...]) -> tuple[Step, ...]:
    if not batches:
        return ()
    everyone = [one for batch in batches for one in batch]
    steps = [Step(swap.sentence, 10) for swap in swaps]
    unstripped = [one.name for one in everyone if one.never_waxed]
    if unstripped:
        what = (
            f"Strip {listed(unstripped)} of factory grease with solvent, rinse with alcohol, let dry through."
        )
        steps.append(Step(what, 60 * len(unstripped), SOLVENT))
    wet = [one.name for one in everyone if one.wet]
    what = "Wipe every chain clean and let it dry through."
    if wet:
        what += f" {listed(wet)} came home wet: that takes longest, overnight if need be."
    steps.append(Step(what, 5 * len(everyone)))
    steps.append(Step("Melt the wax and bring it to 80–95 °C.", HEATING_MIN, HOT_WAX))
    for count, batch in enumerate(batches, start=1):
        names = listed([one.name for one in batch])
        how = "Leave until no bubbles rise, let the pot cool to 65–80 °C, lift, hang until cool."
        steps.append(Step(f"Dip {count}: {names}. {how}", SOAK_MIN + HANG_MIN, _DRIPPING))
    what = "Flex each link over a thumb-thick rod, then fit. Ride the first minutes gently: it runs stiff."
    steps.append(Step(what, BREAK_IN_MIN * len(everyone), LINK))
    return tuple(steps)
