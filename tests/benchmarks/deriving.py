"""How long does it take to derive everything about a big household? `python -m tests.benchmarks.deriving`"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

from rules.care_due import due
from rules.contamination import history
from rules.ledger import Ledger
from rules.outlook import outlook
from rules.rulebook import default_rulebook
from rules.vocabulary import (
    Bike,
    BikeId,
    Chain,
    ChainId,
    DriveMethod,
    Fitting,
    FittingId,
    Ride,
    RideHour,
    RideId,
    Rider,
    RiderId,
    Treatment,
    TreatmentId,
    TreatmentKind,
)
from rules.what_if import difference, with_ride_on
from tests.rules.notation import TAGS, at, clock_hours, tag

BIKES, CHAINS, RIDES, TREATMENTS, DAYS = 20, 40, 10_000, 2_000, 1_800


def household(seed: int = 1) -> Ledger:
    """Twenty bikes, two chains each in rotation, five years of three-hour rides."""
    dice, first = random.Random(seed), at("2020-01-01")
    tags = [tag(*weights) for weights in TAGS.values()]
    fittings = [
        Fitting(
            FittingId(bike * 100 + turn),
            ChainId(2 * bike - 1 + turn % 2),
            BikeId(bike),
            first + timedelta(days=45 * turn),
            first + timedelta(days=45 * (turn + 1)),
        )
        for bike in range(1, BIKES + 1)
        for turn in range(DAYS // 45)
    ]
    rides = []
    for number in range(1, RIDES + 1):
        start = first + timedelta(minutes=dice.randrange(DAYS * 24 * 60))
        hours = tuple(
            RideHour(hour, drive_s, 25_000.0, drive_s, None, None, None, 0.0, dice.choice([*tags, None]))
            for hour, drive_s in clock_hours(start, 3.0)
        )
        rides.append(
            Ride(
                *(RideId(number), RiderId(1), start, start + timedelta(hours=3), f"Ride {number}"),
                *(BikeId(dice.randint(1, BIKES)), None, 10_800.0, 10_800.0, 10_800.0, DriveMethod.CADENCE),
                *(10_800.0, 75_000.0, 0.0, False, hours),
            )
        )
    treatments = tuple(
        Treatment(
            TreatmentId(number),
            ChainId(dice.randint(1, CHAINS)),
            dice.choice(list(TreatmentKind)),
            first + timedelta(minutes=dice.randrange(DAYS * 24 * 60)),
        )
        for number in range(1, TREATMENTS + 1)
    )
    return Ledger(
        riders=(Rider(RiderId(1), "Ada"),),
        bikes=tuple(Bike(BikeId(n), f"Bike {n}", RiderId(1), 0.3) for n in range(1, BIKES + 1)),
        chains=tuple(Chain(ChainId(n), f"Chain {n}", speeds=12) for n in range(1, CHAINS + 1)),
        fittings=tuple(fittings),
        rides=tuple(rides),
        treatments=treatments,
    )


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time that this takes."""
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    """Print the table."""
    rulebook, now = default_rulebook(), at("2020-01-01") + timedelta(days=DAYS - 1)
    ledger = household()
    moved = with_ride_on(ledger, RideId(5), BikeId(3))
    rows = (
        ("order the facts of all chains", lambda: [ledger.facts_of(chain.id) for chain in ledger.chains]),
        ("derive all histories", lambda: [history(ledger, chain.id, rulebook) for chain in ledger.chains]),
        ("what is due", lambda: due(ledger, rulebook, now=now)),
        ("how far is each limit", lambda: outlook(ledger, rulebook, now=now)),
        ("preview of one corrected ride", lambda: difference(ledger, moved, rulebook, now=now)),
        ("all of it from a cold ledger: due", lambda: due(replace(ledger), rulebook, now=now)),
    )
    print(f"{RIDES} rides, {CHAINS} chains, {TREATMENTS} treatments; processor time")
    for name, work in rows:
        print(f"  {name:36} {timed(work) * 1000:8.1f} ms")


if __name__ == "__main__":
    main()
