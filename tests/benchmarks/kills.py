"""What is lost or doubled when the round is killed at any moment?

    python -m tests.benchmarks.kills --kills 300 [--seed 6]

A household rides every day, mostly in the wet. Each day's FIT files are dropped and three rounds are started,
each in a process of its own; SIGKILL ends most of them at a random moment, and every tenth may finish. Files
are read, weather is tagged, reminders raised; mail goes over TLS to a real server, bubbles to a real session
bus. In the end the rounds finish in peace, and everything is compared with a household that was never killed.
With GRITLEDGER_CORPUS set, its real files are among those dropped. Linux only.
"""

from __future__ import annotations

import argparse
import logging
import os
import random
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from rules.contamination import history
from rules.reminder import Step
from services.app import App
from services.heartbeat import last_look
from services.running.round import one_round
from services.store.bookkeeping import LAST_ROUND
from services.wiring import open_app
from tests.mail_server import Answer, MailServer, mail_server
from tests.notification_daemon import Desktop, desktop
from tests.wet_household import FIRST_DAY, ROUND_AT, care, drop, household

FINISH_EVERY = 10


@dataclass
class Tally:
    """What was done to the household, and where the kills fell."""

    kills: int = 0
    finished: int = 0
    moments: Counter[str] = field(default_factory=Counter)


def nursery(home: Path) -> None:
    """Starts rounds as forks of itself, so that no kill is spent on loading modules, and kills them in time.

    Reads "the round's time, seconds to live"; answers "exit status, seconds lived".
    """
    for line in sys.stdin:
        now, lives_s = line.split()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                one_round(open_app(home), now=datetime.fromisoformat(now))
                status = 0
            finally:
                os._exit(status)
        begun = time.monotonic()
        handle = os.pidfd_open(child)
        ended, _, _ = select.select([handle], [], [], float(lives_s))
        if not ended:
            signal.pidfd_send_signal(handle, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        os.close(handle)
        print(os.waitstatus_to_exitcode(status), time.monotonic() - begun, flush=True)


def moment_of(shop: App, mail: MailServer, now: datetime, rides_by_now: int) -> str:
    """How far had the round come when it was killed?"""
    with shop.store.reading() as tx:
        waiting = tx.outbox.waiting()
        if last_look(shop.settings.home, tx.notes.written_at(LAST_ROUND)) == now:
            return "7 after everything"
        under_way = {p.letter.message_id for p in waiting if p.leased_until and p.leased_until > now}
        if under_way & {r.message_id for r in mail.received}:
            return "6 the server had the mail, we had not yet written so"
        if under_way:
            return "5 while a letter was on its way"
        if any(p.letter.queued_at == now for p in waiting):
            return "4 letters queued, none under way"
        rides = tx.rides.rides()
        if sum(r.started_at >= FIRST_DAY for r in rides) < rides_by_now:
            return "1 before the day's rides were stored"
        if any(h.tag is None for r in rides if r.started_at >= FIRST_DAY for h in r.hours):
            return "2 rides stored, not all tagged"
        return "3 tagged; before judging, or nothing to tell"


def kill_rounds(
    home: Path, shop: App, mail: MailServer, kills: int, chance: random.Random, corpus: list[Path]
) -> tuple[Tally, int]:
    """Days of riding until so many rounds were killed; returns what was done and the days it took."""
    tally, rides, day, usual_s = Tally(), 0, 0, 1.0
    starter = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.kills", "--nursery", str(home)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert starter.stdin is not None
    assert starter.stdout is not None
    while tally.kills < kills:
        care(shop, day)
        rides += drop(home / "rides", day, corpus, chance)
        for minutes in (0, 20, 40):
            now = FIRST_DAY + timedelta(days=day, minutes=minutes) + ROUND_AT
            lives_s = 600.0 if (3 * day + minutes // 20) % FINISH_EVERY == 0 else chance.uniform(0.0, usual_s)
            starter.stdin.write(f"{now.isoformat()} {lives_s}\n")
            starter.stdin.flush()
            answer = starter.stdout.readline().split()
            status, lived_s = int(answer[0]), float(answer[1])
            if status == -signal.SIGKILL:
                tally.kills += 1
                tally.moments[moment_of(shop, mail, now, rides)] += 1
            elif status == 0:
                tally.finished += 1
                if minutes == 0:
                    usual_s = 0.7 * usual_s + 0.3 * lived_s
            else:
                raise RuntimeError(f"the round of day {day} failed by itself: status {status}")
        day += 1
        if day % 50 == 0:
            print(f"  day {day}: {tally.kills} kills, a round takes {usual_s:.2f} s", file=sys.stderr)
    starter.stdin.close()
    starter.wait()
    return tally, day


def settle(shop: App, after: datetime) -> datetime:
    """Rounds in peace until nothing waits; returns when."""
    now = after
    for _ in range(30):
        now += timedelta(minutes=20)
        if one_round(shop, now=now).delivery.waiting == 0:
            return now
    raise RuntimeError("letters still wait after thirty rounds in peace")


def compare(shop: App, calm: App, mail: MailServer, bubbles: Desktop) -> list[tuple[str, object, bool]]:
    """(what, how many, is it as it must be)"""
    rows: list[tuple[str, object, bool]] = []
    with shop.store.reading() as tx, calm.store.reading() as calm_tx:
        ledger, calm_ledger = tx.ledger(), calm_tx.ledger()
        ours = Counter((r.started_at, r.file_name) for r in ledger.rides)
        theirs = Counter((r.started_at, r.file_name) for r in calm_ledger.rides)
        starts, calm_starts = (Counter(s for s, _ in c.elements()) for c in (ours, theirs))
        rows.append(("rides of the calm household", sum(calm_starts.values()), True))
        rows.append(("rides lost", sum((calm_starts - starts).values()), starts >= calm_starts))
        for start in calm_starts - starts:
            print("lost:", [(r.started_at, r.file_name) for r in calm_ledger.rides if r.started_at == start])
        rows.append(("rides doubled", sum((starts - calm_starts).values()), starts <= calm_starts))
        for chain in ledger.chains:
            lives = [history(facts, chain.id, shop.rulebook).over_life for facts in (ledger, calm_ledger)]
            hours = [(life.drive_h, life.grit_h) for life in lives]
            same = np.allclose(hours[0], hours[1])
            rows.append(
                (f"{chain.name}: drive hours, grit-hours", tuple(round(h, 2) for h in hours[0]), same)
            )

        every, standing = tx.reminders.all_(), tx.reminders.standing()
        due_now = {(r.reminder.kind, r.reminder.chain, r.reminder.cause_at) for r in standing}
        due_calm = {
            (r.reminder.kind, r.reminder.chain, r.reminder.cause_at) for r in calm_tx.reminders.standing()
        }
        rows.append(("reminders raised", len(every), len(every) > 0))
        rows.append(("standing reminders missing or too many", len(due_now ^ due_calm), due_now == due_calm))
        untold = [r.id for r in standing if not any(s.step is Step.TOLD for s in r.steps)]
        rows.append(("standing reminders nobody was told of", len(untold), not untold))
        doubled = Counter(r.reminder.key for r in every if r.is_open)
        rows.append(
            (
                "causes with two open reminders",
                sum(n > 1 for n in doubled.values()),
                max(doubled.values(), default=0) < 2,
            )
        )

        sent, waiting, refused = tx.outbox.sent(), tx.outbox.waiting(), tx.outbox.refused()
        by_mail = {p.letter.message_id: p.letter for p in sent if p.letter.channel == "email"}
        received = Counter(r.message_id for r in mail.received)
        known = {p.letter.message_id for r in every for p in tx.outbox.about(r.id)} | set(by_mail)
        rows.append(("letters delivered (mail and desktop)", len(sent), True))
        rows.append(("letters waiting or refused", len(waiting) + len(refused), not waiting and not refused))
        lost = set(by_mail) - set(received)
        rows.append(("mails marked delivered that never arrived", len(lost), not lost))
        strange = set(received) - known
        rows.append(("mails under a Message-ID that is not in the outbox", len(strange), not strange))
        repeats = sum(received.values()) - len(received)
        rows.append(("mails repeated, under the same Message-ID", repeats, True))
        contents: dict[str, set[bytes]] = {}
        for one in mail.received:
            contents.setdefault(one.message_id, set()).add(one.content)
        unlike = sum(len(c) > 1 for c in contents.values())
        rows.append(("repeats that differ in a byte", unlike, unlike == 0))
        news = Counter(
            (p.letter.channel, r.id, _news_before(r.steps, p.letter.queued_at))
            for r in every
            for p in tx.outbox.about(r.id)
        )
        twice = sum(n > 1 for n in news.values())
        rows.append(("same news of a reminder in two different letters", twice, twice == 0))
        by_desktop = sum(p.letter.channel == "desktop" for p in sent)
        rows.append(
            (
                "bubbles shown / letters by desktop",
                f"{len(bubbles.shown)} / {by_desktop}",
                len(bubbles.shown) >= by_desktop,
            )
        )
    faults = shop.store.faults()
    rows.append(("faults the database finds in itself", len(faults), not faults))
    return rows


def _news_before(steps: tuple, queued_at: datetime | None) -> datetime:  # type: ignore[type-arg]
    return max(
        s.at
        for s in steps
        if s.step in (Step.RAISED, Step.WORSE) and (queued_at is None or s.at <= queued_at)
    )


def main() -> int:
    """Run it, print the table, and say by the exit status whether all is as it must be."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=300)
    options.add_argument("--seed", type=int, default=6)
    options.add_argument("--nursery", type=Path)
    chosen = options.parse_args()
    if chosen.nursery:
        nursery(chosen.nursery)
        return 0
    folder = os.environ.get("GRITLEDGER_CORPUS")
    corpus = sorted(p for p in Path(folder).rglob("*") if p.suffix in (".fit", ".gpx")) if folder else []
    given = len(corpus)
    logging.getLogger("mail.log").setLevel(logging.CRITICAL)  # it tells of every connection that was cut
    chance = random.Random(chosen.seed)
    with (
        tempfile.TemporaryDirectory() as scratch,
        mail_server(folder=Path(scratch), script=lambda _to, _attempt: Answer(slow_s=0.1)) as mail,
        desktop() as bubbles,
    ):
        days = chosen.kills * 2
        shop = household(Path(scratch) / "killed", days, mail, with_desktop=True)
        tally, day = kill_rounds(Path(scratch) / "killed", shop, mail, chosen.kills, chance, corpus)
        end = settle(shop, FIRST_DAY + timedelta(days=day - 1) + ROUND_AT)

        calm = household(Path(scratch) / "calm", days, None)
        for name in sorted(p.name for p in (Path(scratch) / "killed" / "rides").iterdir()):
            shutil.copy2(Path(scratch) / "killed" / "rides" / name, Path(scratch) / "calm" / "rides" / name)
        for one in range(day):
            care(calm, one)
        one_round(calm, now=end)
        rows = compare(shop, calm, mail, bubbles)
        used = given - len(corpus)

    print(f"{tally.kills} kills, {tally.finished} rounds that finished, {day} days, {used} real files")
    for moment, count in sorted(tally.moments.items()):
        print(f"  killed {moment[2:]:<55}{count:>6}")
    for what, count, fine in rows:
        print(f"{'' if fine else 'WRONG '}{what:<57}{count!s:>12}")
    return 0 if all(fine for _, _, fine in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
