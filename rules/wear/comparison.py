"""Does waxing pay in wear? Waxed chains against wet-lube ones, by the household's one model of wear."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

import numpy as np

from rules.dates_and_numbers import listed, number
from rules.ledger import Ledger
from rules.rulebook import Rulebook
from rules.vocabulary import BikeId, ChainId, Regime
from rules.wear.chain_readings import KINDS
from rules.wear.percentiles import triple
from rules.wear.permutation import ALPHA, Lot, Witness, draw_lots, power
from rules.wear.posterior import WearFit, fit
from rules.wear.reading_arrays import Array, Measured, measured

FEWEST_PER_ARM = 3  # below, the smallest possible p of a fair lot stays above 0.05
FEWEST_READINGS = 2
WORTH_FINDING = 0.5
NAMED_FROM = 0.5  # standardised difference between the groups from which a condition is named

NOT_LOOKED_AT = (
    "who rides, and how hard",
    "how worn the sprockets are",
    "the make and width of the chains",
    "how often and how they were cleaned",
)


class Span(NamedTuple):
    """A value and the ends of its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ChainWear:
    """One chain as a witness."""

    chain: ChainId
    name: str
    regime: Regime
    bike: BikeId  # that it was ridden on most
    readings: int
    drive_h: float  # at its last reading
    rate: tuple[float, float, float]  # 10, 50, 90 %: % per drive hour like the household's average
    dirt: tuple[float, ...]  # its average hour: water, mud, dust, salt


@dataclass(frozen=True, slots=True)
class Comparison:
    """Waxed against wet lube, the conditions, the bikes and the spread from chain to chain taken out."""

    waxed: tuple[ChainWear, ...]
    control: tuple[ChainWear, ...]
    too_early: tuple[ChainId, ...]  # chains with fewer than two readings, or not ridden between
    ratio: Span | None  # wear waxed / wet lube in like conditions, 90 %
    lot: Lot | None  # labels shuffled within each bike; None: nothing to shuffle, or too many ways
    same_bike: bool  # some bike wore both kinds
    claimed: bool  # both rules say that wax wears less
    sentence: str
    wants: str  # what it would take to say more
    differs: tuple[str, ...]  # conditions in which the groups differ
    confounds: tuple[str, ...]  # what nobody looked at
    without_lot: int  # chains compared over whose turns nobody drew lots

    @property
    def doubt(self) -> str:
        """Why may what seems saved not be the wax's doing? '' = it was shown to wear less."""
        if self.claimed:
            return ""
        if self.ratio is not None and not self.same_bike:
            return "No bike has worn both kinds: what seems saved may be the bikes' doing and not the wax's."
        return "That waxed chains wear less is not shown: the next ones may cost more or less than these did."

    @property
    def descriptive_only(self) -> bool:
        """Whether the numbers are too few, or their bikes too different, for any claim."""
        return min(len(self.waxed), len(self.control)) < FEWEST_PER_ARM or not self.same_bike


def compare(ledger: Ledger, rulebook: Rulebook, *, now: datetime) -> Comparison:
    """Do waxed chains wear more slowly than wet-lube ones, hour for like hour?

    'Wax wears less' is claimed when the 90 % interval of the ratio lies below 1 and a lot over the labels,
    within each bike and by a fit that is not told them, gives p <= 0.05. The opposite is never claimed.
    """
    facts = measured(ledger, rulebook, now=now)
    found = fit(facts)
    witnesses = []
    for own, chain in enumerate(facts.chains):
        readings = [one for one in facts.taken if one.chain == own]
        parts = [part for part in facts.parts if part.chain == own]
        if len(readings) >= FEWEST_READINGS and parts:
            witnesses.append(_witness(ledger, facts, found, chain))
    heard = {one.chain for one in witnesses}
    by_lot = {chain for trial in ledger.trials for chain in (trial.waxed, trial.control)}
    silent = tuple(one for one in facts.chains if one not in heard)
    unheard = sum(len(ledger.readings_of(chain.id)) > 1 for chain in ledger.chains) - len(witnesses)
    waxed = tuple(one for one in witnesses if one.regime is Regime.WAXED)
    control = tuple(one for one in witnesses if one.regime is Regime.WET_LUBE)
    ratio = None
    if waxed and control and found.wax is not None:
        low, middle, high = np.quantile(np.exp(found.wax), (0.05, 0.5, 0.95))
        ratio = Span(float(middle), float(low), float(high))
    same_bike = bool({one.bike for one in waxed} & {one.bike for one in control})
    lot = _lot(facts, witnesses) if ratio is not None and same_bike else None
    enough = min(len(waxed), len(control)) >= FEWEST_PER_ARM and same_bike
    claimed = enough and ratio is not None and ratio.high < 1.0 and lot is not None and lot.p <= ALPHA
    return Comparison(
        waxed=waxed,
        control=control,
        too_early=silent,
        ratio=ratio,
        lot=lot,
        same_bike=same_bike,
        claimed=claimed,
        sentence=_sentence(waxed, control, ratio, lot, same_bike, claimed) + _unheard(unheard),
        wants=_wants(waxed, control, float(np.median(found.spread))),
        differs=_differs(waxed, control),
        confounds=NOT_LOOKED_AT,
        without_lot=len(heard - by_lot),
    )


def _witness(ledger: Ledger, facts: Measured, found: WearFit, chain: ChainId) -> ChainWear:
    one, own = ledger.chain(chain), facts.chains.index(chain)
    hours = np.zeros(1 + len(KINDS))
    on: dict[int, float] = {}
    for part in facts.parts:
        if part.chain == own:
            hours += np.array(part.hours)
            on[part.bike] = on.get(part.bike, 0.0) + part.hours[0]
    bike = facts.bikes[max(on, key=lambda at: on[at])]
    rate = np.exp(found.log_rate(chain, bike)) * (found.weights @ facts.mean_hour)
    readings = sum(reading.chain == own for reading in facts.taken)
    dirt = tuple(float(share) for share in hours[1:] / hours[0])
    return ChainWear(
        chain,
        one.name,
        one.regime,
        bike,
        readings,
        float(hours[0]),
        triple(rate),
        dirt,
    )


def _lot(facts: Measured, witnesses: Sequence[ChainWear]) -> Lot | None:
    """The fair lot: rates by a fit that is not told who was waxed."""
    blind = fit(facts, blind=True)
    bikes = list(dict.fromkeys(one.bike for one in witnesses))
    drawn = []
    for one in witnesses:
        # the mean, for many draws of one chain are one witness; its bike is common to all that are shuffled
        rate = float(blind.log_rate(one.chain, one.bike).mean())
        drawn.append(Witness(bikes.index(one.bike), rate, one.regime is Regime.WAXED))
    return draw_lots(drawn)


def _sentence(
    waxed: Sequence[ChainWear],
    control: Sequence[ChainWear],
    ratio: Span | None,
    lot: Lot | None,
    same_bike: bool,
    claimed: bool,
) -> str:
    if ratio is None:
        missing = [
            f"no {regime} chain with two readings"
            for regime, arm in ((Regime.WAXED, waxed), (Regime.WET_LUBE, control))
            if not arm
        ]
        return f"Nothing to compare yet: {listed(missing)}."
    counts = f"{_count(waxed, 'waxed')} against {_count(control, 'wet-lube')}"
    said = (
        f"In like conditions waxed chains wore at {number(ratio.value, 2)} times the rate of wet-lube ones "
        f"(90 %: {number(ratio.low, 2)} to {number(ratio.high, 2)}; {counts})."
    )
    if not same_bike:
        return f"{said} Nothing can be told from it: no bike has worn both, so it may be the bikes."
    if min(len(waxed), len(control)) < FEWEST_PER_ARM:
        return f"{said} Descriptive only: too few chains to tell wax from chance."
    if not claimed:
        return f"{said} No difference can be told from chance yet."
    assert lot is not None  # a claim has drawn its lots
    return f"{said} Shuffling who was waxed gives as much in {number(100.0 * lot.p, 1)} % of the ways."


def _unheard(count: int) -> str:
    """That a household has more chains than are heard at once."""
    return f" Of {count} more chains, longer out of use, nothing is in it." if count > 0 else ""


def _count(arm: Sequence[ChainWear], name: str) -> str:
    return f"{len(arm)} {name} chain{'' if len(arm) == 1 else 's'}"


def _wants(waxed: Sequence[ChainWear], control: Sequence[ChainWear], spread: float) -> str:
    """What so many chains could find, at about this household's own spread."""
    near = min((0.2, 0.3, 0.4, 0.5, 0.6), key=lambda one: abs(one - spread))
    three, five = (round(100.0 * power(count, WORTH_FINDING, near)) for count in (3, 5))
    return (
        "If waxing halved wear, three chains of each kind on one bike, each read by caliper after its first "
        f"ten hours and again until it comes off, would show it in {three} of 100 households whose chains "
        f"differ by a factor {math.exp(near):.1f} or so, five of each in {five}. "
        f"You have {len(waxed)} and {len(control)}."
    )


def _differs(waxed: Sequence[ChainWear], control: Sequence[ChainWear]) -> tuple[str, ...]:
    """In which conditions were the groups ridden apart? Taken out as well as their weights are known."""
    if min(len(waxed), len(control)) < 2:
        return ()
    found = []
    for place, kind in enumerate(KINDS):
        arms: list[Array] = [np.array([one.dirt[place] for one in arm]) for arm in (waxed, control)]
        sd = math.sqrt(0.5 * sum(float(arm.var(ddof=1)) for arm in arms))
        gap = float(arms[0].mean() - arms[1].mean())
        if abs(gap) > max(NAMED_FROM * sd, 0.02):
            more = "more" if gap > 0.0 else "less"
            means = f"{number(arms[0].mean(), 2)} against {number(arms[1].mean(), 2)} in an average hour"
            found.append(f"waxed chains met {more} {kind} ({means})")
    return tuple(found)
