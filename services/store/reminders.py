"""Reminders: what was due, its trace line by line, and every dated step since."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, TextClause, and_, func, or_, select, true

from rules.reminder import ASKED_AHEAD, RaisedReminder, Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import ChainId, Condition, ReminderId, RiderId
from services.store.repository import Repository
from services.store.rows_of_facts import Shape, words_of
from services.store.tables_reminders import IS_OPEN, reminder, reminder_reason, reminder_step

_OPENS = frozenset({Step.RAISED, Step.WORSE, Step.PUT_OFF})
_REMINDER = Shape(
    Reminder,
    reminder,
    called={"key": "cause_key", "limit": "limit_value"},
    beside=("reasons",),
    kind=words_of(ReminderKind),
)
_REASON = Shape(
    Reason, reminder_reason, called={"condition": "condition_word"}, condition=words_of(Condition)
)
_STEP = Shape(
    ReminderStep, reminder_step, called={"by": "made_by", "until": "put_off_until"}, step=words_of(Step)
)


class Reminders(Repository):
    """Raised reminders. One cause has at most one that is open."""

    def raise_(self, due: Reminder, at: datetime, by: str, why: str = "") -> RaisedReminder:
        """Keep that something is due. If its cause has an open reminder, that one is returned as it is.

        Queue its letters in the same transaction: then it is raised if and only if it is queued.
        """
        standing = self._load((reminder.c.cause_key == due.key) & reminder.c.is_open)
        if standing:
            return standing[0]
        reminder_id = ReminderId(self._insert(reminder, is_open=True, **_REMINDER.values(due)))
        self._add_reasons(reminder_id, due.reasons)
        self.add_step(reminder_id, ReminderStep(Step.RAISED, at, by, why))
        return self.get(reminder_id)

    def add_step(self, reminder_id: ReminderId, step: ReminderStep) -> RaisedReminder:
        """Something happened to a reminder. Raises NotFound; FactRefused for a second open one of a cause."""
        self._row(reminder, reminder_id, "reminder")
        add_step(self, reminder_id, step)
        if step.step is not Step.TOLD:
            self._update(reminder, reminder_id, is_open=step.step in _OPENS)
        return self.get(reminder_id)

    def refresh(self, reminder_id: ReminderId, due: Reminder) -> RaisedReminder:
        """Bring a reminder's total and trace up to what was judged now; its steps stay. Raises NotFound."""
        kept = self.get(reminder_id)
        if kept.reminder == due:
            return kept
        self._update(reminder, reminder_id, **_REMINDER.values(due))
        if kept.reminder.reasons != due.reasons:
            self._connection.execute(
                reminder_reason.delete().where(reminder_reason.c.reminder == reminder_id)
            )
            self._add_reasons(reminder_id, due.reasons)
        return self.get(reminder_id)

    def get(self, reminder_id: ReminderId) -> RaisedReminder:
        """The reminder of that number. Raises NotFound."""
        return self._only(self._load(reminder.c.id == reminder_id), reminder, reminder_id, "reminder")

    def standing(self) -> tuple[RaisedReminder, ...]:
        """Reminders for which hands are still wanted, put off ones too, in the order they were raised."""
        return self._load(IS_OPEN)

    def all_(self) -> tuple[RaisedReminder, ...]:
        """Every reminder ever raised, in order."""
        return self._load(true())

    def page(
        self, *, text: str = "", state: str = "", limit: int, offset: int = 0
    ) -> tuple[tuple[RaisedReminder, ...], int]:
        """The newest reminders ever raised, and how many there are. text: of the headline.  state: now."""
        said = reminder.c.headline.icontains(text, autoescape=True) if text else true()
        if state:
            steps = (reminder_step.c.reminder == reminder.c.id, reminder_step.c.step != Step.TOLD.value)
            last = select(reminder_step.c.step).where(*steps).order_by(reminder_step.c.id.desc()).limit(1)
            said = and_(said, last.scalar_subquery() == state)
        count = self._connection.scalar(select(func.count()).select_from(reminder).where(said)) or 0
        query = select(reminder.c.id).where(said).order_by(reminder.c.id.desc())
        ids = list(self._connection.scalars(query.limit(limit).offset(offset)))
        return self._load(reminder.c.id.in_(ids))[::-1], count

    def anything(self) -> bool:
        """Whether any reminder was ever raised."""
        return self._connection.scalar(select(reminder.c.id).limit(1)) is not None

    def open_numbers(self) -> frozenset[ReminderId]:
        """The numbers of the reminders for which hands are still wanted."""
        query = select(reminder.c.id).where(IS_OPEN)
        return frozenset(ReminderId(number) for number in self._connection.scalars(query))

    def untold(self) -> bool:
        """Whether an open reminder has news that no channel has taken yet."""
        steps = select(func.max(reminder_step.c.id)).where(
            reminder_step.c.reminder.in_(select(reminder.c.id).where(IS_OPEN))
        )
        last = select(reminder_step.c.id).where(
            reminder_step.c.id.in_(steps.group_by(reminder_step.c.reminder)),
            reminder_step.c.step.in_([Step.RAISED.value, Step.WORSE.value]),
        )
        return self._connection.scalar(last.limit(1)) is not None

    def wet_told_since(self, since: datetime) -> dict[tuple[RiderId, ChainId], datetime]:
        """When was each rider last told of a chain that it came home wet, be it beside another job?"""
        told = (
            select(reminder.c.rider, reminder.c.chain, func.max(reminder_step.c.at))
            .join(reminder_step, reminder_step.c.reminder == reminder.c.id)
            .where(
                or_(reminder.c.kind == ReminderKind.WIPE_AND_DRIP.value, reminder_step.c.why == ASKED_AHEAD),
                reminder_step.c.step == Step.TOLD.value,
                reminder_step.c.at > since,
            )
            .group_by(reminder.c.rider, reminder.c.chain)
        )
        return {(RiderId(row[0]), ChainId(row[1])): row[2] for row in self._all(told)}

    def of_chains(self, chains: Collection[ChainId]) -> tuple[RaisedReminder, ...]:
        """Every reminder ever raised about these chains, in order."""
        return self._load(reminder.c.chain.in_(chains))

    def _load(self, condition: ColumnElement[bool] | TextClause) -> tuple[RaisedReminder, ...]:
        ids = select(reminder.c.id).where(condition)
        reasons = self._grouped(
            _REASON,
            select(reminder_reason.c.reminder, *_REASON.columns)
            .where(reminder_reason.c.reminder.in_(ids))
            .order_by(reminder_reason.c.reminder, reminder_reason.c.position),
        )
        steps = self._grouped(
            _STEP,
            select(reminder_step.c.reminder, *_STEP.columns)
            .where(reminder_step.c.reminder.in_(ids))
            .order_by(reminder_step.c.id),
        )
        # by their numbers, or the order asked for has SQLite go through every reminder there ever was
        these = select(reminder.c.id, *_REMINDER.columns).where(reminder.c.id.in_(ids))
        return tuple(
            RaisedReminder(
                number, _REMINDER.of(row, reasons=tuple(reasons.get(number, ()))), tuple(steps[number])
            )
            for number, *row in self._all(these.order_by(reminder.c.id))
        )

    def _add_reasons(self, reminder_id: ReminderId, reasons: Sequence[Reason]) -> None:
        rows = [
            {"reminder": reminder_id, "position": position, **_REASON.values(reason)}
            for position, reason in enumerate(reasons)
        ]
        self._insert_many(reminder_reason, rows)


def add_step(facet: Repository, reminder_id: ReminderId, step: ReminderStep) -> None:
    """Keep a step, whoever's facet it is: the outbox tells that a letter arrived."""
    facet._insert(reminder_step, reminder=reminder_id, **_STEP.values(step))
