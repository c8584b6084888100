"""A club's page for tests: two households with chains due, people of every role, a real mail server."""

from __future__ import annotations

import re
import threading
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import uvicorn
from starlette.testclient import TestClient

from rules.commands import PutRidesOn
from rules.roles import Role
from rules.vocabulary import RiderId
from services.app import App, household_app
from services.store import Store
from services.store.club import Club, Household
from services.use_cases import memberships
from services.use_cases.record_change import record
from services.web.app import create_club_app
from services.wiring import open_app
from tests.mail_server import MailServer
from tests.put_into import into
from tests.services.store.household import ride_of
from tests.services.web.conftest import token_in

HERE = "http://127.0.0.1:8765"
PASSWORD = "four dry words here"
DAY = timedelta(days=1)
LIMITS = "[limit]\nimmersion = 4\n"  # small, so that two rides ask for the pot


@dataclass
class Evening:
    """A club, its page's application, and the clock that both go by."""

    app: App
    club: Club
    late: list[timedelta] = field(default_factory=lambda: [timedelta()])
    begun: datetime = field(default_factory=lambda: datetime.now(UTC))

    def __post_init__(self) -> None:
        self.pages = create_club_app(self.app, self.club, clock=self.clock)

    def clock(self) -> datetime:
        return self.begun + self.late[0]

    def visitor(self) -> TestClient:
        """Somebody behind the club's own proxy, from an address of this evening's own."""
        own = zlib.crc32(str(self.app.settings.home).encode())
        told = {"x-forwarded-for": f"10.{own >> 16 & 255}.{own >> 8 & 255}.{own & 255}"}
        return TestClient(
            self.pages, base_url=HERE, follow_redirects=False, client=("127.0.0.1", 50_000), headers=told
        )

    def household(self, name: str) -> Household:
        """Two riders, a bike each, and two chains that want the pot."""
        made = self.club.add(name)
        store = self.club.store(made.number)
        now = self.clock()
        with store.writing() as tx:
            riders = [into(tx).add_rider(one, f"{one.lower()}@plateau.example") for one in ("Ines", "Tomás")]
            for rider, bike, chain in zip(riders, ("Plover", "Curlew"), ("Amber", "Slate"), strict=True):
                bike_id = into(tx).add_bike(bike, rider.id).id
                chain_id = into(tx).add_chain(chain, speeds=11).id
                into(tx).fit_chain(chain_id, bike_id, now - 40 * DAY)
        for rider in riders:
            for days_ago in (3, 5):
                ride_of(
                    store,
                    rider.id,
                    (now - days_ago * DAY).replace(minute=0, second=0, microsecond=0),
                    track=b"",
                    sketch=b"",
                )
        self.settle(store)
        return made

    def settle(self, store: Store) -> None:
        """Every ride is on its rider's bike; with that, what is due is raised."""
        app = household_app(self.app, store)
        with store.reading() as tx:
            bikes = {one.owner: one.id for one in tx.garage().bikes}
            answers = tuple((one.id, bikes[one.rider]) for one in tx.rides.rides())
        record(app, PutRidesOn(answers), now=self.clock(), confirmed=True)

    def person(
        self, name: str, *roles: tuple[Household, Role, RiderId | None], email: str = ""
    ) -> TestClient:
        """Somebody who accepted these invitations, and is signed in."""
        who = self.visitor()
        address = email or f"{name.lower()}@{zlib.crc32(str(self.app.settings.home).encode()):x}.example"
        for household, role, rider in roles:
            link = self.invited(household, address, role, rider)
            answer = who.post(urlsplit(link).path, data={"name": name, "password": PASSWORD})
            assert answer.status_code == 303, answer.text
        return who

    def invited(
        self,
        household: Household,
        email: str,
        role: Role,
        rider: RiderId | None = None,
    ) -> str:
        """The link of an invitation by whoever runs the club."""
        return memberships.invite(
            self.app,
            self.club.people,
            household.number,
            household.name,
            email,
            role,
            rider,
            by=None,
            now=self.clock(),
        )

    def writes(self, household: Household) -> int:
        with self.club.store(household.number).reading() as tx:
            return tx.writes()


def sign(client: TestClient, email: str, password: str = PASSWORD, **more: str) -> int:
    """The status of a try to sign in."""
    return client.post("/sign-in", data={"email": email, "password": password}, headers=more).status_code


def token_of(client: TestClient, path: str) -> str:
    """The token of the forms on a page."""
    answer = client.get(path)
    assert answer.status_code == 200, (path, answer.status_code, answer.text[-400:])
    return token_in(answer.text)


def link_in(mail: MailServer, to: str) -> str:
    """The newest invitation's link that came to this address."""
    (*_, newest) = (one for one in mail.received if one.to == to)
    found = re.search(r"https?://\S+/invited/\S+", newest.message.get_content())
    assert found is not None
    return found[0]


@contextmanager
def evening(url: str, folder: Path, mail: MailServer | None = None, more: str = "") -> Iterator[Evening]:
    """A club at this URL with its page."""
    home = folder / "club"
    home.mkdir()
    (home / "limits.toml").write_text(LIMITS)
    channels = (
        ""
        if mail is None
        else f"""
[channels.mail]
host = "localhost"
port = {mail.port}
security = "loopback only"
sender = "gritledger <club@plateau.example>"
"""
    )
    (home / "settings.toml").write_text(
        f"database = '{url}'\nrulebook = 'limits.toml'\n[weather]\narchive = 'none'\n{channels}{more}"
    )
    from dataclasses import replace

    app = replace(open_app(home), page_url=HERE)
    with Club.open(url) as club:
        yield Evening(app, club)


@contextmanager
def served(night: Evening) -> Iterator[str]:
    """The club's page on a free port; its address."""
    config = uvicorn.Config(night.pages, host="127.0.0.1", port=0, log_level="warning", access_log=False)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    give_up = time.monotonic() + 60
    while not server.started and time.monotonic() < give_up:
        time.sleep(0.02)
    assert server.started
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)
