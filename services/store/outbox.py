"""The outbox: letters wait, are leased for one attempt at a time, and end delivered, refused or cancelled.

At least once, never silently lost: a lease that is not answered runs out and the letter is tried again,
with the Message-ID it was queued with.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select

from rules.reminder import ASKED_AHEAD, ReminderStep, Step
from rules.vocabulary import ReminderId, RiderId
from services.queued_letter import Letter
from services.store.errors import FactRefused
from services.store.job_queue import Job, later
from services.store.reminders import add_step
from services.store.repository import Repository
from services.store.rows_of_facts import Shape
from services.store.tables_reminders import answered_link, letter, letter_reminder, reminder


@dataclass(frozen=True, slots=True)
class Posted:
    """A letter and what became of it so far. last_why: the words of its last failure or cancelling."""

    letter: Letter
    last_why: str = ""
    leased_until: datetime | None = None
    delivered_at: datetime | None = None
    refused_at: datetime | None = None
    cancelled_at: datetime | None = None


_LETTER = Shape(Letter, letter, called={"to": "addressed_to"}, beside=("reminders",))
_POSTED = Shape(Posted, letter, beside=("letter",))
LONGEST_WAIT = timedelta(hours=25)  # between two tries, with room: see deliver_letters


class Outbox(Repository):
    """Letters on their way."""

    def queue(self, new: Letter, *, at: datetime) -> Letter:
        """Put a letter in the outbox; returns it with its id. A Message-ID already here is not queued twice.

        The given id is ignored; queued_at becomes `at`; not_before None = at once. Raises FactRefused.
        """
        known = self._posted(letter.c.message_id == new.message_id)
        if known:
            return known[0].letter
        kept = replace(new, queued_at=at, not_before=new.not_before or at)
        letter_id = self._insert(letter, **_LETTER.values(kept), **_POSTED.values(Posted(kept)))
        self._insert_many(
            letter_reminder, [{"letter": letter_id, "reminder": one} for one in dict.fromkeys(new.reminders)]
        )
        later(self._connection, Job.DELIVER)
        return replace(kept, id=letter_id)

    def lease(self, now: datetime, lease_s: float, limit: int = 10) -> list[Letter]:
        """Letters that are due, for this process alone until the lease runs out; the longest waiting first.

        A wait or a lease longer than any that is given came from a clock that was wrong: it is over.

        Each counts as attempted from here on: the attempt that ends a process is an attempt too. The letter
        still says how many came before.
        """
        due = _due(now)
        leased = []
        for posted in self._posted(due, limit=limit):
            taken = self._connection.execute(
                letter.update()
                .where(letter.c.id == posted.letter.id, due)
                .values(leased_until=now + timedelta(seconds=lease_s), attempts=letter.c.attempts + 1)
            )
            if taken.rowcount == 1:
                leased.append(posted.letter)
        return leased

    def anything_due(self, now: datetime) -> bool:
        """Whether `lease` would give a letter."""
        return self._connection.scalar(select(letter.c.id).where(_due(now)).limit(1)) is not None

    def counts(self) -> tuple[int, int]:
        """How many letters wait, and how many stand refused."""
        conditions = (_WAITING, _IS_REFUSED)
        waiting, refused = (
            self._connection.scalar(select(func.count()).select_from(letter).where(one)) or 0
            for one in conditions
        )
        return waiting, refused

    def delivered(self, letter_id: int, at: datetime) -> None:
        """The channel took it: its reminders are told, in this transaction. A second call changes nothing."""
        row = self._row(letter, letter_id, "letter")
        done = self._connection.execute(
            letter.update()
            .where(letter.c.id == letter_id, letter.c.delivered_at.is_(None))
            .values(delivered_at=at, leased_until=None, refused_at=None, last_why="")
        )
        if done.rowcount == 1:
            posted = self.get(letter_id).letter
            asking = self._asking_ahead(posted)
            for one in posted.reminders:
                why = ASKED_AHEAD if one in asking else ""
                add_step(self, one, ReminderStep(Step.TOLD, at, row.channel, why))

    def _asking_ahead(self, posted: Letter) -> frozenset[ReminderId]:
        """Whose words about the wet evenings to come this letter says: silence on those rests on it."""
        if ASKED_AHEAD not in " ".join(posted.text.split()):
            return frozenset()
        query = select(reminder.c.id, reminder.c.sentence).where(reminder.c.id.in_(posted.reminders))
        return frozenset(ReminderId(row.id) for row in self._all(query) if ASKED_AHEAD in row.sentence)

    def failed(
        self, letter_id: int, at: datetime, why: str, permanent: bool, next_try_at: datetime | None = None
    ) -> None:
        """The channel did not take it. permanent: shown and not repeated; else tried again at next_try_at."""
        self._row(letter, letter_id, "letter")
        values: dict[str, Any] = {"leased_until": None, "last_why": why}
        if permanent:
            values["refused_at"] = at
        else:
            values["not_before"] = at if next_try_at is None else next_try_at
        self._connection.execute(letter.update().where(letter.c.id == letter_id, _WAITING).values(values))

    def cancel(self, letter_id: int, at: datetime, why: str) -> bool:
        """Do not send it: what it says is no longer so. False = too late, it is sent or being sent."""
        self._row(letter, letter_id, "letter")
        idle = or_(letter.c.leased_until.is_(None), letter.c.leased_until <= at)
        done = self._connection.execute(
            letter.update()
            .where(letter.c.id == letter_id, _WAITING, idle)
            .values(cancelled_at=at, last_why=why, leased_until=None)
        )
        return done.rowcount == 1

    def try_again(self, letter_id: int, at: datetime) -> None:
        """Take a refused letter up again, once its cause is mended. Raises NotFound, FactRefused."""
        if self._row(letter, letter_id, "letter").refused_at is None:
            raise FactRefused(f"Letter {letter_id} was not refused.")
        self._update(letter, letter_id, refused_at=None, not_before=at)

    def hurry(self, channel: str, at: datetime) -> None:
        """What waits for this channel's next try is tried from then on."""
        waits = letter.c.channel == channel
        self._connection.execute(letter.update().where(waits, _WAITING).values(not_before=at))

    def get(self, letter_id: int) -> Posted:
        """The letter of that number and what became of it. Raises NotFound."""
        return self._only(self._posted(letter.c.id == letter_id), letter, letter_id, "letter")

    def waiting(self) -> tuple[Posted, ...]:
        """Letters neither delivered, refused nor cancelled, the longest waiting first."""
        return self._posted(_WAITING)

    def refused(self) -> tuple[Posted, ...]:
        """Letters that a channel refused for good, with its words."""
        return self._posted(_IS_REFUSED)

    def sent(self, limit: int | None = None) -> tuple[Posted, ...]:
        """Letters that were delivered, newest first."""
        return self._posted(letter.c.delivered_at.is_not(None), limit=limit, newest_first=True)

    def told_since(self, rider: RiderId, since: datetime) -> int:
        """How many messages of reminders did this rider get, or have on the way? However many channels.

        The weekly outlook is none of them, whatever it tells: it is due only when it is queued.
        """
        moments = (
            select(letter.c.queued_at)
            .where(
                letter.c.rider == rider,
                letter.c.queued_at > since,
                letter.c.due_at < letter.c.queued_at,
                letter.c.refused_at.is_(None),
                letter.c.cancelled_at.is_(None),
                letter.c.id.in_(select(letter_reminder.c.letter)),
            )
            .distinct()
        )
        return len(self._all(moments))

    def about(self, reminder_id: ReminderId) -> tuple[Posted, ...]:
        """Every letter that speaks of this reminder."""
        letters = select(letter_reminder.c.letter).where(letter_reminder.c.reminder == reminder_id)
        return self._posted(letter.c.id.in_(letters))

    def link_used_at(self, mark: str) -> datetime | None:
        """When this link of a mail was used; None = never."""
        found: datetime | None = self._connection.scalar(
            select(answered_link.c.used_at).where(answered_link.c.mark == mark)
        )
        return found

    def use_link(self, mark: str, at: datetime) -> None:
        """A link of a mail answers once: now. Raises FactRefused if it did before."""
        if self.link_used_at(mark) is not None:
            raise FactRefused("This link has answered already, and answers once. Nothing more was written.")
        self._connection.execute(answered_link.insert().values(mark=mark, used_at=at))

    def _posted(
        self, condition: ColumnElement[bool], *, limit: int | None = None, newest_first: bool = False
    ) -> tuple[Posted, ...]:
        order = letter.c.delivered_at.desc() if newest_first else letter.c.not_before
        columns = (*_LETTER.columns, *_POSTED.columns)
        rows = self._all(select(*columns).where(condition).order_by(order, letter.c.id).limit(limit))
        size = len(_LETTER.columns)
        told: dict[int, list[ReminderId]] = {}
        query = select(letter_reminder).where(
            letter_reminder.c.letter.in_(select(letter.c.id).where(condition))
        )
        for link in self._all(query.order_by(letter_reminder.c.reminder)):
            told.setdefault(link.letter, []).append(ReminderId(link.reminder))
        return tuple(
            _POSTED.of(row[size:], letter=_LETTER.of(row[:size], reminders=tuple(told.get(row.id, ()))))
            for row in rows
        )


_WAITING = and_(
    letter.c.delivered_at.is_(None), letter.c.refused_at.is_(None), letter.c.cancelled_at.is_(None)
)
_IS_REFUSED = letter.c.refused_at.is_not(None)


def _due(now: datetime) -> ColumnElement[bool]:
    return and_(
        _WAITING,
        or_(letter.c.not_before <= now, letter.c.not_before > now + LONGEST_WAIT),
        or_(
            letter.c.leased_until.is_(None),
            letter.c.leased_until <= now,
            letter.c.leased_until > now + LONGEST_WAIT,
        ),
    )
