"""Which bike, and which chain, to ride tomorrow: what the day would put into each, and what that costs.

A chain is paid for by the grit-hour: its price and its share of a cassette over its life, the minutes of its
next drip and immersion, and an evening's wiping if it comes home wet. Hours beyond a used-up film count more
as dirt, as everywhere. The prices are rough, so a difference must be worth saying.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from rules.care_due import due
from rules.cassette import chains_outlived
from rules.contamination import exposure, history
from rules.dates_and_numbers import number
from rules.ledger import Ledger
from rules.limits_in_force import judgements_for
from rules.reminder import ReminderKind
from rules.rulebook import Rulebook
from rules.spare_chains import fits
from rules.usual_day import WEEKS, Plan
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    Condition,
    ConditionTag,
    HourAhead,
    Regime,
    RideHour,
    Rider,
    Tier,
)

LIKE_GROUND = 0.35  # a bike goes where its usual unpaved share differs by no more
MINUTE = 0.2  # money a minute of hands is worth: twelve an hour; labelled assumption
LIFE_GRIT_H = 450.0  # of a chain nobody measured: 0.5 % in 300 h at weight 1.5; labelled assumption
# Minutes of hands. Common practice, no source.
DRIP_MIN, BATH_MIN, WET_MIN, OIL_MIN, CLEAN_MIN, SWAP_MIN = 6.0, 35.0, 9.0, 3.0, 15.0, 4.0
WORTH_SAYING, LIKELY = 1.0, 0.6  # money saved, or so likely a wet evening spared


@dataclass(frozen=True, slots=True)
class Price:
    """What one chain's grit-hour costs apart from hands. life_grit_h: over the whole life of the chain."""

    chain: float = 0.0
    cassette: float = 0.0
    life_grit_h: float = LIFE_GRIT_H

    def per_grit_h(self, limit_pct: float) -> float:
        """Money a grit-hour: the chain, and its share of a cassette. limit_pct: at which it is worn out."""
        return (self.chain + self.cassette / chains_outlived(limit_pct)) / self.life_grit_h


@dataclass(frozen=True, slots=True)
class Choice:
    """One bike with one chain on it tomorrow. The parts are money and add up to the cost."""

    bike: Bike
    chain: Chain
    swapped: bool  # the chain is fitted for it
    grit_h: float  # expected
    wet_chance: float  # that it comes home wet enough to be wiped
    parts: Mapping[str, float]

    @property
    def cost(self) -> float:
        """What tomorrow costs with this one."""
        return math.fsum(self.parts.values())

    @property
    def name(self) -> str:
        """'Plover', 'Plover with the chain Slate'."""
        return f"{self.bike.name} with the chain {self.chain.name}" if self.swapped else self.bike.name


@dataclass(frozen=True, slots=True)
class Tomorrow:
    """What is said of a day to come."""

    plan: Plan
    choices: tuple[Choice, ...]  # the best first; never empty
    usual: Choice | None
    matters: bool  # enough to be said unasked
    sentence: str

    @property
    def brief(self) -> str:
        """The same in a mail's few words: which one, why, and the runner-up."""
        best = self.choices[0]
        if self.usual is None or self.usual is best:
            return f"{best.name} as usual."
        said = f"{best.name} rather than {self.usual.name}, for {_reason(self.usual, best)}."
        return f"{said} Next best: {self.choices[1].name}."


def typed_day(
    rider: Rider, begins: datetime, drive_h: float, unpaved_share: float, bike: BikeId | None
) -> Plan:
    """A ride as it was typed. begins: local."""
    hours, at, left_h = [], begins, drive_h
    while left_h > 1e-9:
        hour_start = at.replace(minute=0, second=0, microsecond=0)
        part_h = min(left_h, 1.0 - (at - hour_start) / timedelta(hours=1))
        hours.append((hour_start, part_h))
        left_h, at = left_h - part_h, hour_start + timedelta(hours=1)
    return Plan(rider, begins.date(), tuple(hours), unpaved_share, bike)


def typed_weather(word: str, plan: Plan, rulebook: Rulebook) -> tuple[HourAhead, ...]:
    """The plan's hours under 'rain', 'dust' or 'salt': by the rulebook's own words, and for certain."""
    water = rulebook.words[Condition.WET][0] if word in ("rain", "salt") else 0.0
    ground = ConditionTag(
        paved_water=water,
        unpaved_water=water,
        mud=rulebook.words[Condition.MUDDY][1] if word == "rain" else 0.0,
        dust=rulebook.words[Condition.DUSTY][2] if word == "dust" else 0.0,
        confidence=1.0,
        tier=Tier.RIDER,
        rain_mm=None,
        rain_before_mm=None,
        source="typed",
        fetched_at=None,
        because=f"{word}, as typed",
        salt=1.0 if word == "salt" else 0.0,
    )
    return tuple(HourAhead(at, 1.0, ground, ground) for at, _ in plan.hours)


def tomorrow(
    ledger: Ledger,
    rulebook: Rulebook,
    plan: Plan,
    ahead: Iterable[HourAhead],
    *,
    now: datetime,
    prices: Mapping[ChainId, Price] | None = None,
) -> Tomorrow | None:
    """Which bike and chain for this plan? None: no bike of the rider's suits it.

    ahead: of every hour of the plan; an hour that is missing counts as a plain one.
    """
    by_hour = {one.hour_start: one for one in ahead}
    worn = {one.chain for one in due(ledger, rulebook, now=now) if one.kind is ReminderKind.REPLACEMENT}
    choices = [
        _choice(ledger, rulebook, plan, by_hour, bike, chain, own.id != chain.id, now, prices or {})
        for bike in _bikes(ledger, plan, now)
        if (own := ledger.chain_on(bike.id, now)) is not None
        for chain in (own, *_spares(ledger, own, bike, now))
        if chain.id not in worn
    ]
    choices.sort(key=lambda one: (one.cost, one.swapped, one.bike.id, one.chain.id))
    if not choices:
        return None
    usual = next((one for one in choices if one.bike.id == plan.bike and not one.swapped), None)
    best = choices[0]
    matters = usual is not None and usual is not best and _worth_saying(usual, best)
    return Tomorrow(plan, tuple(choices), usual, matters, _sentence(plan, choices, usual))


def _bikes(ledger: Ledger, plan: Plan, now: datetime) -> list[Bike]:
    """Bikes the rider can take: of their own or lately ridden, and at home on such ground."""
    since = now - timedelta(weeks=WEEKS)
    ridden = {one.bike for one in ledger.rides if one.rider == plan.rider.id and one.started_at >= since}
    found = []
    for bike in ledger.bikes:
        here = (bike.from_at is None or bike.from_at <= now) and (
            bike.until_at is None or now < bike.until_at
        )
        theirs = bike.owner == plan.rider.id or bike.id in ridden
        suits = bike.id == plan.bike or abs(bike.unpaved_share - plan.unpaved_share) <= LIKE_GROUND
        if here and theirs and suits and not bike.indoor:
            found.append(bike)
    return found


def _spares(ledger: Ledger, own: Chain, bike: Bike, now: datetime) -> list[Chain]:
    """Chains on the shelf that fit this bike and are clean: for a swap of four minutes."""
    return [
        chain
        for chain in ledger.chains
        if chain.id != own.id
        and (chain.retired_at is None or chain.retired_at > now)
        and ledger.fitting_of(chain.id, now) is None
        and any(one.done_at <= now for one in ledger.treatments_of(chain.id))
        and fits(ledger, chain, own, bike)
    ]


def _choice(
    ledger: Ledger,
    rulebook: Rulebook,
    plan: Plan,
    by_hour: Mapping[datetime, HourAhead],
    bike: Bike,
    chain: Chain,
    swapped: bool,
    now: datetime,
    prices: Mapping[ChainId, Price],
) -> Choice:
    weights = rulebook.weights_for(chain, bike, plan.rider)
    grit_h, chance = 0.0, 0.0
    wet_h = {True: 0.0, False: 0.0}
    for at, drive_h in plan.hours:
        one = by_hour.get(at)
        p = 0.0 if one is None else one.rain_chance
        chance = max(chance, p)
        for rains, share in ((True, p), (False, 1.0 - p)):
            tag = None if one is None else (one.if_rain if rains else one.if_dry)
            hour = RideHour(at, drive_h * 3600.0, 0.0, 0.0, None, None, None, 0.0, tag)
            put = exposure(hour, plan.unpaved_share, None, weights)
            grit_h += share * put.grit_h
            if put.condition in (Condition.WET, Condition.MUDDY):
                wet_h[rains] += drive_h
    judgements = judgements_for(ledger, rulebook, chain, now)
    wet_from_h = judgements.limit("wet_ride").value
    wet_chance = chance * (wet_h[True] >= wet_from_h) + (1.0 - chance) * (wet_h[False] >= wet_from_h)
    waxed = chain.regime is Regime.WAXED
    film_from_h = history(ledger, chain.id, rulebook).until(now).since_drip.grit_h
    keys = ("drip", "immersion") if waxed else ("oil", "clean")
    film_limit, dirt_limit = (judgements.limit(key).value for key in keys)
    beyond_h = film_from_h + grit_h - max(film_limit, film_from_h)
    once_more = rulebook.judgement("weight.starved").value - 1.0 if waxed else 0.0
    starved_h = once_more * max(0.0, beyond_h)
    renewing, cleaning = (DRIP_MIN, BATH_MIN) if waxed else (OIL_MIN, CLEAN_MIN)
    price = prices.get(chain.id, Price(chain.price or 0.0))
    per_grit_h = price.per_grit_h(judgements.wear_limit().value)
    parts = {
        "wear": grit_h * per_grit_h,
        "hands": MINUTE * (renewing * grit_h / film_limit + cleaning * grit_h / dirt_limit),
        "film": starved_h * per_grit_h + MINUTE * cleaning * starved_h / dirt_limit,
        "wet": MINUTE * WET_MIN * wet_chance if waxed else MINUTE * OIL_MIN * wet_chance,
        "swap": MINUTE * SWAP_MIN if swapped else 0.0,
    }
    return Choice(bike, chain, swapped, grit_h, wet_chance, parts)


def _worth_saying(usual: Choice, best: Choice) -> bool:
    spares_an_evening = (
        usual.wet_chance >= LIKELY
        and usual.chain.regime is Regime.WAXED
        and best.chain.regime is not Regime.WAXED
    )
    return usual.cost - best.cost >= WORTH_SAYING or spares_an_evening


def _sentence(plan: Plan, choices: Sequence[Choice], usual: Choice | None) -> str:
    best = choices[0]
    put = f"about {number(best.grit_h)} grit-hours in {number(plan.drive_h)} h of pedalling"
    wet = f", wet with a chance of {best.wet_chance:.0%}" if 0.0 < best.wet_chance < 1.0 else ""
    if usual is None or best is usual:
        said = f"{plan.on:%A}: {best.name}{' as usual' if best is usual else ''}, {put}{wet}"
    else:
        said = f"{plan.on:%A}: {best.name} rather than {usual.name}, for {_reason(usual, best)}; {put}{wet}"
    if len(choices) == 1:
        return f"{said}."
    second = choices[1]
    return (
        f"{said}. Next best: {second.name}, {number(second.cost - best.cost, 2)} dearer in money and minutes."
    )


def _reason(usual: Choice, best: Choice) -> str:
    """What speaks most for the best one."""
    spared = {part: usual.parts[part] - best.parts[part] for part in usual.parts}
    match max(spared, key=lambda part: spared[part]):
        case "wet":
            return (
                f"it is likely wet ({usual.wet_chance:.0%}), and the wax of {usual.chain.name} would want "
                "wiping and dripping the same evening"
            )
        case "film":
            return (
                f"the film of {usual.chain.name} would be used up on the way, and take in dirt twice as fast"
            )
        case "hands":
            return f"{best.chain.name} wants less of your hands after such a day"
        case _:
            return f"a grit-hour costs less on {best.chain.name} than on {usual.chain.name}"
