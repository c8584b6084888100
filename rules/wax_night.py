"""A wax night: which chains go into the pot together, in which order, so that no bike is missing tomorrow."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from rules.care_due import due
from rules.cautions import HOT_WAX, LINK, SOLVENT
from rules.contamination import history
from rules.dates_and_numbers import ZoneOf, listed, number, utc
from rules.dip_order import ForThePot, best_dips
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.reminder import Reminder, ReminderKind
from rules.rulebook import Rulebook
from rules.spare_chains import fits, stand_ins
from rules.supplies import stands
from rules.trial import Turn, turn
from rules.units import marked
from rules.usual_day import usual_day
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Regime, SupplyKind, TreatmentKind

# Common practice, no source: minutes of one dip from a clean chain in the hand to a chain that can be fitted.
HEATING_MIN, SOAK_MIN, HANG_MIN, BREAK_IN_MIN, RENEW_MIN = 45, 10, 30, 5, 10
_DRIPPING = "Hot chains drip hot wax: gloves, a hook, nothing below."
STANDS_STILL = 100.0  # worth of a spare to a bike that rides tomorrow: more than any chain is dirty
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
    Taken along: chains at half their immersion limit or more, and those never waxed, as far as the bath and
    solvent noted reach. A bike gets a fresh spare where there is one, or its trial's other chain when that is
    due; else, if it is needed, its own is dipped early. Which go, and when: the cheapest by `dip_order`.
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
    tomorrow = {bike.id for bike in ledger.bikes} if needed is None else set(needed)
    worn = {reminder.chain for reminder in reminders if reminder.kind is ReminderKind.REPLACEMENT}
    turns = [turn(ledger, one, now=now) for one in ledger.trials if one.ended_at is None]
    chosen, swaps = _trial_swaps(ledger, chosen, turns, worn, now)
    swaps += _swaps(ledger, chosen, turns, worn, tomorrow, now)
    spared = {swap.off for swap in swaps}
    waiting = {one.chain for one in chosen if one.bike in tomorrow and one.chain not in spared}
    shelf = {one.supply.kind: one for one in reversed(stands(ledger, rulebook, now=now))}
    bath, solvent = (shelf.get(kind) for kind in (SupplyKind.BATH, SupplyKind.SOLVENT))
    renew = bath is not None and bath.uses_left < 1.0
    order = best_dips(
        [ForThePot(one.chain, one.share, one.chain in waiting, one.never_waxed) for one in chosen],
        pot_holds=pot_holds,
        most=None if bath is None or renew else int(bath.uses_left),
        most_strips=None if solvent is None else int(solvent.uses_left),
    )
    by_chain = {one.chain: one for one in chosen}
    taken = [by_chain.pop(one.chain) for one in order]
    for one in by_chain.values():
        if one.never_waxed and solvent is not None and solvent.uses_left < len(taken) + 1:
            why = "the solvent reaches no further"
        elif bath is not None and not renew and len(taken) >= int(bath.uses_left):
            why = "the bath is good for no more"
        else:
            why = "its bike would stand too long tonight"
        left_out.append((one.chain, f"{one.name} has to wait: {why}."))
    batches = tuple(tuple(taken[at : at + pot_holds]) for at in range(0, len(taken), pot_holds))
    return WaxNight(
        batches=batches,
        swaps=tuple(swaps),
        left_out=tuple(left_out),
        steps=_steps(batches, swaps, renew),
        ready_tonight=tuple(one.bike for one in taken if one.chain in waiting and one.bike is not None),
    )


def ridden_tomorrow(ledger: Ledger, *, now: datetime, zone_of: ZoneOf = utc) -> frozenset[BikeId]:
    """Which bikes are usually ridden on tomorrow's day of the week?"""
    found = set()
    for rider in ledger.riders:
        zone = zone_of(rider.time_zone)
        plan_of = usual_day(ledger, rider, now.astimezone(zone).date() + timedelta(days=1), zone, now=now)
        if plan_of is not None and plan_of.bike is not None:
            found.add(plan_of.bike)
    return frozenset(found)


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


def _trial_swaps(
    ledger: Ledger,
    chosen: Collection[Dipped],
    turns: Collection[Turn],
    worn: Collection[ChainId],
    now: datetime,
) -> tuple[list[Dipped], list[Swap]]:
    """Chains whose turn of a trial is over change places; one that goes in the pot has its bike wait."""
    dipped = {one.chain: one for one in chosen}
    swaps = []
    for stands_ in turns:
        bike, own = ledger.bike(stands_.trial.bike), ledger.chain_on(stands_.trial.bike, now)
        other = ledger.chain(stands_.next_chain)
        if not stands_.swap_due or own is None or own.id == other.id or other.id in worn:
            continue
        if own.id in dipped:
            dipped[own.id] = replace(dipped[own.id], bike=None)
        when = "take"
        if other.id in dipped:
            dipped[other.id] = replace(dipped[other.id], bike=bike.id)
            when = "after the pot take"
        sentence = f"The turn of the trial is over: {when} {own.name} off {bike.name} and fit {other.name}."
        swaps.append(Swap(bike.id, own.id, other.id, sentence))
    return list(dipped.values()), swaps


def _swaps(
    ledger: Ledger,
    chosen: Collection[Dipped],
    turns: Collection[Turn],
    worn: Collection[ChainId],
    tomorrow: Collection[BikeId],
    now: datetime,
) -> list[Swap]:
    """A fresh spare for each bike whose chain is dipped, those that ride tomorrow first, then the dirtiest.

    Chains of a trial keep to their turns: nothing stands in for them, and they stand in for nothing.
    """
    on_trial = {chain for one in turns for chain in (one.trial.waxed, one.trial.control)}
    taken = {one.chain for one in chosen} | set(worn) | on_trial
    spares = [
        one
        for one in ledger.chains
        if one.regime is Regime.WAXED
        and one.id not in taken
        and ledger.fitting_of(one.id, now) is None
        and (one.retired_at is None or one.retired_at > now)
    ]
    wanted, suit = [], {}
    for one in chosen:
        if one.bike is not None and one.chain not in on_trial:
            own, bike = ledger.chain(one.chain), ledger.bike(one.bike)
            wanted.append((one.chain, (STANDS_STILL if one.bike in tomorrow else 0.0) + one.share))
            suit[one.chain] = [spare.id for spare in spares if fits(ledger, spare, own, bike)]
    found = []
    by_chain = {one.chain: one for one in chosen}
    for chain, spare_id in stand_ins(wanted, suit).items():
        on = by_chain[chain].bike
        assert on is not None
        own, spare, bike = ledger.chain(chain), ledger.chain(spare_id), ledger.bike(on)
        sentence = f"Take {own.name} off {bike.name} and fit {spare.name}, which is fresh."
        found.append((-by_chain[chain].share, Swap(bike.id, own.id, spare.id, sentence)))
    return [swap for _, swap in sorted(found, key=lambda one: (one[0], one[1].off))]


def _steps(batches: tuple[tuple[Dipped, ...], ...], swaps: Collection[Swap], renew: bool) -> tuple[Step, ...]:
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
    if renew:
        what = "The bath is used up: lift the cold wax out, wipe the pot, and put new wax in."
        steps.append(Step(what, RENEW_MIN, "Only once it is cold and set; old wax goes to the waste point."))
    steps.append(Step(marked("Melt the wax and bring it to 80–95 °C."), HEATING_MIN, HOT_WAX))
    for count, batch in enumerate(batches, start=1):
        names = listed([one.name for one in batch])
        how = marked("Leave until no bubbles rise, let the pot cool to 65–80 °C, lift, hang until cool.")
        steps.append(Step(f"Dip {count}: {names}. {how}", SOAK_MIN + HANG_MIN, _DRIPPING))
    what = "Flex each link over a thumb-thick rod, then fit. Ride the first minutes gently: it runs stiff."
    steps.append(Step(what, BREAK_IN_MIN * len(everyone), LINK))
    return tuple(steps)
