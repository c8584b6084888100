"""Who signs in to a club: people, what they are to which household, their sessions, and invitations."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine, Row

from rules.roles import Member, Role
from rules.vocabulary import RiderId
from services.session_lifetime import CLUB_IDLE, CLUB_LONGEST
from services.store.engine import run
from services.store.errors import FactRefused
from services.store.people_tables import NO_HOUSEHOLD, ask_for, asking
from services.store.sign_in_tries import Guesses

# Judgements; common practice, no source.
INVITATION_OVER = "This invitation was used already, taken back, or its time is over."
LARGEST_NUMBER = 2**31 - 1  # of a person
NOTED_EVERY = timedelta(hours=1)  # a session's last use, written down no oftener


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who can sign in."""

    id: int
    email: str
    name: str
    password_hash: str


@dataclass(frozen=True, slots=True)
class Membership:
    """What somebody is to a household."""

    household: int
    household_name: str
    person: int
    name: str
    email: str
    role: Role
    rider: RiderId | None

    @property
    def member(self) -> Member:
        """The same, for the rules."""
        return Member(self.name, self.role, self.rider)


@dataclass(frozen=True, slots=True)
class Visit:
    """A session in use. chosen: the household it looks at; None = none is chosen, or they left it."""

    person: Person
    memberships: tuple[Membership, ...]
    chosen: Membership | None


@dataclass(frozen=True, slots=True)
class Invitation:
    """A household's invitation to one mail address. print: how its link is remembered."""

    print: str
    household: int
    household_name: str
    email: str
    role: Role
    rider: RiderId | None
    invited_by: str
    until: datetime
    used_at: datetime | None = None
    withdrawn_at: datetime | None = None

    def stands(self, now: datetime) -> bool:
        """Whether it can still be accepted."""
        return self.used_at is None and self.withdrawn_at is None and now < self.until


def print_of(secret: str) -> str:
    """How a cookie or a link is remembered: a look into the database opens no door."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def key_of(email: str) -> str:
    """Addresses that differ by case alone are one person's."""
    return email.strip().casefold()


class People:
    """The people of a club. Threads may share one."""

    def __init__(self, engine: Engine, plain: Callable[[bool], AbstractContextManager[None]]) -> None:
        """plain: turns a database's errors into ours, while reading or writing."""
        self._engine, self._plain = engine, plain

    @property
    def guesses(self) -> Guesses:
        """Tries to sign in."""
        return Guesses(lambda: self.asking(writing=True))

    def asking(
        self, *, writing: bool, household: int = NO_HOUSEHOLD, person: int | None = None, asked: str = ""
    ) -> AbstractContextManager[Connection]:
        """A transaction that sees what is this household's, this person's, or named by what was shown."""
        return asking(
            self._engine, self._plain, writing=writing, household=household, person=person, asked=asked
        )

    def by_email(self, email: str) -> Person | None:
        """Who has this address."""
        with self.asking(writing=False, asked=key_of(email)) as connection:
            return _person(connection, "email_key = :of", key_of(email))

    def by_number(self, number: int) -> Person | None:
        """Who has this number."""
        with self.asking(writing=False, person=min(number, LARGEST_NUMBER)) as connection:
            return _person(connection, "id = :of", number)

    def renew_password(self, person: Person, password_hash: str) -> bool:
        """Another password in the place of this one, and every session ends; False = it has changed since."""
        with self.asking(writing=True, person=person.id) as connection:
            renew = "UPDATE person SET password_hash = :new WHERE id = :id AND password_hash = :old"
            old = person.password_hash
            renewed = run(connection, renew, new=password_hash, id=person.id, old=old).rowcount
            if renewed:
                run(connection, "DELETE FROM session WHERE person = :id", id=person.id)
        return bool(renewed)

    def set_password(self, person: int, password_hash: str) -> None:
        """Another password, or the same one kept by newer means."""
        with self.asking(writing=True, person=person) as connection:
            renew = "UPDATE person SET password_hash = :hash WHERE id = :id"
            run(connection, renew, hash=password_hash, id=person)

    def begin_session(self, token: str, person: int, household: int | None, now: datetime) -> None:
        """A session under a new name; sessions that are over are cleared away."""
        with self.asking(writing=True, person=person) as connection:
            over = "DELETE FROM session WHERE until <= :now OR seen_at <= :idle"
            run(connection, over, now=now, idle=now - CLUB_IDLE)
            begin = (
                "INSERT INTO session (print, person, household, begun_at, seen_at, until) "
                "VALUES (:print, :person, :household, :now, :now, :until)"
            )
            said = {"print": print_of(token), "person": person, "household": household}
            run(connection, begin, **said, now=now, until=now + CLUB_LONGEST)

    def visit(self, token: str, now: datetime) -> Visit | None:
        """Who comes with this cookie; None = nobody, or it is over."""
        with self.asking(writing=False, asked=print_of(token)) as connection:
            here = (
                "SELECT person, household, seen_at FROM session "
                "WHERE print = :print AND until > :now AND seen_at > :idle"
            )
            held = run(connection, here, print=print_of(token), now=now, idle=now - CLUB_IDLE).first()
            if held is None:
                return None
            ask_for(connection, held.person, "")
            person = _person(connection, "id = :of", held.person)
            assert person is not None
            memberships = _memberships(connection, "m.person = :id", held.person)
        if now - held.seen_at > NOTED_EVERY:
            self._note_use(token, now)
        by_number = {one.household: one for one in memberships}
        only = memberships[0] if len(memberships) == 1 else None
        return Visit(person, memberships, by_number.get(held.household, only))

    def _note_use(self, token: str, now: datetime) -> None:
        with self.asking(writing=True, asked=print_of(token)) as connection:
            used = "UPDATE session SET seen_at = :now WHERE print = :print"
            run(connection, used, now=now, print=print_of(token))

    def choose(self, token: str, household: int) -> None:
        """Which of their households this session looks at."""
        with self.asking(writing=True, asked=print_of(token)) as connection:
            chosen = "UPDATE session SET household = :household WHERE print = :print"
            run(connection, chosen, household=household, print=print_of(token))

    def end_session(self, token: str) -> None:
        """Sign out."""
        with self.asking(writing=True, asked=print_of(token)) as connection:
            run(connection, "DELETE FROM session WHERE print = :print", print=print_of(token))

    def end_every_session(self, person: int) -> int:
        """Sign out everywhere; how many there were."""
        with self.asking(writing=True, person=person) as connection:
            return run(connection, "DELETE FROM session WHERE person = :id", id=person).rowcount

    def members(self, household: int) -> tuple[Membership, ...]:
        """Who belongs to a household, by name."""
        with self.asking(writing=False, household=household) as connection:
            return _memberships(connection, "m.household = :id", household)

    def invite(self, token: str, invitation: Invitation, now: datetime) -> None:
        """Keep an invitation; one that the same address had for the household before ends."""
        with self.asking(writing=True, household=invitation.household) as connection:
            self._withdraw(connection, invitation.household, invitation.email, now)
            keep = (
                "INSERT INTO invitation (print, household, email, role, rider, invited_by, made_at, until) "
                "VALUES (:token, :household, :email, :role, :rider, :invited_by, :now, :until)"
            )
            run(connection, keep, **asdict(invitation), token=print_of(token), now=now)

    def withdraw(self, household: int, email: str, now: datetime) -> None:
        """An invitation counts no more."""
        with self.asking(writing=True, household=household) as connection:
            self._withdraw(connection, household, email, now)

    def _withdraw(self, connection: Connection, household: int, email: str, now: datetime) -> None:
        withdrawn = (
            "UPDATE invitation SET withdrawn_at = :now WHERE household = :household "
            "AND lower(email) = lower(:email) AND used_at IS NULL AND withdrawn_at IS NULL"
        )
        run(connection, withdrawn, now=now, household=household, email=email)

    def invitations(self, household: int, now: datetime) -> tuple[Invitation, ...]:
        """Those of a household that still stand."""
        with self.asking(writing=False, household=household) as connection:
            by_time = f"{_INVITED} WHERE i.household = :id ORDER BY i.made_at"
            rows = run(connection, by_time, id=household).all()
        return tuple(one for one in map(_invitation, rows) if one.stands(now))

    def invitation(self, token: str) -> Invitation | None:
        """What a link from a mail stands for. Asking changes nothing."""
        with self.asking(writing=False, asked=print_of(token)) as connection:
            row = run(connection, f"{_INVITED} WHERE i.print = :print", print=print_of(token)).first()
        return None if row is None else _invitation(row)

    def accept(
        self, token: str, now: datetime, *, person: Person | None, name: str = "", password_hash: str = ""
    ) -> int:
        """Use an invitation, once: its person, perhaps a new one, becomes a member; the person's number.

        password_hash: of a new person. Raises FactRefused when it was used, withdrawn or is over.
        """
        mark = print_of(token)
        with self.asking(writing=True, asked=mark) as connection:
            use = (
                "UPDATE invitation SET used_at = :now WHERE print = :print AND used_at IS NULL "
                "AND withdrawn_at IS NULL AND until > :now RETURNING household, email, role, rider"
            )
            row = run(connection, use, now=now, print=mark).first()
            if row is None:
                raise FactRefused(INVITATION_OVER)
            number = person.id if person is not None else None
            if number is None:
                ask_for(connection, None, key_of(row.email))
                new = (
                    "INSERT INTO person (email, email_key, name, password_hash, made_at) "
                    "VALUES (:email, :key, :name, :hash, :now) RETURNING id"
                )
                who = {"email": row.email, "key": key_of(row.email), "name": name, "hash": password_hash}
                number = run(connection, new, **who, now=now).scalar_one()
            ask_for(connection, number, "")
            member = (
                "INSERT INTO membership (household, person, role, rider, since) "
                "VALUES (:household, :person, :role, :rider, :now) ON CONFLICT DO NOTHING"
            )
            run(connection, member, **row._mapping, person=number, now=now)
        return int(number)

    def leave(self, household: int, person: int) -> None:
        """Somebody belongs to a household no more. Raises FactRefused for its last owner."""
        with self.asking(writing=True, household=household) as connection:
            go = (
                "DELETE FROM membership m WHERE m.household = :household AND m.person = :person AND "
                "(m.role <> 'owner' OR EXISTS (SELECT FROM membership o WHERE o.household = :household "
                "AND o.role = 'owner' AND o.person <> :person)) RETURNING m.person"
            )
            if run(connection, go, household=household, person=person).first() is None:
                raise FactRefused(
                    "A household needs an owner: first invite another one, then the last can go."
                )


_INVITED = "SELECT i.*, h.name AS household_name FROM invitation i JOIN household h ON h.number = i.household"


def _person(connection: Connection, where: str, of: int | str) -> Person | None:
    columns = "SELECT id, email, name, password_hash FROM person WHERE "
    row = run(connection, columns + where, of=of).first()
    return None if row is None else Person(*row)


def _memberships(connection: Connection, where: str, number: int) -> tuple[Membership, ...]:
    rows = run(
        connection,
        "SELECT m.household, h.name AS household_name, m.person, p.name, p.email, m.role, m.rider "  # noqa: S608
        "FROM membership m JOIN household h ON h.number = m.household JOIN person p ON p.id = m.person "
        f"WHERE {where} ORDER BY h.name, p.name, p.id",
        id=number,
    )
    return tuple(Membership(*(*who, Role(role), rider)) for *who, role, rider in rows)


def _invitation(row: Row[Any]) -> Invitation:
    return Invitation(
        *(row.print, row.household, row.household_name, row.email, Role(row.role), row.rider),
        *(row.invited_by, row.until, row.used_at, row.withdrawn_at),
    )
