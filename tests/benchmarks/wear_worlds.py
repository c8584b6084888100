"""Invented households whose chains wear by a hidden process of their own, which the judge of wear never sees.

Each chain is walked hour by hour: what the ground really was (the tags are a little wrong about it), the
dirt that stayed on the chain, its running-in, its speeding up with elongation, a drift over weeks. Every
constant is drawn anew for each household. No figure comes from a real chain: a witness, never a proof.

    found = world("weather", "caliper", seed=7)     the ledger, and the truth about found.target
    python -m tests.benchmarks.wear_worlds          a table of every row
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import numpy as np
from scipy.signal import lfilter

from rules import vocabulary as trade
from rules.ledger import Ledger
from rules.vocabulary import ChainId, ReadingTool, Regime, TreatmentKind

Key = tuple[int, int]  # of a stream of random numbers: row, seed
Span = tuple[float, float]  # a household draws its constant from here
Rows = dict[str, np.ndarray]  # clock hours of rides in order: a column for each thing noted, or true, of them

SHARES = (0.3, 0.5, 0.8)  # of the target's life, at which a judge is asked
LATEST = datetime(2025, 12, 22, tzinfo=UTC)  # a Monday; every calendar is over by then
DAY, HOUR = 1440, timedelta(hours=1)  # minutes of a day
TURN_DAYS = 14  # of one of a pair that takes turns
FIRST_READ_H = 10.0  # as the page asks of whoever is promised something
NEW_PCT, NEW_SD = 0.02, 0.03  # elongation of a chain out of its box
STEPS = (0.25, 0.5, 0.75)  # % of a go/no-go gauge
# sd [%] of a household's tool, and of one reading with it
ERROR_SD = {"gauge": (0.03, 0.04), "ruler": (0.01, 0.08), "caliper": (0.005, 0.03)}
BIRDS = ("Dunnock", "Siskin", "Ouzel")
MINERALS = ("Beryl", "Galena", "Jasper", "Olivine", "Zircon", "Tourmaline")
CARE = {  # twice out of its box, then what tops it up and what washes it
    Regime.WAXED: tuple(map(TreatmentKind, ("strip", "immersion", "drip", "immersion"))),
    Regime.WET_LUBE: tuple(map(TreatmentKind, ("clean", "oil", "oil", "clean"))),
}
# The columns of Rows that RideHour, ConditionTag and the walk take, in their order.
OF_HOUR = ("drive_s", "distance_m", "moving_s", "speed")
OF_TAG = ("paved", "unpaved", "mud", "dust", "rain", "before", "frost", "salt")
OF_WALK = ("drive_h", "weight", "inflow", "pace", "hour", "start", "end", "last", "bike", "share", "turn")


class Row(NamedTuple):
    """How the households of this row wear their chains."""

    cost: Sequence[Span] = ((2, 2), (5, 5), (1, 1), (1, 1))  # extra per hour of full water, mud, dust, salt
    sticks: Span = (0, 0)  # extra per unit of dirt that stayed on the chain
    running_in_pct: Span = (0, 0)  # lost early, chain by chain
    faster: Span = (0, 0)  # rise of the rate by the limit, 0.4 = by 40 %
    drift_sd: float = 0.0  # of the ln rate over weeks
    spread: Span = (0.15, 0.5)  # ln sd from chain to chain
    slip: float = 0.0  # chance that a reading is a tenth of a percent off
    swaps: bool = False  # the target wanders among the bikes


WEATHER = ((1.2, 4.5), (2, 10), (0.4, 2), (0, 2.5))
WORSE = ((1.2, 9), (2, 14), (0.3, 3), (0, 4))
ROWS: Mapping[str, Row] = {
    "linear": Row(),
    "running-in": Row(running_in_pct=(0.05, 0.12)),
    "accelerating": Row(faster=(0.33, 0.5)),
    "weather": Row(WEATHER, (0, 0.3)),
    "drive hours only": Row(((0, 0),) * 4),
    "together": Row(WEATHER, (0, 0.3), (0.05, 0.12), (0.33, 0.5), 0.2),
    "outside": Row(WORSE, (0.1, 0.5), (0.12, 0.12), (0.8, 1.5), 0.3, (0.6, 0.6), slip=0.06, swaps=True),
}
ARID = (-1, 25, 1.35, -0.25, 1.1, 3.0, 0.45, 0.93, 1.1, 0.5, False)  # dusty, with summer storms
RAINY = (-1, 15, 0.0, 0.4, 0.5, 1.6, 0.72, 0.975, 0.25, 1.0, True)  # muddy, salted in winter


class Plan(NamedTuple):
    """A chain before its life."""

    bike: int  # counted from 0
    regime: Regime
    log_pace: float  # its own ln rate beside the household's typical chain
    stop_pct: float = math.inf  # true elongation at which it comes off; inf: the target, to 130 % of its life
    turns: tuple[int, bool] | None = (
        None  # of a pair that takes turns on its bike: which pair, which side of it
    )
    first_h: float | None = None  # drive hours until its first reading; None: as long as between the others


@dataclass(frozen=True)
class World:
    """A household's ledger with the whole life of the target in it, and the truth behind it."""

    ledger: Ledger
    target: ChainId
    life_drive_h: float  # at which the target's true elongation reached limit_pct
    limit_pct: float
    moments: Mapping[float, datetime | None]  # share of the true life: just after the last reading by then
    log_rate: Mapping[ChainId, float]  # ln % per clean, dry drive hour on its first bike, past running-in
    track: Sequence[tuple[datetime, float]]  # the target's true elongation [%] after each of its rides

    def drive_h_at(self, moment: datetime) -> float:
        """How long had the target been ridden by then, in hours that were over? [drive hours]"""
        rides = self.ledger.rides_of(self.target)
        hours = ((min(hour.hour_start + HOUR, r.ended_at), hour.drive_s) for r in rides for hour in r.hours)
        return sum(drive_s for ends_at, drive_s in hours if ends_at <= moment) / 3600.0

    def elongation_at(self, moment: datetime) -> float:
        """How long had the target become in truth after its last ride by then, or else its first? [%]"""
        return self.track[max(0, bisect_right(self.track, moment, key=lambda point: point[0]) - 1)][1]


def world(row: str, tool: str, seed: int) -> World:
    """A household of this row, measured with this tool. A seed lives the same life under every tool."""
    settings, key = ROWS[row], (list(ROWS).index(row), seed)
    rng = np.random.default_rng((*key, 1))
    scale = math.exp(rng.uniform(math.log(120), math.log(900))), float(rng.choice((0.5, 0.5, 0.75)))
    bikes = rng.normal(0.0, 0.25, rng.integers(1 + settings.swaps, 4)).tolist()
    spread = rng.uniform(*settings.spread)
    lubed, lube = 0.5 * (rng.random() < 0.2), rng.uniform(math.log(1.2), math.log(2.5))
    plans = []
    for stop in (*rng.normal(1.0, 0.06, rng.choice((0, 1, 2, 4))), math.inf):
        wet = math.isfinite(stop) and rng.random() < lubed
        pace, bike = rng.normal(0.0, spread) + lube * wet, int(rng.integers(len(bikes)))
        plans.append(Plan(bike, Regime.WET_LUBE if wet else Regime.WAXED, pace, stop * scale[1]))
    home = _lived(key, settings, tool, scale, bikes, plans)
    by = {share: [at for at, drive_h in home.read if drive_h <= share * home.life_h] for share in SHARES}
    moments = {share: ats[-1] + timedelta(minutes=1) if len(ats) > 1 else None for share, ats in by.items()}
    return World(home.ledger(), ChainId(len(plans)), home.life_h, scale[1], moments, home.rates, home.track)


def null_arms(
    spread: float,
    per_arm: int,
    seed: int,
    *,
    ratio: float = 1.0,
    confounded: bool = False,
    crossed: int = 0,
    first_h: float | None = None,
    tool="caliper",
    bikes_shared: int = 2,
) -> Ledger:
    """Waxed and wet-lube chains that differ by ratio [waxed wear : wet-lube wear] and by chance alone.

    Each lives to half its limit or more. They take turns on like bikes, two or as said; confounded: waxed
    chains are on a bike that wears half as fast as the one with the wet-lube chains, but for so many crossed.
    first_h: when each is measured first; else it is by its rider's habit, and some wear out before.
    """
    rng = np.random.default_rng((len(ROWS), seed, 1))
    scale, plans = (math.exp(rng.uniform(math.log(120), math.log(300))), 0.5), []
    for turn in range(per_arm):
        for regime in (Regime.WAXED, Regime.WET_LUBE)[:: -1 if turn // 2 % 2 else 1]:
            wet = regime is Regime.WET_LUBE
            pace = rng.normal(0.0, spread) - wet * math.log(ratio)
            bike = wet ^ (turn < crossed) if confounded else turn % bikes_shared
            stop_pct = scale[1] * rng.uniform(0.6, 1.1)
            plans.append(Plan(int(bike), regime, pace, stop_pct, first_h=first_h))
    bikes = [math.log(0.5) if confounded else 0.0, 0.0]
    return _lived((len(ROWS), seed), ROWS["linear"], tool, scale, bikes, plans).ledger()


def paired(
    spread: float,
    pairs: int,
    seed: int,
    *,
    ratio: float = 1.0,
    first_h: float | None = FIRST_READ_H,
    tool: str = "caliper",
) -> Ledger:
    """Fair trials, one after the other on one bike: of each pair one chain is waxed, and they take turns.

    Waxed chains wear ratio times as fast; a coin says which begins each pair of turns of two weeks. first_h:
    when each is measured first; None: at its rider's every other swap, as later on.
    """
    rng = np.random.default_rng((len(ROWS) + 1, seed, 1))
    scale, plans = (math.exp(rng.uniform(math.log(120), math.log(300))), 0.5), []
    for pair in range(pairs):
        for wet in (False, True):
            pace, stop = rng.normal(0.0, spread) - wet * math.log(ratio), scale[1] * rng.uniform(0.6, 1.1)
            regime = Regime.WET_LUBE if wet else Regime.WAXED
            plans.append(Plan(0, regime, float(pace), stop, (pair, wet), first_h))
    home = _lived((len(ROWS) + 1, seed), ROWS["weather"], tool, scale, [0.0], plans)
    for pair in range(pairs):
        chains = ChainId(2 * pair + 1), ChainId(2 * pair + 2)
        began = min(one.fitted_at for one in home.facts["fittings"] if one.chain in chains)
        home._note("trials", trade.Trial, 1, *chains, began, 300.0, pair)
    return home.ledger()


def _lived(key: Key, *told: Any) -> _Household:
    for slack in (1.4, 2.1, 3.2, 5.0, 8.0):  # a longer calendar for whom luck was too good for the last one
        try:
            return _Household(key, slack, *told)
        except EOFError:
            continue
    raise EOFError(key)


def _smooth(rng: np.random.Generator, size: int, keeps: float) -> np.ndarray:
    """Standard normals, each of which remembers this much of the one before."""
    shocks = rng.standard_normal(size)
    shocks[1:] *= math.sqrt(1.0 - keeps * keeps)
    return lfilter([1.0], [1.0, -keeps], shocks)


def sky(
    rng: np.random.Generator, days: int, first_doy: int, climate: Sequence[float] | None = None
) -> Callable[[np.ndarray], Rows]:
    """What do the tags of these hours say? Thresholds are of a standard normal: the higher, the drier."""
    drawn = RAINY if rng.random() < 0.5 else ARID
    january_c, july_c, dry_days, wet_winter, dry_hours, *rest = climate or drawn
    rain_mm, paved_keeps, unpaved_keeps, dust, mud, salted = rest  # keeps: of its water, from hour to hour
    winter = np.cos(2.0 * np.pi * (first_doy + np.arange(days) - 15) / 365.25)
    day_c = 0.5 * (july_c + january_c - (july_c - january_c) * winter) + 3.5 * _smooth(rng, days, 0.75)
    wet = _smooth(rng, days, 0.75) > dry_days - wet_winter * winter  # in spells of days
    mm = rain_mm * np.maximum(0.0, _smooth(rng, days * 24, 0.8) - dry_hours) * np.repeat(wet, 24)
    fallen_mm = np.concatenate((np.zeros(25), np.cumsum(mm)))
    on_paved = -np.expm1(-lfilter([1.0], [1.0, -paved_keeps], np.minimum(mm / 1.2, 1.5)))
    on_unpaved = -np.expm1(-lfilter([1.0], [1.0, -unpaved_keeps], np.minimum(mm / 6.0, 0.5)))
    day_salt = -np.expm1(-lfilter([1.0], [1.0, -0.8], 0.8 * salted * wet * (day_c < 1.5)))
    day_dust = dust * np.exp(0.35 * rng.standard_normal(days))

    def said(hour: np.ndarray) -> Rows:
        day, paved, unpaved = hour // 24, on_paved[hour], on_unpaved[hour]
        soaked = np.clip(mud * (unpaved - 0.35) / 0.65, 0.0, 1.0) * (day_c[day] > -1.0)
        dry = np.minimum(3.0, day_dust[day] * np.exp(-6.0 * unpaved))
        salt, before = day_salt[day] * np.minimum(1.0, 3.0 * paved), fallen_mm[hour + 24] - fallen_mm[hour]
        found = {"paved": paved, "unpaved": unpaved, "mud": soaked, "dust": dry, "salt": salt}
        found |= {"rain": mm[hour], "before": before}
        return {name: np.round(values, 2) for name, values in found.items()} | {"frost": day_c[day] <= 0.0}

    return said


class _Household:
    """One household: its constants, the calendars of its bikes, and the facts as its chains are walked."""

    def __init__(
        self, key: Key, slack: float, row: Row, tool: str, scale: Span, bikes: list[float], plans: list[Plan]
    ) -> None:
        """scale: drive hours of a typical chain, and limit [%]. bikes: ln rates. slack: of the calendar."""
        self.rng = rng = np.random.default_rng((*key, 2))
        (typical_h, self.limit_pct), self.row, self.bikes = scale, row, np.asarray(bikes)
        self.cost, self.sticks = rng.uniform(*np.transpose(row.cost)), rng.uniform(*row.sticks)
        self.faster, self.late = rng.uniform(*row.faster), rng.random() < 0.5
        self.power, self.knee = rng.uniform((0.8, 0.5), (3.0, 0.8)).tolist()
        self.topped_stays, self.washed_stays = rng.uniform((0.8, 0.05), (1.0, 0.4))  # share of the dirt
        self.top_up_h, self.wash_h, self.reading_h = rng.uniform((3.0, 8.0, 25.0), (7.0, 22.0, 60.0))
        # whose chains last ride more, or the story would take decades
        low, high = ((4.5, 1.7), (6.0, 2.5)) if typical_h > 400.0 else ((3.0, 1.1), (6.0, 2.0))
        self.per_week, self.usual_h = rng.uniform(low, high)
        self.unpaved = rng.choice((0.03, 0.25, 0.6), len(bikes)).tolist()
        lives_h = [typical_h * math.exp(-plan.log_pace - bikes[plan.bike]) for plan in plans]
        hours = slack * (np.bincount([plan.bike for plan in plans], lives_h).max() + lives_h[-1])
        weeks = 20 + int(hours / (self.per_week * self.usual_h * 0.9))
        self.first, self.days = LATEST - timedelta(weeks=weeks + int(rng.integers(52))), weeks * 7
        said = sky(rng, self.days, self.first.timetuple().tm_yday)
        self.calendars = [self._calendar(bike, said) for bike in range(len(bikes))]
        drive_h, weight, inflow = np.hstack([[rows[name] for name in OF_WALK[:3]] for rows in self.calendars])
        # about six hours' dirt stays between washes: without it, lives would fall short of the typical
        mean = np.average(weight + 6.0 * self.sticks * inflow, weights=drive_h)
        slower = np.mean([1.0 / self.rate_at(share) for share in np.linspace(0.0, 1.0, 101)])
        left_pct = self.limit_pct - NEW_PCT - sum(row.running_in_pct) / 2.0
        self.base = float(left_pct * slower / (typical_h * mean))  # % per clean, dry drive hour, when new
        self.hand, self.tool = np.random.default_rng((*key, 3)), ReadingTool(tool)  # a stream of its own
        self.bias = self.hand.normal(0.0, ERROR_SD[tool][0])
        self.facts: defaultdict[str, list[Any]] = defaultdict(list)  # by their names in a Ledger
        self.rates: dict[ChainId, float] = {}
        for bike, share in enumerate(self.unpaved):
            rider = self._note("riders", trade.Rider, f"Rider {bike + 1}")
            self._note("bikes", trade.Bike, BIRDS[bike], rider, share)
        free, begun = [0] * len(bikes), 0  # from which day; when the last pair began
        for plan in plans:  # chains follow each other on a bike, and the target follows them all
            first_day = max(free) if math.isinf(plan.stop_pct) else free[plan.bike]
            if plan.turns is not None:  # the second of a pair begins with the first
                first_day = begun = begun if plan.turns[1] else first_day
            over = self._live(plan, first_day)
            free[plan.bike] = max(free[plan.bike], over // DAY + int(rng.integers(2, 8)))

    def ledger(self) -> Ledger:
        """Every fact of the household."""
        return Ledger(**{name: tuple(facts) for name, facts in self.facts.items()})

    def rate_at(self, share: float) -> float:
        """How many times its first rate does a chain wear at this share of its limit?"""
        after_knee = max(0.0, share - self.knee) / (1.0 - self.knee)
        return 1.0 + self.faster * (after_knee if self.late else max(0.0, share) ** self.power)

    def _calendar(self, bike: int, said: Callable[[np.ndarray], Rows]) -> Rows:
        """Every hour its rider would be out on this bike, if it always had a chain; at most a ride a day."""
        rng, weeks, sd = self.rng, self.days // 7, self.row.drift_sd
        counts = np.clip(np.round(rng.normal(self.per_week, 0.8, weeks)), 3, 6)
        liking = rng.random((weeks, 7)) - 0.35 * (np.arange(7) >= 5)
        day = np.flatnonzero((np.argsort(np.argsort(liking)) < counts[:, None]).ravel())
        rides, free = len(day), day % 7 >= 5
        early = rng.random(rides) < rng.choice((0.1, 0.4))  # before work, else after it
        start = day * DAY + np.where(free, 480, np.where(early, 360, 990))
        start += rng.integers(0, np.where(free, 300, 110))
        out_h = self.usual_h * np.where(free, 1.35, 1.0) * np.exp(rng.normal(0.0, 0.3, rides))
        end = start + np.round(np.clip(out_h, 0.7, 4.0) * 60.0).astype(int)
        clock = (start // 60)[:, None] + np.arange(5)
        minutes = np.minimum(end[:, None], clock * 60 + 60) - np.maximum(start[:, None], clock * 60)
        ride, slot = np.nonzero(minutes > 0)
        hour, spent_s = clock[ride, slot], minutes[ride, slot] * 60.0
        driven = rng.uniform(0.78, 0.97, rides)[ride] + rng.normal(0.0, 0.03, len(ride))
        drive_s = np.round(spent_s * np.minimum(driven, 1.0))
        moving_s = np.round(drive_s + 0.6 * (spent_s - drive_s))
        speed = np.clip(rng.normal(24.5, 1.2, rides), 22.0, 27.0)[ride] / 3.6
        share = np.round(np.clip(rng.normal(self.unpaved[bike], 0.1, rides), 0.0, 1.0), 2)[ride]
        # The chain meets the true ground, not the tag: each ride more or less of each thing than the tag
        # says, and three rides in a hundred a shower that no tag knows.
        tags, paved = said(hour), 1.0 - share
        water = paved * tags["paved"] + share * tags["unpaved"]
        ground = np.array([water, share * tags["mud"], share * tags["dust"], paved * tags["salt"]])
        ground *= np.exp(rng.normal(-0.045, 0.3, (4, rides)))[:, ride]
        ground[0] += ((rng.random(rides) < 0.03) * rng.uniform(0.2, 0.8, rides))[ride]
        ground[0] = np.minimum(1.0, ground[0])
        drift = sd * _smooth(rng, self.days, math.exp(-1.0 / 21.0)) - sd * sd / 2.0
        rows = {"hour": hour, "start": start[ride], "end": end[ride], "share": share, "speed": speed}
        rows |= {"drive_s": drive_s, "drive_h": drive_s / 3600.0}
        rows |= {"moving_s": moving_s, "distance_m": speed * moving_s}
        rows |= {"weight": 1.0 + self.cost @ ground, "inflow": np.array((0.1, 0.6, 0.25, 0.0)) @ ground}
        rows |= {"last": np.append(ride[1:] != ride[:-1], True), "bike": np.full(len(ride), bike)}
        rows |= {"turn": np.zeros(len(ride), dtype=int)}
        return tags | rows | {"pace": np.exp(self.bikes[bike] + drift[day])[ride]}

    def _live(self, plan: Plan, first_day: int) -> int:
        """Take a chain from its box, walk it until it comes off, note its facts. Its last minute."""
        chain, target, rows = len(self.rates) + 1, math.isinf(plan.stop_pct), self.calendars[plan.bike]
        begin = np.searchsorted(rows["start"], first_day * DAY)
        rows = {name: values[begin:] for name, values in rows.items()}
        if target and self.row.swaps:  # its rider takes it to another bike every few weeks
            turns = (rows["start"] // DAY - first_day) // self.rng.integers(30, 90)
            rows["bike"] = (plan.bike + turns) % len(self.bikes)
            rows["pace"] = rows["pace"] * np.exp(self.bikes[rows["bike"]] - self.bikes[plan.bike])
        if plan.turns is not None:
            block = (rows["start"] // DAY - first_day) // TURN_DAYS
            coins = np.random.default_rng(plan.turns[0]).random(999) < 0.5
            mine = (coins[block // 2] ^ (block % 2 == 1)) == plan.turns[1]
            rows = {name: values[mine] for name, values in (rows | {"turn": block}).items()}
        for minute, kind in zip((60, 120), CARE[plan.regime][:2], strict=True):
            self._note("treatments", trade.Treatment, chain, kind, self._at(first_day * DAY + minute))
        over, stays = self._walk(chain, plan, rows)
        retired = None if target else self._at(over + 100)
        for ((bike, _), on), (_, off) in zip(stays, [*stays[1:], (0, None)], strict=True):
            ends_at = retired if off is None else self._at(off - 60)
            if plan.turns is not None:  # the other one's turn comes between
                left = TURN_DAYS - (on // DAY - first_day) % TURN_DAYS
                ends_at = min(retired, self._at((on // DAY + left) * DAY + 120))
            self._note("fittings", trade.Fitting, chain, bike + 1, self._at(on), ends_at)
        name, speeds = f"{MINERALS[(chain - 1) % len(MINERALS)]} {chain}", 12 if self.limit_pct == 0.5 else 10
        self._note("chains", trade.Chain, name, plan.regime, speeds, 116, None, None, retired)
        self.rates[ChainId(chain)] = math.log(self.base) + plan.log_pace + float(self.bikes[plan.bike])
        return over

    def _walk(self, chain: int, plan: Plan, rows: Rows) -> tuple[int, list[tuple[tuple[int, int], int]]]:
        """Wear it hour by hour. Its last minute, and which bikes it went on to, in which turn, and when."""
        rng, limit, target, care = self.rng, self.limit_pct, math.isinf(plan.stop_pct), CARE[plan.regime]
        early_pct, early_h = rng.uniform(*self.row.running_in_pct), rng.uniform(4.0, 25.0)
        rate, length = self.base * math.exp(plan.log_pace), float(rng.normal(NEW_PCT, NEW_SD))
        hours = dirt = washed = topped_up = read = 0.0  # the last three: drive hours when that was done
        between = (25.0, 60.0) if plan.turns is None else (15.0, 30.0)  # in a trial at every other swap
        gaps = iter(np.clip(self.reading_h * rng.normal(1.0, 0.15, 999), *between).tolist())
        self.life_h, self.track, self.read = math.nan, [], []  # the latest chain's: in the end, the target's
        gap, stays, ridden = plan.first_h or next(gaps), [], []
        groups = ([rows[name].tolist() for name in names] for names in (OF_WALK, OF_HOUR, OF_TAG))
        for walked, noted, said in zip(*(zip(*group, strict=True) for group in groups), strict=True):
            drive_h, weight, inflow, pace, hour, start, end, last, bike, share, turn = walked
            told = (0.85, trade.Tier.FINAL, *said[4:6], "invented", None, "invented")
            tag = trade.ConditionTag(*said[:4], *told, *said[6:])
            ridden.append((noted, trade.RideHour(self._at(hour * 60), *noted, None, None, 0.0, tag)))
            worn = rate * pace * (weight + self.sticks * dirt) * self.rate_at(length / limit) * drive_h
            if early_pct:  # 95 % of it goes within early_h
                worn -= early_pct * math.exp(-3.0 * hours / early_h) * math.expm1(-3.0 * drive_h / early_h)
            if length < limit <= length + worn:
                self.life_h = hours + drive_h * (limit - length) / worn
            dirt += (inflow - 0.04 * dirt) * drive_h
            length, hours = length + worn, hours + drive_h
            if not last:
                continue
            if not stays or stays[-1][0] != (bike, turn):  # chains are changed in the small hours
                stays.append(((bike, turn), start // DAY * DAY + 180))
            notes, parts = zip(*ridden, strict=True)
            drive_s, distance_m, moving_s, _ = map(sum, zip(*notes, strict=True))
            told = (plan.bike + 1, self._at(start), self._at(end), "invented", bike + 1)
            drive = (trade.DecidedBy.RIDER, drive_s, drive_s, drive_s, trade.DriveMethod.CADENCE, moving_s)
            self._note("rides", trade.Ride, *told, *drive, distance_m, 0.0, False, parts, share)
            self.track.append((self._at(end), length))
            ridden = []
            done = length >= plan.stop_pct or (target and hours >= 1.3 * self.life_h)
            if done or hours - read >= gap:
                self._measure(chain, self._at(end + 20), length)
                self.read.append((self._at(end + 20), hours))
                read, gap = hours, next(gaps)
            if done:
                return end, stays
            wash = hours - washed >= self.wash_h
            if wash or hours - topped_up >= self.top_up_h:
                topped_up, washed = hours, hours if wash else washed
                dirt *= self.washed_stays if wash else self.topped_stays
                self._note("treatments", trade.Treatment, chain, care[3 if wash else 2], self._at(end + 60))
        raise EOFError("the calendar ended before the chain did")

    def _measure(self, chain: int, at: datetime, true_pct: float) -> None:
        # one draw for all steps of a gauge: a wide step never drops in where a narrow one does not
        slip = self.hand.choice((-0.1, 0.1)) if self.hand.random() < self.row.slip else 0.0
        seen = float(true_pct + slip + self.bias + self.hand.normal(0.0, ERROR_SD[self.tool][1]))
        over, under = [step for step in STEPS if seen >= step], [step for step in STEPS if seen < step]
        found = (max(over, default=None), min(under, default=None), None)
        if self.tool is not ReadingTool.GAUGE:
            found = (None, None, round(round(seen * 20) / 20 if self.tool is ReadingTool.RULER else seen, 2))
        self._note("readings", trade.Reading, chain, self.tool, at, *found)

    def _note(self, name: str, fact: Callable[..., Any], *told: Any) -> int:
        """Write down one more fact. Its number."""
        facts = self.facts[name]
        facts.append(fact(len(facts) + 1, *told))
        return len(facts)

    def _at(self, minute: int) -> datetime:
        return self.first + timedelta(minutes=minute)


def main() -> None:
    """Print, of every row, mean life and readings, and three elongations of three seeds."""
    print(f"{'row':<18}{'mean life':>11}{'readings':>10}   % after 25, 50 and 75 % of the rides, by seed")
    for row in ROWS:
        worlds = [world(row, tuple(ERROR_SD)[seed % 3], seed) for seed in range(30)]
        life_h = np.mean([found.life_drive_h for found in worlds])
        readings = np.mean([len(found.ledger.readings_of(found.target)) for found in worlds])
        tracks = [[found.track[len(found.track) * n // 4][1] for n in (1, 2, 3)] for found in worlds[:3]]
        points = "   ".join(" ".join(f"{pct:.2f}" for pct in track) for track in tracks)
        print(f"{row:<18}{life_h:>9.0f} h{readings:>10.1f}   {points}")


if __name__ == "__main__":
    main()
