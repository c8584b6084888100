"""How often is the bike of a ride right, in households that its judge was not made from?

Run: python tests/benchmarks/which_bike_elsewhere.py [--rides 180] [--seeds 1] [--seed N] [--kind solo4 ...]

Seeds are drawn anew in each run and printed. Every household's rides are imported at once from real bytes and
answered in the program's own order, ride by ride and group by group; one kind is also lived a ride at a time,
its questions answered in the evening. Riders slip in 2 % of their answers, with a whole group if so asked.
"""

from __future__ import annotations

import argparse
import json
import random
import secrets
import shutil
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

from ingest.files.read_pool import ToRead
from rules.commands import PutRidesOn
from rules.vocabulary import BikeId, DecidedBy, RideId, RiderId
from services.use_cases.import_rides import Outcome, import_files
from services.use_cases.judge_bikes import HouseholdJudgement, OpenQuestion
from services.use_cases.record_change import record
from services.wiring import open_app
from tests.bike_days import ARide, rides_of
from tests.bike_households import DAYS, FIRST_DAY, KINDS, AHousehold, household
from tests.put_into import into

NAMES = {"Plover", "Harrier", "Dunlin", "Siskin", "Lapwing", "Avocet", "Curlew", "Wheatear", "Kestrel"}
BINS = (0.5, 0.9, 0.95, 0.97, 0.99, 0.995, 1.0001)
AFTERWARDS = FIRST_DAY + timedelta(days=DAYS + 1)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the program holds of a ride, beside what it was. verdict: 'said' = its rider has spoken."""

    kind: str
    seed: int
    way: str
    ride: ARide
    said: str | None
    verdict: str
    probability: float | None
    because: str
    clues: tuple[tuple[float | None, str | None, str], ...]  # log-odds, bike, sentence
    guess: str | None
    taught: str  # what answers said of rides with the same sensors

    @property
    def decided(self) -> bool:
        return self.verdict not in ("ask", "said")

    @property
    def right(self) -> bool:
        return self.decided and self.said == self.ride.bike


class Lived:
    """A household in a ledger of its own."""

    def __init__(self, home: AHousehold, folder: Path, slip_share: float) -> None:
        self.home, self.folder, self.slip_share = home, folder, slip_share
        self.luck = random.Random(f"answers {home.kind} {home.seed}")
        self.truth: dict[RideId, ARide] = {}
        self.acts = self.slips = self.misled = 0
        self.outcomes: Counter[str] = Counter()
        self.groups: list[tuple[int, int, bool]] = []  # rides, shown, of several bikes
        self.app = open_app(folder / "home")
        with self.app.store.writing() as tx:
            self.riders = [into(tx).add_rider(name).id for name in home.riders]
            self.bikes: dict[str | None, BikeId | None] = {None: None}
            for bike in home.bikes:
                gears, (with_gears, with_wheel) = bike.setups[0][1], bike.entered
                at = FIRST_DAY + timedelta(days=bike.since) if bike.since else None
                self.bikes[bike.name] = (
                    into(tx)
                    .add_bike(
                        bike.name,
                        self.riders[bike.owner],
                        chainrings=gears.rings if with_gears else (),
                        cogs=gears.cogs if with_gears else (),
                        wheel_circumference_m=round(gears.wheel_m, 2) if with_wheel else None,
                        indoor=bike.indoor,
                        from_at=at,
                    )
                    .id
                )
        self.names = {number: name for name, number in self.bikes.items()}

    def take(self, rides: Iterable[ARide], now: datetime) -> None:
        """Their files come in, all at once."""
        files, of_path = [], {}
        for ride in rides:
            path = self.folder / "files" / self.home.riders[ride.rider] / f"{ride.number:04}{ride.ending}"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(ride.content)
            files.append(ToRead(path, RiderId(self.riders[ride.rider])))
            of_path[str(path)] = ride
        for outcome in import_files(self.app.store, files, now=now):
            self.outcomes[outcome.outcome.value] += 1
            if outcome.outcome in (Outcome.NEW, Outcome.DAMAGED):
                assert outcome.ride is not None
                self.truth[outcome.ride] = of_path[outcome.name]

    def elsewhere(self, folder: Path) -> Lived:
        """The same household once more, to be answered otherwise."""
        shutil.copytree(self.folder / "home", folder / "home")
        twin = Lived.__new__(Lived)
        twin.__dict__ |= self.__dict__
        twin.folder, twin.app, twin.truth = folder, open_app(folder / "home"), dict(self.truth)
        twin.acts = twin.slips = twin.misled = 0
        twin.groups, twin.luck = [], random.Random(f"{folder.name} {self.home.kind} {self.home.seed}")
        return twin

    def questions(self) -> tuple[OpenQuestion, ...]:
        """What the program asks, the most useful first."""
        with self.app.store.reading() as tx:
            return HouseholdJudgement(tx).questions()

    def answer_ones(self, asked: Iterable[OpenQuestion], now: datetime) -> None:
        """Of each question the first ride that is shown, and no more."""
        self._say([answer for one in asked for answer in self._act(one.shown[:1])], now)

    def answer_groups(self, asked: Iterable[OpenQuestion], now: datetime) -> None:
        """Each all at once if what is shown was one bike's; else the rides that are shown, one by one."""
        answers: list[tuple[RideId, BikeId | None]] = []
        for one in asked:
            shown = {self.truth[ride].bike for ride in one.shown}
            whole = {self.truth[ride].bike for ride in one.rides}
            self.groups.append((len(one.rides), len(one.shown), len(whole) > 1))
            if len(shown) == 1:
                self.misled += sum({self.truth[ride].bike} != shown for ride in one.rides)
                answers += self._act(one.rides, like=one.shown[0])
            else:
                answers += [answer for ride in one.shown for answer in self._act((ride,))]
        self._say(answers, now)

    def _act(self, rides: Sequence[RideId], like: RideId | None = None) -> list[tuple[RideId, BikeId | None]]:
        """One act of answering: these rides were on the bike of the first, or of the one they are like."""
        self.acts += 1
        bike = self.truth[like or rides[0]].bike
        if self.luck.random() < self.slip_share:
            self.slips += 1
            bike = self.luck.choice([one for one in self.bikes if one not in (None, bike)])
        return [(ride, self.bikes[bike]) for ride in rides]

    def _say(self, answers: Sequence[tuple[RideId, BikeId | None]], now: datetime) -> None:
        record(self.app, PutRidesOn(tuple(dict(answers).items())), now=now, confirmed=True)

    def verdicts(self, way: str, only: Iterable[RideId] | None = None) -> list[Verdict]:
        """On every ride; what a rider said stands as such, and is no verdict."""
        with self.app.store.reading() as tx:
            every = {ride.id: tx.rides.assignment_in_force(ride.id) for ride in tx.rides.rides()}
            held = {number: one for number, one in every.items() if one is not None}
            whole = HouseholdJudgement(tx) if only is None else None
            now = {n: whole.assignment(n) for n, d in held.items() if d.verdict == "ask"} if whole else {}
        answered = {n: d.bike for n, d in held.items() if d.decided_by is DecidedBy.RIDER}
        found = []
        for ride in self.truth if only is None else only:
            one = held.get(ride)
            if one is None:
                continue
            evidence = json.loads(one.evidence) if one.evidence else {}
            clues = tuple(
                (clue["weight"], self.names.get(clue["bike"]), clue["sentence"])
                for clue in evidence.get("clues", ())
            )
            verdict = "said" if one.decided_by is DecidedBy.RIDER else one.verdict
            said = self.names[one.bike] if verdict != "ask" else None
            guess = self.names[now[ride].leader] if ride in now else said
            because = now[ride].because if ride in now else evidence.get("because", "")
            taught = self._taught(ride, answered)
            said_of = (said, verdict, one.probability, because, clues, guess, taught)
            found.append(Verdict(self.home.kind, self.home.seed, way, self.truth[ride], *said_of))
        return found

    def _taught(self, ride: RideId, answered: Mapping[RideId, BikeId | None]) -> str:
        """For each sensor of a ride: how often its riders have said which bike it was on, slips included."""
        told = []
        for sensor in self.truth[ride].heard:
            name = sensor.split(" of ")[0]
            said = Counter(
                f"{self.names[bike] or 'none of ours'}"
                + ("" if self.names[bike] == self.truth[other].bike else " by a slip")
                for other, bike in answered.items()
                if any(one.split(" of ")[0] == name for one in self.truth[other].heard)
            )
            told.append(f"{sensor}: " + (", ".join(f"{n} × {b}" for b, n in said.items()) or "no answer yet"))
        return "; ".join(told) or "its file names no sensor"


def in_bulk(home: AHousehold, rides: list[ARide], folder: Path, asked: argparse.Namespace) -> list[Verdict]:
    """All rides at once; then so many answers, singly and as groups, some of them in one form."""
    lived = Lived(home, folder, asked.slips)
    began = time.process_time()
    lived.take(rides, AFTERWARDS)
    refused = {what: n for what, n in lived.outcomes.items() if what != Outcome.NEW.value}
    print(
        f"  {home.kind}: {len(rides)} rides taken in {time.process_time() - began:.0f} s CPU {refused or ''}"
    )
    found = lived.verdicts("bulk 0")
    for way in ("single", "group"):
        arm = lived.elsewhere(folder / way)
        began, at = time.process_time(), AFTERWARDS
        for goal in asked.steps:
            while arm.acts < goal:
                at += timedelta(minutes=1)
                if not (open_ones := arm.questions()):
                    break
                answer = arm.answer_ones if way == "single" else arm.answer_groups
                answer(open_ones[: min(asked.at_once, goal - arm.acts)], at)
            found += arm.verdicts(f"{way} {goal}")
        several = [group for group in arm.groups if group[0] > 1]
        mixed = sum(group[2] for group in several)
        print(
            f"  {home.kind} {way}: {arm.acts} answers, {arm.slips} slips, {arm.misled} misled by a group, "
            f"{len(several)} groups of {sum(g[0] for g in several)} rides, {mixed} of several bikes; "
            f"{(time.process_time() - began) / max(1, arm.acts):.2f} s CPU an answer",
            flush=True,
        )
    return found


def day_by_day(home: AHousehold, rides: list[ARide], folder: Path, slips: float) -> list[Verdict]:
    """A ride at a time; in the evening everything that is asked is answered, a group at once."""
    lived, found, acts_at_40 = Lived(home, folder, slips), [], 0
    for number, ride in enumerate(rides, start=1):
        before = set(lived.truth)
        now = ride.start + timedelta(hours=4)
        lived.take([ride], now)
        found += lived.verdicts("daily", [new for new in lived.truth if new not in before])
        for _ in range(2):
            now += timedelta(minutes=1)
            asked = [one for one in lived.questions() if not one.is_check]
            if not asked:
                break
            lived.answer_groups(asked[:5], now)
        if number == 40:
            acts_at_40 = lived.acts
    after = max(1, len(rides) - 40)
    print(
        f"  {home.kind} daily: {lived.acts} answers to {len(rides)} rides, {lived.slips} slips; "
        f"after the first 40 rides {100 * (lived.acts - acts_at_40) / after:.0f} answers per 100 rides"
    )
    return found


def share(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f}" if whole else "    –"


def print_table(found: Sequence[Verdict]) -> None:
    """Every household and way of use, the worst beside the pooled."""
    print("\n'settled': answered or decided, of all; the other columns are of rides that nobody answered")
    print("household way       rides settled% open decided%  right% certain: n right%  guess%  said%  lent")
    for way in dict.fromkeys(one.way for one in found):
        of_way = [one for one in found if one.way == way]
        for kind in [*dict.fromkeys(one.kind for one in of_way), "all"]:
            every = [one for one in of_way if kind in (one.kind, "all")]
            rows = [one for one in every if one.verdict != "said"]
            decided = [one for one in rows if one.decided]
            certain = [one for one in rows if one.verdict == "certain"]
            stated = [one.probability for one in decided if one.probability is not None]
            lent = [one for one in rows if one.ride.bike is None]
            columns = (
                f"{kind:9} {way:9} {len(every):5}",
                share(sum(v.verdict != "ask" for v in every), len(every)),
                f"{len(rows):5} ",
                share(len(decided), len(rows)),
                f"  {share(sum(v.right for v in decided), len(decided))}     ",
                f"{len(certain):5} {share(sum(v.right for v in certain), len(certain))}  ",
                share(sum(v.guess == v.ride.bike for v in rows), len(rows)),
                f" {100 * sum(stated) / len(stated) if stated else 0:5.1f} ",
                f"{sum(v.decided and v.said is not None for v in lent)} of {len(lent)} as ours",
            )
            print(" ".join(columns))
        print(f"          worst, {way}: {_worst(of_way)}")


def print_households(found: Sequence[Verdict]) -> None:
    """Every household on a line of its own: right of decided, and how many rides nobody answered."""
    ways = list(dict.fromkeys(one.way for one in found if one.way != "bulk 0"))
    print("\nevery household: right of decided, of so many that nobody answered")
    print(f"{'':16}" + "".join(f"{way:>18}" for way in ways))
    for kind, seed in dict.fromkeys((one.kind, one.seed) for one in found):
        cells = []
        for way in ways:
            rows = [v for v in found if (v.kind, v.seed, v.way) == (kind, seed, way) and v.verdict != "said"]
            decided = [v for v in rows if v.decided]
            cells.append(f"{sum(v.right for v in decided)} of {len(decided)}, {len(rows)}")
        print(f"{kind:9} {seed:6}" + "".join(f"{cell:>18}" for cell in cells))


def _worst(found: Sequence[Verdict]) -> str:
    homes = defaultdict(list)
    for one in found:
        if one.decided:
            homes[one.kind, one.seed].append(one.right)
    enough = {home: sum(right) / len(right) for home, right in homes.items() if len(right) >= 10}
    if not enough:
        return "no household with ten decided"
    home = min(enough, key=lambda one: enough[one])
    return f"{home[0]} {home[1]}: {sum(homes[home])} of {len(homes[home])} right, {100 * enough[home]:.1f} %"


def print_bins(found: Sequence[Verdict]) -> None:
    """Is what is stated worth what it says?"""
    print("\nstated        way      rides  stated %  true %")
    for way in ("bulk 0", "single", "group", "daily"):
        rows = [v for v in found if v.way.startswith(way) and v.decided and v.probability is not None]
        for low, high in pairwise(BINS):
            here = [v for v in rows if low <= (v.probability or 0) < high]
            if here:
                stated = 100 * sum(v.probability or 0 for v in here) / len(here)
                print(
                    f"{low:.3f}–{min(high, 1):.3f}  {way:7} {len(here):5}    {stated:5.1f}   "
                    f"{share(sum(v.right for v in here), len(here))}"
                )


def print_open(found: Sequence[Verdict]) -> None:
    """Why rides are still asked, in the program's words, and how often its first guess would be right."""
    print("\nstill asked   way        rides  first guess right %  the program's reason")
    for way in [one for one in dict.fromkeys(v.way for v in found) if one != "bulk 0"]:
        rows = [v for v in found if v.way == way and v.verdict == "ask"]
        for kind, count in Counter(_kind_of_sentence(v) for v in rows).most_common(6):
            here = [v for v in rows if _kind_of_sentence(v) == kind]
            right = share(sum(v.guess == v.ride.bike for v in here), count)
            print(f"              {way:10} {count:5}  {right}  {kind}")


def print_wrong(found: Sequence[Verdict], examples: int = 3) -> None:
    """Wrong decided rides by what the program gave as its reason, with examples."""
    wrong = [v for v in found if v.decided and not v.right]
    by_sentence: Mapping[str, list[Verdict]] = defaultdict(list)
    for one in wrong:
        by_sentence[_kind_of_sentence(one)].append(one)
    decided = Counter(_kind_of_sentence(v) for v in found if v.decided)
    print(f"\nwrong decided verdicts: {len(wrong)} (a ride counts in each way of use), by the sentence shown")
    for kind, rows in sorted(by_sentence.items(), key=lambda item: -len(item[1])):
        print(f"\n{len(rows)} wrong of {decided[kind]} decided by: {kind}")
        seen: set[tuple[str, int, int]] = set()
        for one in rows:
            if (one.kind, one.seed, one.ride.number) in seen or len(seen) == examples:
                continue
            seen.add((one.kind, one.seed, one.ride.number))
            print(
                f"  - {one.kind} seed {one.seed} ride {one.ride.number} ({one.way}; {one.ride.purpose}, "
                f"{one.ride.recorder}): was {one.ride.bike or 'a lent bike'}, "
                f"said {one.said or 'none of ours'} {one.verdict} {one.probability or 0:.3f}\n"
                f"      world: {'; '.join(one.ride.story)}\n      sensors and answers: {one.taught}\n"
                f"      said: {one.because}"
            )
            for weight, bike, sentence in _contrast(one):
                odds = "never" if weight is None else f"{weight:+.1f}"
                print(f"      {odds:>5} {bike or 'none of ours'}: {sentence}")
    print("\nwrong decided verdicts by what made the ride hard")
    of_story = Counter(what for v in wrong for what in v.ride.story)
    all_story = Counter(what for v in found if v.decided for what in v.ride.story)
    for what, count in of_story.most_common(20):
        print(f"  {count:4} of {all_story[what]:5} decided: {what}")


def _kind_of_sentence(one: Verdict) -> str:
    """The sentence of the verdict, without its numbers and names."""
    words = [word if not any(ch.isdigit() for ch in word) else "N" for word in one.because.split()]
    return " ".join("BIKE" if word.strip(".,;:").split("'")[0] in NAMES else word for word in words)


def _contrast(one: Verdict) -> list[tuple[float | None, str | None, str]]:
    """The clues that spoke loudest of what was said and of what it was."""
    about = [clue for clue in one.clues if clue[1] in (one.said, one.ride.bike)]
    return sorted(about, key=lambda clue: -(99.0 if clue[0] is None else abs(clue[0])))[:6]


def main() -> None:
    """Draw seeds, live the households, print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rides", type=int, default=180)
    parser.add_argument("--seeds", type=int, default=1, help="how many, drawn anew")
    parser.add_argument("--seed", type=int, action="append", help="a seed that was printed before")
    parser.add_argument("--kind", choices=KINDS, nargs="+", default=list(KINDS))
    parser.add_argument(
        "--daily", choices=[*KINDS, "none"], nargs="+", default=None, help="kinds lived day by day"
    )
    parser.add_argument("--steps", type=int, nargs="+", default=[20, 50])
    parser.add_argument("--slips", type=float, default=0.02, help="share of answers that are a slip")
    parser.add_argument("--at-once", type=int, default=5, help="answers that are sent in one form")
    parser.add_argument("--pickle", type=Path, help="keep every verdict here")
    asked = parser.parse_args()
    found: list[Verdict] = []
    for seed in asked.seed or [secrets.randbelow(10**6) for _ in range(asked.seeds)]:
        daily = asked.daily or [KINDS[seed % len(KINDS)]]
        print(f"seed {seed}, day by day: {', '.join(daily)}", flush=True)
        for kind in asked.kind:
            home = household(kind, seed)
            rides = list(rides_of(home, asked.rides))
            with tempfile.TemporaryDirectory() as folder:
                found += in_bulk(home, rides, Path(folder) / "bulk", asked)
                if kind in daily:
                    found += day_by_day(home, rides, Path(folder) / "daily", asked.slips)
            if asked.pickle:
                import pickle

                asked.pickle.write_bytes(pickle.dumps(found))
            print(end="", flush=True)
    print_table(found)
    print_households(found)
    print_bins(found)
    print_open(found)
    print_wrong(found)


if __name__ == "__main__":
    main()
