"""How often is the bike right, how sure is it said to be, and how many answers does that take?

    python -m tests.benchmarks.which_bike [--seeds 3] [--rides 400] [--kinds solo4,twins5] [--jobs 2]

Households of the second generator, seeds drawn anew in each run and printed; every ride is written as
a file and read back through the whole path. All rides come at once, then questions are answered in the
program's own order, singly or in groups. A rider asked about a group looks at the rides it shows: if all were
on one bike, that is said of the whole group, members on other bikes included; if not, only those shown are
answered.
'Right' is of all rides decided, by machine or by group, without those that were looked at. For comparison:
the share right if every ride were put on its leading bike, whatever the doubt ('first guess').
"""

from __future__ import annotations

import argparse
import itertools
import secrets
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from ingest.bikes.judge import Household, Judgement, Verdict, judge
from ingest.bikes.questions import Question, questions
from ingest.bikes.ride_clues import RideClues, clues_of
from ingest.ride.summary import summarise
from rules.vocabulary import BikeId, RiderId
from tests.read_one import read
from tests.second_households import KINDS, invent

NOW = datetime(2035, 1, 1, tzinfo=UTC)
BINS = (0.95, 0.97, 0.99, 1.01)
QUESTIONS_AT_ONCE = 5  # until the household is judged anew
SLIPS = 0.02  # of a rider's answers


@dataclass(frozen=True, slots=True)
class Told:
    """A household as it was read, with the truth of each ride."""

    rides: list[RideClues]
    truth: list[BikeId | None]
    household: Household


@dataclass(frozen=True, slots=True)
class Row:
    """What was found after so many acts of answering. sure: stated probability and whether it was right."""

    kind: str
    seed: int
    way: str
    acts: str
    decided: float
    right: float
    by_machine: tuple[float, int]
    certain: tuple[float, int]
    first_guess: float
    sure: tuple[tuple[float, bool], ...]


def told(kind: str, seed: int, rides: int) -> Told:
    """An invented household through its files."""
    house = invent(kind, seed, rides)
    read_back = []
    for ride in house.rides:
        recording = read(ride.data, ride.name)
        clues = clues_of(recording, summarise(recording, now=NOW), RiderId(ride.rider))
        read_back.append((clues, house.truth(ride)))
    read_back.sort(key=lambda one: one[0].started_at)
    household = Household(house.bikes, house.sensors, house.riders)
    return Told([clues for clues, _ in read_back], [bike for _, bike in read_back], household)


class Answering:
    """A rider who answers truthfully but for slips."""

    def __init__(self, house: Told, seed: int, *, in_groups: bool, slips: float) -> None:
        self.house, self.in_groups, self.slips = house, in_groups, slips
        self.dice = np.random.default_rng(seed)
        self.answers: dict[int, BikeId | None] = {}
        self.looked_at: set[int] = set()
        self.acts = 0
        self.said_at: dict[int, object] = {}
        self.waiting: list[Question] = []

    def until(self, acts: int) -> None:
        """Answers until so many acts are done or nothing is asked any more."""
        while self.acts < acts:
            if not self.waiting:
                judged = self._judged()
                first = self.acts < len(self.house.household.bikes)
                self.waiting = list(questions(judged, 1 if first else QUESTIONS_AT_ONCE))
                if not self.waiting:
                    return
            self._answer(self.waiting.pop(0))

    def _answer(self, question: Question) -> None:
        shown = question.shown if self.in_groups else question.shown[:1]
        words = {ride: self._word(ride) for ride in shown}
        self.looked_at |= words.keys()
        alike = len(set(words.values())) == 1
        self.acts += 1 if alike else len(words)
        if self.in_groups and alike:
            self.answers |= dict.fromkeys(question.rides, words[shown[0]])
            self.said_at |= dict.fromkeys(question.rides, self.acts)
        self.answers |= words
        one_answer = self.in_groups and alike
        self.said_at |= {ride: self.acts if one_answer else f"ride {ride}" for ride in words}

    def _judged(self) -> Judgement:
        return judge(self.house.rides, self.house.household, self.answers, said_at=self.said_at)

    def _word(self, ride: int) -> BikeId | None:
        if self.dice.random() < self.slips:
            bikes = self.house.household.bikes
            return bikes[int(self.dice.integers(len(bikes)))].id
        return self.house.truth[ride]

    def row(self, kind: str, seed: int, acts: str) -> Row:
        """What is decided now, and how much of it is right."""
        truth = self.house.truth
        judged = self._judged()
        left = [i for i in range(len(truth)) if i not in self.looked_at]
        said = {i: judged.said(i) for i in left}
        machine = [i for i in left if i not in self.answers and said[i].verdict is not Verdict.ASK]
        grouped = [i for i in left if i in self.answers]
        right = {i: said[i].bike == truth[i] for i in machine}
        right |= {i: self.answers[i] == truth[i] for i in grouped}
        certain = [i for i in machine if said[i].verdict is Verdict.CERTAIN]
        leaders = [judged.candidates[k] for k in judged.probabilities.argmax(axis=1)]
        return Row(
            kind,
            seed,
            "groups" if self.in_groups else "singly",
            acts,
            len(right) / max(len(left), 1),
            _mean(list(right.values())),
            (_mean([right[i] for i in machine]), len(machine)),
            (_mean([right[i] for i in certain]), len(certain)),
            _mean([leaders[i] == truth[i] for i in left]),
            tuple((said[i].probability, right[i]) for i in machine),
        )


def _mean(values: list[bool]) -> float:
    return sum(values) / len(values) if values else float("nan")


def one_household(kind: str, seed: int, rides: int, slips: float) -> list[Row]:
    """Both ways of answering one household."""
    house = told(kind, seed, rides)
    rows = []
    for in_groups in (False, True):
        rider = Answering(house, seed, in_groups=in_groups, slips=slips)
        for acts, name in ((len(house.household.bikes) + 1, "B+1"), (20, "20"), (50, "50")):
            rider.until(acts)
            rows.append(rider.row(kind, seed, name))
    return rows


def main() -> None:
    """Prints a line a household, the pooled figures, and stated probability against truth."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--seeds", type=int, default=3)
    options.add_argument("--rides", type=int, default=400)
    options.add_argument("--kinds", default=",".join(KINDS))
    options.add_argument("--jobs", type=int, default=2)
    options.add_argument("--slips", type=float, default=0.0)
    asked = options.parse_args()
    seeds = [secrets.randbelow(100_000) for _ in range(asked.seeds)]
    print(f"seeds {seeds}, {asked.rides} rides each, {asked.slips:.0%} slips")
    found: list[Row] = []
    with ProcessPoolExecutor(asked.jobs) as pool:
        work = [
            pool.submit(one_household, kind, seed, asked.rides, asked.slips)
            for kind in asked.kinds.split(",")
            for seed in seeds
        ]
        for future in work:
            for row in future.result():
                found.append(row)
                print(
                    f"{row.kind:9} {row.seed:6} {row.way} {row.acts:>3}: decided {row.decided:.0%}, right "
                    f"{row.right:.1%} (machine {row.by_machine[0]:.1%} of {row.by_machine[1]}, certain "
                    f"{row.certain[0]:.1%} of {row.certain[1]}), first guess {row.first_guess:.0%}",
                    flush=True,
                )
    for way in ("singly", "groups"):
        for acts in ("B+1", "20", "50"):
            rows = [row for row in found if (row.way, row.acts) == (way, acts)]
            sure = [one for row in rows for one in row.sure]
            worst = min(rows, key=lambda row: row.right if row.right == row.right else 2.0)
            print(
                f"{way} {acts:>3}: decided {np.mean([row.decided for row in rows]):.1%}, machine right "
                f"{_mean([right for _, right in sure]):.2%} of {len(sure)}; worst {worst.kind} {worst.seed} "
                f"{worst.right:.1%}; first guess {np.mean([row.first_guess for row in rows]):.1%}"
            )
            for low, high in itertools.pairwise(BINS):
                inside = [(stated, right) for stated, right in sure if low <= stated < high]
                if inside:
                    stated = np.mean([one for one, _ in inside])
                    print(
                        f"    said {stated:.1%}, right {_mean([r for _, r in inside]):.1%} of {len(inside)}"
                    )


if __name__ == "__main__":
    main()
