"""How many presses does a household's riding cost that answers each month, in a real browser?

    python -m tests.benchmarks.answering one-each solo4 [--rides 140] [--seed N]

Another hand's household, its files imported month by month by the command line; then the form of questions is
filled as somebody would who knows the truth: the odd ones first, one answer for all that is left open.
Prints presses, rides, and of those that nobody spoke of how many are right; each wrong one by name.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from socket import socket

from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import Page

from tests.bike_days import ARide, rides_of
from tests.bike_households import FIRST_DAY, KINDS, AHousehold, household
from tests.services.web.browser import a_browser

MONTH_D = 30
NONE = "none of ours"
PROGRAM = (str(Path(sys.executable).with_name("gritledger")),)


class Life:
    """A ledger, what its rides truly were, and the page in a browser."""

    def __init__(self, home: AHousehold, folder: Path) -> None:
        self.home, self.folder, self.ledger = home, folder, str(folder / "ledger")
        self.truth: dict[str, ARide] = {}
        self.presses = self.by_the_rest = 0
        for rider in home.riders:
            self.say("add", "rider", rider)
        for bike in home.bikes:
            gears, (with_gears, with_wheel) = bike.setups[0][1], bike.entered
            teeth = [
                "--chainrings",
                "/".join(map(str, gears.rings)),
                "--cogs",
                "-".join(map(str, gears.cogs)),
            ]
            wheel = ["--wheel-mm", str(round(gears.wheel_m * 1000))]
            said = [*teeth * with_gears, *wheel * with_wheel, *["--indoor"] * bike.indoor]
            self.say("add", "bike", bike.name, "--owner", home.riders[bike.owner], *said)

    def say(self, *words: str) -> str:
        command = (*PROGRAM, *words, "--home", self.ledger)
        return subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout

    def rides(self) -> dict[int, dict[str, object]]:
        return {ride["ride"]: ride for ride in json.loads(self.say("rides", "--last", "9999", "--json"))}

    def import_month(self, month: int, rides: list[ARide]) -> None:
        for number, rider in enumerate(self.home.riders):
            folder = self.folder / f"month {month}" / rider
            folder.mkdir(parents=True)
            for ride in (one for one in rides if one.rider == number):
                name = f"{ride.number:04}{ride.ending}"
                (folder / name).write_bytes(ride.content)
                self.truth[name] = ride
            if any(folder.iterdir()):
                self.say("import", str(folder), "--rider", rider)

    def bike_of(self, file_name: str) -> str:
        return self.truth[Path(file_name).name].bike or NONE

    def answer(self, page: Page) -> bool:
        """Fill the form once as somebody who knows; whether anything was answered."""
        page.goto("/rides/answer")
        files = {number: str(ride["file"]) for number, ride in self.rides().items()}
        known: dict[str, tuple[str | None, str]] = {}  # field: whose, the bike
        for field in page.locator("fieldset:not([data-others])").all():
            looked_at = field.locator('a[href^="/rides/"]').evaluate_all("all => all.map((a) => a.pathname)")
            numbers = {int(path.split("/")[2]) for path in looked_at if path.split("/")[2].isdigit()}
            bikes = {self.bike_of(files[number]) for number in numbers}
            if len(bikes) == 1:
                name = field.locator("input[type=radio]").first.get_attribute("name") or ""
                known[name] = (field.get_attribute("data-rider"), bikes.pop())
        rest: dict[str | None, str] = {}
        for field in page.locator("fieldset[data-others]").all():
            rider = field.get_attribute("data-others")
            rest[rider] = Counter(bike for whose, bike in known.values() if whose == rider).most_common(1)[0][
                0
            ]
            self._press(page, f"others-{rider}", rest[rider])
        for name, (rider, bike) in known.items():
            if rider is not None and rest.get(rider) == bike:
                self.by_the_rest += 1
            else:
                self._press(page, name, bike)
        if known:
            page.get_by_role("button", name="Keep all answers").click()
        return bool(known)

    def _press(self, page: Page, field: str, bike: str) -> None:
        page.locator("label", has=page.locator(f'input[name="{field}"]')).filter(has_text=bike).click()
        self.presses += 1


def lived(kind: str, seed: int, count: int, folder: Path) -> str:
    """A household's days, month by month: what they cost in presses, and what nobody said."""
    life = Life(household(kind, seed), folder)
    months: dict[int, list[ARide]] = {}
    for ride in rides_of(life.home, count):
        months.setdefault((ride.start - FIRST_DAY).days // MONTH_D, []).append(ride)
    with socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}"
    command = (*PROGRAM, "page", "--home", life.ledger)
    with (
        subprocess.Popen(command, env=os.environ | {"GRITLEDGER_PAGE__PORT": str(port)}) as server,
        a_browser() as browser,
    ):
        try:
            page = browser.new_page(base_url=url)
            _first_look(page)
            for month in sorted(months):
                life.import_month(month, months[month])
                while life.answer(page):
                    pass
        finally:
            server.terminate()
    unsaid = [ride for ride in life.rides().values() if ride["decided_by"] not in {None, "rider"}]
    wrong = [ride for ride in unsaid if (ride["bike"] or NONE) != life.bike_of(str(ride["file"]))]
    a_year = life.presses * 365 / (MONTH_D * (max(months) + 1))
    for ride in wrong:
        print(f"  wrong: {ride['file']} said {ride['bike']}, was {life.bike_of(str(ride['file']))}")
    return (
        f"{kind} {seed}: {life.presses} presses, {a_year:.0f} a year, for {len(life.truth)} rides "
        f"({life.by_the_rest} by the answer for all left open); {len(unsaid) - len(wrong)} of {len(unsaid)} "
        "that nobody spoke of right"
    )


def _first_look(page: Page) -> None:
    """The server takes a moment to listen."""
    for _ in range(100):
        try:
            page.goto("/")
        except PlaywrightError:
            time.sleep(0.2)
        else:
            return
    raise SystemExit("the page did not come up")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("kinds", nargs="*", default=["one-each", "solo4"], choices=KINDS)
    options.add_argument("--rides", type=int, default=140)
    options.add_argument("--seed", type=int, default=random.SystemRandom().randrange(10**6))
    said = options.parse_args()
    for kind in said.kinds:
        with tempfile.TemporaryDirectory() as folder:
            print(lived(kind, said.seed, said.rides, Path(folder)), flush=True)


if __name__ == "__main__":
    main()
