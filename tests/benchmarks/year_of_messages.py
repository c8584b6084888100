"""How often does each rider hear from it in a year, and how soon after the cause?

    python -m tests.benchmarks.year_of_messages [--days 365]

The invented household's last year is lived again: each ride's file is dropped ten minutes after it ended,
care is logged when it was done, bikes are told two days after they could not be judged, and a round is made
after each of these and at 07:05, 12:00, 18:00 and 22:00 on the plateau. Mail goes to a folder.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from fixtures.household.build import build
from fixtures.household.scenario import TIME_ZONE, Household
from rules.reminder import RaisedReminder, Step
from rules.vocabulary import DecidedBy, Reading, Treatment
from services.app import App
from services.running.demo import SETTINGS, gear_of
from services.running.round import one_round
from services.settings import SETTINGS_FILE
from services.store import Posted
from services.use_cases.record_change import copied_in
from services.wiring import open_app
from tests.put_into import into

DROPPED_AFTER = timedelta(minutes=10)
TOLD_AFTER = timedelta(days=2)
ROUNDS_AT = ((7, 5), (12, 0), (18, 0), (22, 0))
Deed = Callable[[], None]


def deeds(
    shop: App, household: Household, invented: Path, since: datetime
) -> Iterator[tuple[datetime, Deed]]:
    """What happens, and when: files dropped, bikes told, chains cared for; what was before, at the start."""
    rides = shop.settings.home / "rides"

    def drop(name: str) -> Deed:
        def deed() -> None:
            (rides / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(invented / "rides" / name, rides / name)

        return deed

    def tell(name: str, bike: str, at: datetime) -> Deed:
        def deed() -> None:
            with shop.store.writing() as tx:
                ride = next(
                    (f.ride for f in tx.files.outcomes() if f.name.startswith(str(rides / name))), None
                )
                if ride is not None:
                    tx.rides.record(
                        ride,
                        tx.equipment.find_bike(bike).id,
                        decided_by=DecidedBy.RIDER,
                        at=at,
                        by="a rider",
                    )

        return deed

    def treat(fact: Treatment) -> Deed:
        def deed() -> None:
            with shop.store.writing() as tx:
                into(tx).log_treatment(
                    fact.chain, fact.kind, fact.done_at, minutes=fact.minutes, cost=fact.cost
                )

        return deed

    def measure(fact: Reading) -> Deed:
        def deed() -> None:
            seen = {"over_pct": fact.over_pct, "under_pct": fact.under_pct, "exact_pct": fact.exact_pct}
            with shop.store.writing() as tx:
                into(tx).log_reading(fact.chain, fact.tool, fact.taken_at, **seen)

        return deed

    ended = {truth.file: truth.ended_at for truth in household.truth}
    for truth in household.truth:
        yield max(since, truth.ended_at + DROPPED_AFTER), drop(truth.file)
    for word in household.bike_words:
        at = max(since + timedelta(minutes=1), ended[word.file] + TOLD_AFTER)
        yield at, tell(word.file, word.bike, at)
    for treatment in household.treatments:
        yield max(since, treatment.done_at), treat(treatment)
    for reading in household.readings:
        yield max(since, reading.taken_at), measure(reading)


def live(shop: App, household: Household, invented: Path, since: datetime, until: datetime) -> list[datetime]:
    """Live the year again; returns the moments of its rounds."""
    zone = ZoneInfo(TIME_ZONE)
    happenings: dict[datetime, list[Deed]] = defaultdict(list)
    for at, deed in deeds(shop, household, invented, since):
        happenings[at].append(deed)
    day = since.astimezone(zone).date()
    while day <= until.astimezone(zone).date():
        for hour, minute in ROUNDS_AT:
            happenings[
                datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).astimezone(UTC)
            ] += []
        day += timedelta(days=1)
    rounds = []
    begun = time.monotonic()
    for at in sorted(moment for moment in happenings if since <= moment <= until):
        for deed in happenings[at]:
            deed()
        one_round(shop, now=at)
        rounds.append(at)
        if len(rounds) % 200 == 0:
            print(f"  {at:%Y-%m-%d}: {len(rounds)} rounds, {time.monotonic() - begun:.0f} s", file=sys.stderr)
    return rounds


def soon(raised: RaisedReminder, rounds: list[datetime]) -> int:
    """How many rounds late was it raised? 0 = on the first after its cause could be known."""
    known_at = raised.reminder.cause_at + DROPPED_AFTER
    return bisect_left(rounds, raised.steps[0].at) - bisect_left(rounds, known_at)


def heard(name: str, own: list[Posted], since: datetime, weeks: int) -> str:
    """What one rider got, by the week."""
    own = [p for p in own if p.delivered_at and p.delivered_at > since]
    told = Counter(f"{p.delivered_at:%G-%V}" for p in own if p.letter.reminders)
    counts = [*told.values(), *[0] * max(0, weeks - len(told))]
    return (
        f"{name}: {sum(told.values())} messages to act on, {len(own) - sum(told.values())} outlooks; "
        f"a week brought {statistics.mean(counts):.1f} on average, {max(counts)} at most, none in "
        f"{counts.count(0)} of {len(counts)} weeks"
    )


def main() -> int:
    """Live a year and print what riders heard."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=365)
    days = options.parse_args().days
    today = date(2026, 6, 15)
    until = datetime(today.year, today.month, today.day, 5, tzinfo=UTC)
    since = until - timedelta(days=days)
    with tempfile.TemporaryDirectory() as scratch:
        invented, home = Path(scratch) / "invented", Path(scratch) / "home"
        household = build(invented, today=today)
        (home / "rides").mkdir(parents=True)
        shutil.copyfile(invented / "weather.csv", home / "weather.csv")
        (home / SETTINGS_FILE).write_text(SETTINGS)
        shop = open_app(home)
        with shop.store.writing() as tx:
            copied_in(tx, shop, gear_of(household), now=until)
        rounds = live(shop, household, invented, since, until)
        with shop.store.reading() as tx:
            riders = {rider.id: rider.name for rider in tx.equipment.riders()}
            sent = [p for p in tx.outbox.sent() if p.letter.channel == "mail folder" and p.delivered_at]
            every = [r for r in tx.reminders.all_() if r.steps[0].at > rounds[0] + timedelta(days=1)]
            waiting, refused = len(tx.outbox.waiting()), len(tx.outbox.refused())

    print(
        f"{len(rounds)} rounds in {days} days; {len(every)} reminders raised; "
        f"{waiting} letters wait, {refused} were refused"
    )
    for rider, name in riders.items():
        print(
            heard(
                name, [p for p in sent if p.letter.rider == rider], rounds[0] + timedelta(days=1), days // 7
            )
        )
    steps = Counter(step.step.value for r in every for step in r.steps)
    print("steps:", ", ".join(f"{count} {step}" for step, count in steps.most_common()))
    late = sorted(((soon(r, rounds), r) for r in every), key=lambda pair: -pair[0])
    print(f"raised on the first round after the cause: {sum(n <= 0 for n, _ in late)} of {len(late)}")
    for rounds_late, r in late[:12]:
        if rounds_late > 0:
            cause, raised = r.reminder.cause_at, r.steps[0].at
            print(
                f"  {rounds_late} rounds later: {r.reminder.headline}, {cause:%Y-%m-%d %H:%M}, "
                f"{raised:%Y-%m-%d %H:%M}"
            )
    told = [(r, next((s.at for s in r.steps if s.step is Step.TOLD), None)) for r in every]
    hours = [(at - r.steps[0].at) / timedelta(hours=1) for r, at in told if at]
    print(
        f"told: {sum(h < 0.1 for h in hours)} at once, {sum(h >= 0.1 for h in hours)} after quiet hours, "
        f"{max(hours, default=0):.1f} h later at most; {sum(at is None for _, at in told)} never, "
        f"{sum(at is None and not r.is_open for r, at in told)} of them closed before anybody could be told"
    )
    return 0 if waiting == refused == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
