"""How long a wax night takes to plan, by chains, and the year another way, by bikes.

python -m tests.benchmarks.wax_night
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import timedelta

from rules.rulebook import default_rulebook
from rules.vocabulary import Supply, SupplyId, SupplyKind
from rules.wax_night import plan
from rules.year.another_way import another_way
from tests.rules.notation import at, ledger_of

NOW = at("2025-06-30")


def household(chains: int) -> str:
    """So many dirty chains, each on a bike of its own, and half as many again clean on the shelf."""
    lines = []
    for number in range(chains):
        lines += [
            f"2025-04-01  immersed  Chain{number}",
            f"2025-04-02  fitted    Chain{number}  on Bike{number}",
            *(
                f"{NOW - timedelta(days=day):%Y-%m-%d} 06:00  rode  {1 + number % 3} h  on Bike{number}  dry"
                for day in range(2, 40, 2)
            ),
        ]
    for number in range(chains // 2):
        lines += [
            f"2025-03-01  fitted    Spare{number}  on Bike{number}",
            f"2025-03-02  removed   Spare{number}",
            f"2025-03-03  immersed  Spare{number}",
        ]
    return "\n".join(lines)


def year(bikes: int) -> str:
    """A year of two rides in three days on each of so many bikes, dry, dusty and wet."""
    lines = []
    for number in range(bikes):
        lines += [
            f"2024-06-01  fitted    Chain{number}  on Bike{number}",
            f"2024-06-02  immersed  Chain{number}",
            *(
                f"{NOW - timedelta(days=day):%Y-%m-%d} 06:00  rode  {1 + day % 3} h  on Bike{number}  "
                f"{('dry', 'dusty', 'wet')[day % 7 % 3]}"
                for day in range(2, 365)
                if day % 3
            ),
        ]
    return "\n".join(lines)


def main() -> None:
    """Milliseconds of processor time, the best of five, the first look at a ledger and a later one."""
    print("chains for the pot   first [ms]   again [ms]")
    for chains in (5, 15, 30):
        shelf = (Supply(SupplyId(1), SupplyKind.SOLVENT, 1000.0, at("2025-03-01")),)
        first, again = [], []
        for _ in range(5):
            ledger = replace(ledger_of(household(chains)), supplies=shelf)
            for taken in (first, again):
                begun = time.process_time()
                plan(ledger, BOOK, now=NOW)
                taken.append(1000.0 * (time.process_time() - begun))
        print(f"{chains:18} {min(first):12.0f} {min(again):12.0f}")
    print("bikes, year of ways  first [ms]   again [ms]")
    for bikes in (1, 5):
        first, again = [], []
        for _ in range(5):
            ledger = ledger_of(year(bikes))
            for taken in (first, again):
                begun = time.process_time()
                (ways, *_) = another_way(ledger, BOOK, now=NOW)
                taken.append(1000.0 * (time.process_time() - begun))
        print(f"{bikes:6} x {1 + len(ways.others):2} ways   {min(first):12.0f} {min(again):12.0f}")


BOOK = default_rulebook()

if __name__ == "__main__":
    main()
