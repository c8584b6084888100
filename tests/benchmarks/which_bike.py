"""How often is the bike right, how often is the rider asked, and how near is that to what can be known?

    python -m tests.benchmarks.which_bike --seeds 10 --rides 2000 --jobs 2 [--keep FOLDER]

Every ride of an invented household is written as a FIT file, read back through the whole path, judged in
order, and answered truthfully when it is asked about. Beside each figure stands an oracle that knows the
household's truth (its gears, its noise, its habits, where its sensors sat and when their batteries were flat)
and judges the same files by the same rules. --keep keeps the clues of each seed between runs.
"""

from __future__ import annotations

import argparse
import itertools
import math
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from ingest.bikes.clues import RideClues, clues_of
from ingest.bikes.gear_fit import Comb, CombStack, Looks
from ingest.bikes.gear_profiles import learn_combs
from ingest.bikes.gearing import GPS_NOISE, WHEEL_NOISE
from ingest.bikes.judge import LIKELY_FROM, Verdict, judge
from ingest.bikes.learning import Household, Known, learn
from ingest.bikes.questions import Taken, impossibilities
from ingest.files.reader import read
from ingest.ride.summary import summarise
from rules.vocabulary import BikeId, DecidedBy
from tests.households import (
    CASSETTES,
    HOME,
    RIGHT_PROFILE_CHANCE,
    SILENT_CHANCE,
    Story,
    TrueRide,
    fit_of,
    story,
)

NOW = datetime(2035, 1, 1, tzinfo=UTC)
LEARN_EVERY = 10  # rides, once the first answers are in
FIRST_ANSWERS = 30
BINS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0)


@dataclass(frozen=True, slots=True)
class Judged:
    """One ride, judged by the tool and by the oracle."""

    ride: TrueRide
    verdict: Verdict
    bike: BikeId | None
    leader: BikeId | None
    probability: float
    oracle: dict[BikeId | None, float]
    answers_before: int
    because: str
    twins: frozenset[BikeId]

    @property
    def right(self) -> bool:
        return self.leader == self.ride.bike

    @property
    def oracle_leader(self) -> BikeId | None:
        return max(self.oracle, key=lambda bike: self.oracle[bike])

    @property
    def decidable(self) -> bool:
        """By the tool's own rules: sure enough, one of ours, and no twin that nothing tells apart."""
        leader = self.oracle_leader
        twin = leader in self.twins and not self.ride.awake and all(self.oracle.get(t) for t in self.twins)
        return leader is not None and self.oracle[leader] >= LIKELY_FROM and not twin


def clues_through_files(told: Story) -> list[RideClues]:
    """Write, read, sum up, look for clues: the path a dropped file takes."""
    clues = []
    for ride in told.rides:
        recording = read(fit_of(told, ride), f"ride-{ride.number}.fit")
        clues.append(clues_of(recording, summarise(recording, now=NOW), ride.rider))
    return clues


def kept_clues(told: Story, folder: Path | None) -> list[RideClues]:
    """The clues of this story, from the folder when they are there."""
    if folder is None:
        return clues_through_files(told)
    file = folder / f"clues-{told.seed}-{len(told.rides)}.jsonl"
    if not file.exists():
        folder.mkdir(parents=True, exist_ok=True)
        file.write_text("\n".join(c.to_json() for c in clues_through_files(told)))
    return [RideClues.from_json(line) for line in file.read_text().splitlines()]


class Oracle:
    """Judges with the generator's own numbers."""

    def __init__(self, told: Story, clues: list[RideClues]) -> None:
        self.told = told
        self.order = {ride.number: index for index, ride in enumerate(told.rides)}
        self.combs: dict[tuple[float, bool], tuple[list[BikeId], CombStack]] = {}
        self.changed = next((b for b in told.bikes if b.tyre_changed_at is not None), None)
        for noise in (GPS_NOISE, WHEEL_NOISE):
            for after in (False, True):
                self.combs[noise, after] = self._true_combs(noise, after, clues)
        self.borrowed = {noise: CombStack(_borrowed_combs(), noise) for noise in (GPS_NOISE, WHEEL_NOISE)}
        self.speed = self._moments(clues, lambda c: c.speed_mps)
        self.roughness = self._moments(clues, lambda c: c.roughness)

    def judge(self, ride: TrueRide, clues: RideClues) -> dict[BikeId | None, float]:
        """The true probability of each bike, given this file."""
        on = {s.on(ride.started_at) for s in ride.awake}
        if on:
            return {bike: float(bike in on) for bike in ride.chances}
        taken = {
            other.bike
            for other in self.told.rides[max(self.order[ride.number] - 6, 0) : self.order[ride.number] + 6]
            if other.rider != ride.rider
            and other.started_at < ride.ended_at
            and ride.started_at < other.ended_at
        }
        log_odds = {
            bike: math.log(chance)
            for bike, chance in ride.chances.items()
            if chance > 0 and (bike is None or bike not in taken)
        }
        gears = self._gears(ride, clues)
        for bike in log_odds:
            if bike is not None:
                its = [s for s in self.told.sensors if s.on(ride.started_at) == bike]
                all_flat = not any(s.awake(ride.started_at) for s in its)
                log_odds[bike] += math.log(SILENT_CHANCE + (1 - SILENT_CHANCE) * all_flat)
            log_odds[bike] += gears.get(bike, 0.0) + self._profile(bike, ride) + self._place(bike, clues)
            if clues.speed_mps is not None:
                log_odds[bike] += _ln_normal(math.log(clues.speed_mps), *self.speed[ride.rider, bike])
            if clues.roughness is not None:
                log_odds[bike] += _ln_normal(math.log(clues.roughness), *self.roughness[ride.rider, bike])
        top = max(log_odds.values())
        odds = {bike: math.exp(value - top) for bike, value in log_odds.items()}
        return {bike: value / sum(odds.values()) for bike, value in odds.items()}

    def _gears(self, ride: TrueRide, clues: RideClues) -> dict[BikeId | None, float]:
        if clues.gears is None:
            return {}
        after = self.changed is not None and ride.started_at >= (self.changed.tyre_changed_at or NOW)
        ids, stack = self.combs[clues.gears.noise, after]
        weights: dict[BikeId | None, float] = {
            bike: fit.ln_likelihood for bike, fit in zip(ids, stack.fits(Looks.of(clues.gears)), strict=True)
        }
        fits = [fit.ln_likelihood for fit in self.borrowed[clues.gears.noise].fits(Looks.of(clues.gears))]
        weights[None] = max(fits) + math.log(sum(math.exp(f - max(fits)) for f in fits) / len(fits))
        return weights

    def _true_combs(
        self, noise: float, after: bool, clues: list[RideClues]
    ) -> tuple[list[BikeId], CombStack]:
        ids, combs = [], []
        for bike in self.told.bikes:
            assert bike.id is not None
            at = datetime.max.replace(tzinfo=UTC) if after else datetime.min.replace(tzinfo=UTC)
            lines = np.log(bike.developments(at))
            comb = Comb(lines, np.full(len(lines), 1 / len(lines)), 0.0, 0.005)
            its = [
                c.gears
                for c, r in zip(clues, self.told.rides, strict=True)
                if c.gears is not None and r.bike == bike.id and c.gears.noise == noise
            ][:60]
            stack = CombStack((comb,), noise)
            used = (
                np.sum([stack.fits(Looks.of(g))[0].usage for g in its], axis=0) + 1.0 if its else comb.usage
            )
            ids.append(bike.id)
            combs.append(replace(comb, usage=used / used.sum()))
        return ids, CombStack(combs, noise)

    def _profile(self, bike: BikeId | None, ride: TrueRide) -> float:
        right = bike is not None and self.told.bikes[bike - 1].profile == ride.profile
        return math.log((1 - RIGHT_PROFILE_CHANCE) / 5 + RIGHT_PROFILE_CHANCE * (right if bike else 0.33))

    def _place(self, bike: BikeId | None, clues: RideClues) -> float:
        if clues.start_cell is None or bike is None:
            return 0.0
        north = clues.start_cell[0] - math.floor(HOME[0] * 100)
        far = {"road": 6, "gravel_cycling": -5, "mountain": -11, "commuting": 4}[
            self.told.bikes[bike - 1].profile
        ]
        if abs(north) <= 1:
            return math.log(0.8)
        return math.log(0.2 / 3) if abs(north - far) <= 1 else math.log(1e-6)

    def _moments(self, clues, of):  # type: ignore[no-untyped-def]
        values: dict[tuple[int, BikeId | None], list[float]] = {}
        for c, ride in zip(clues, self.told.rides, strict=True):
            if of(c):
                values.setdefault((ride.rider, ride.bike), []).append(math.log(of(c)))
                values.setdefault((ride.rider, None), [])
        everything = [v for vs in values.values() for v in vs]
        broad = float(np.mean(everything)), float(np.std(everything))
        moments = {
            key: (float(np.mean(vs)), float(np.std(vs))) if len(vs) > 20 else broad
            for key, vs in values.items()
        }
        for rider in {ride.rider for ride in self.told.rides}:
            for bike in [*(b.id for b in self.told.bikes), None]:
                moments.setdefault((rider, bike), broad)
        return moments


def _borrowed_combs() -> list[Comb]:
    combs = []
    for rings in ((48, 31), (53, 39), (42,), (34,), (38, 24)):
        for cogs in CASSETTES.values():
            for wheel in (2.12, 2.25):
                lines = np.unique([math.log(front / rear * wheel) for front in rings for rear in cogs])
                combs.append(Comb(lines, np.full(len(lines), 1 / len(lines)), 0.0, 0.035))
    return combs


def _ln_normal(value: float, mean: float, sd: float) -> float:
    return -0.5 * ((value - mean) / sd) ** 2 - math.log(sd)


def judge_in_order(told: Story, clues: list[RideClues]) -> tuple[list[Judged], list[Known], Household]:
    """Ride after ride, as a household would meet them; questions are answered truthfully and at once."""
    household, oracle = told.household(), Oracle(told, clues)
    known: list[Known] = []
    taken: list[Taken] = []
    habits = learn(known, household)
    judged, answers, learned_at = [], 0, 0
    for ride, c in zip(told.rides, clues, strict=True):
        if len(known) - learned_at >= (1 if answers < 2 * FIRST_ANSWERS else LEARN_EVERY):
            habits, learned_at = learn(known, household), len(known)
        said = judge(c, household, habits, impossible=impossibilities(c, household, taken=taken[-6:]))
        judged.append(
            Judged(
                ride, said.verdict, said.bike, said.leader, said.probability, oracle.judge(ride, c), answers,
                said.because, told.twins,
            )
        )  # fmt: skip
        bike, by = said.bike, said.decided_by
        if said.verdict is Verdict.ASK:
            bike, by, answers = ride.bike, DecidedBy.RIDER, answers + 1
            learned_at -= LEARN_EVERY  # an answer teaches at once
        elif said.verdict is Verdict.LIKELY:
            by = DecidedBy.EVIDENCE
        assert by is not None
        known.append(Known(c, bike, by))
        habits = habits.after(known[-1])
        if bike is not None:
            taken.append(Taken(bike, ride.rider, c.started_at, c.ended_at))
    return judged, known, household


def measures(told: Story, judged: list[Judged]) -> dict[str, float]:
    """The figures of one seed, in per cent; 'oracle' ones beside."""
    after = [j for j in judged if j.answers_before >= FIRST_ANSWERS]
    decided = [j for j in judged if j.verdict is not Verdict.ASK]
    likely = [j for j in decided if j.verdict is Verdict.LIKELY]
    ours = [j for j in after if j.ride.bike is not None]
    decidable = [j for j in ours if j.decidable]
    twins = [j for j in after if j.ride.bike in told.twins and not j.decidable]
    borrowed = [j for j in after if j.ride.bike is None]
    oracle_decided = [j for j in judged if j.decidable]
    return {
        "decided right": _share(decided, lambda j: j.right),
        "  oracle": _share(oracle_decided, lambda j: j.oracle_leader == j.ride.bike),
        "decided right, no sensor": _share([j for j in likely if not j.ride.awake], lambda j: j.right),
        "  oracle ": _share(
            [j for j in oracle_decided if not j.ride.awake], lambda j: j.oracle_leader == j.ride.bike
        ),
        "asked of decidable": _share(decidable, lambda j: j.verdict is Verdict.ASK),
        "asked of all ours": _share(ours, lambda j: j.verdict is Verdict.ASK),
        "  oracle  ": _share(ours, lambda j: not j.decidable),
        "twins asked": _share(twins, lambda j: j.verdict is Verdict.ASK),
        "twins (rides)": float(len(twins)),
        "borrowed asked": _share(borrowed, lambda j: j.verdict is Verdict.ASK),
        "rides until 30 answers": float(len(judged) - len(after)),
        "answers": float(judged[-1].answers_before),
    }


def _share(rides, test) -> float:  # type: ignore[no-untyped-def]
    return 100.0 * sum(map(test, rides)) / len(rides) if rides else math.nan


def gearing_alone(told: Story, clues: list[RideClues]) -> tuple[int, int, int]:
    """(right, judged, too few gears) with nothing but satellite speed and cadence, on bikes that differ."""
    household = told.household()
    firm = [
        (c.gears, r.bike)
        for c, r in zip(clues[:300], told.rides[:300], strict=True)
        if c.gears is not None and r.bike is not None
    ]
    combs = learn_combs(firm, household.bikes)
    right = judged = few = 0
    for c, r in zip(clues[300:], told.rides[300:], strict=True):
        if c.gears is None or r.bike is None or r.bike in told.twins or c.gears.noise != GPS_NOISE:
            continue
        weights = combs.weigh(c.gears)
        if not weights:
            few += 1
            continue
        judged += 1
        right += max(weights, key=lambda bike: weights[bike].weight) == r.bike
    return right, judged, few


def print_tables(rows: list[dict[str, float]], judged: list[Judged], told: Story) -> None:
    """The tables of measures, calibration and confusion."""
    print(f"\n{'measure':26}{'mean':>8}{'worst':>8}   over {len(rows)} seeds [%, unless said]")
    for name in rows[0]:
        values = [row[name] for row in rows if not math.isnan(row[name])]
        worst = max(values) if name.startswith("asked") else min(values)
        print(f"{name:26}{np.mean(values):8.2f}{worst:8.2f}")
    print("\ncalibration: of rides judged this sure, how many were right")
    print(f"{'said':>14}{'rides':>8}{'mean said':>11}{'right':>8}{'off':>7}")
    for low, high in itertools.pairwise(BINS):
        inside = [j for j in judged if low <= j.probability < high or (high == 1.0 and j.probability >= low)]
        if inside:
            said, right = np.mean([j.probability for j in inside]) * 100, _share(inside, lambda j: j.right)
            print(f"{low:7.2f}–{high:4.2f} {len(inside):8}{said:11.1f}{right:8.1f}{right - said:+7.1f}")
    names = {b.id: b.name for b in told.bikes} | {None: "borrowed"}
    confusion = Counter((j.ride.bike, "asked" if j.verdict is Verdict.ASK else names[j.bike]) for j in judged)
    columns = [*(b.name for b in told.bikes), "asked"]
    print("\nconfusion: truth down, verdict across")
    print(f"{'':10}" + "".join(f"{c:>10}" for c in columns))
    for bike, name in names.items():
        print(f"{name:10}" + "".join(f"{confusion[bike, column]:10}" for column in columns))


def play(
    seed: int, rides: int, keep: Path | None
) -> tuple[dict[str, float], list[Judged], tuple[int, int, int]]:
    """One seed from its files to its figures."""
    told = story(seed, rides)
    clues = kept_clues(told, keep)
    judged, _, _ = judge_in_order(told, clues)
    return measures(told, judged), judged, gearing_alone(told, clues)


def print_wrong(judged: list[Judged]) -> None:
    """The rides that were decided wrongly, with what the oracle knew."""
    for j in judged:
        if j.verdict is not Verdict.ASK and not j.right:
            truth = {bike: round(p, 3) for bike, p in j.oracle.items() if p > 0.01}
            print(f"   ride {j.ride.number} on {j.ride.bike}, said {j.bike} at {j.probability:.3f}: {truth}")


def seconds_to_judge_again(told: Story, clues: list[RideClues]) -> float:
    """How long ten thousand verdicts take, everything known of the household already learned."""
    household = told.household()
    known = [Known(c, r.bike, DecidedBy.RIDER) for c, r in zip(clues, told.rides, strict=True)]
    habits = learn(known, household)
    began = time.perf_counter()
    for c in itertools.islice(itertools.cycle(clues), 10_000):
        judge(c, household, habits)
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--rides", type=int, default=2000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--wrong", action="store_true", help="list the rides decided wrongly")
    asked = parser.parse_args()
    rows, everything, gears = [], [], np.zeros(3, dtype=int)
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    with ProcessPoolExecutor(asked.jobs) as pool:
        played = pool.map(play, seeds, itertools.repeat(asked.rides), itertools.repeat(asked.keep))
        for seed, (row, judged, by_gears) in zip(seeds, played, strict=True):
            rows.append(row)
            everything += judged
            gears += by_gears
            print(f"seed {seed}: " + ", ".join(f"{k.strip()} {v:.1f}" for k, v in row.items()), flush=True)
            if asked.wrong:
                print_wrong(judged)
    told = story(seeds[-1], asked.rides)
    print_tables(rows, everything, told)
    right, by_gears, few = gears
    share = f"{100 * right / by_gears:.1f} %" if by_gears else "none"
    print(f"\ngearing alone, satellite speed, combs that differ: {share} of {by_gears} right", end=" ")
    print(f"({few} more held fewer than four gears)")
    print(f"10 000 rides judged again in {seconds_to_judge_again(told, kept_clues(told, asked.keep)):.1f} s")


if __name__ == "__main__":
    main()
