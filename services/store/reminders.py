"""Reminders: what was due, its trace line by line, and every dated step since."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, TextClause, and_, func, or_, select, true

from rules.reminder import ASKED_AHEAD, RaisedReminder, Reason, Reminder, ReminderKind, ReminderStep, Step
from rules.vocabulary import BikeId, ChainId, Condition, ReminderId, RideId, RiderId, TreatmentId
from services.store.repository import AnyRow, Repository
from services.store.tables_reminders import IS_OPEN, reminder, reminder_reason, reminder_step

_OPENS = frozenset({Step.RAISED, Step.WORSE, Step.PUT_OFF})


class Reminders(Repository):
    """Raised reminders. One cause has at most one that is open."""

    def raise_(self, due: Reminder, at: datetime, by: str, why: str = "") -> RaisedReminder:
        """Keep that something is due. If its cause has an open reminder, that one is returned as it is.

        Queue its letters in the same transaction: then it is raised if and only if it is queued.
        """
        standing = self._load((reminder.c.cause_key == due.key) & reminder.c.is_open)
        if standing:
            return standing[0]
        reminder_id = ReminderId(self._insert(reminder, is_open=True, **_values(due)))
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
        self._update(reminder, reminder_id, **_values(due))
        if kept.reminder.reasons != due.reasons:
            self._connection.execute(
                reminder_reason.delete().where(reminder_reason.c.reminder == reminder_id)
            )
            self._add_reasons(reminder_id, due.reasons)
        return self.get(reminder_id)

    def get(self, reminder_id: ReminderId) -> RaisedReminder:
        """The reminder of that number. Raises NotFound."""
        found = self._load(reminder.c.id == reminder_id)
        if not found:
            raise self._not_found(reminder, reminder_id, "reminder")
        return found[0]

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
        reasons: dict[int, list[Reason]] = {}
        lines = (
            select(reminder_reason)
            .where(reminder_reason.c.reminder.in_(ids))
            .order_by(reminder_reason.c.reminder, reminder_reason.c.position)
        )
        for row in self._all(lines):
            reasons.setdefault(row.reminder, []).append(_reason(row))
        steps: dict[int, list[ReminderStep]] = {}
        history = select(reminder_step).where(reminder_step.c.reminder.in_(ids)).order_by(reminder_step.c.id)
        for row in self._all(history):
            steps.setdefault(row.reminder, []).append(_step(row))
        # by their numbers, or the order asked for has SQLite go through every reminder there ever was
        rows = self._all(select(reminder).where(reminder.c.id.in_(ids)).order_by(reminder.c.id))
        return tuple(
            RaisedReminder(
                ReminderId(row.id), _reminder(row, tuple(reasons.get(row.id, ()))), tuple(steps[row.id])
            )
            for row in rows
        )

    def _add_reasons(self, reminder_id: ReminderId, reasons: Sequence[Reason]) -> None:
        self._insert_many(
            reminder_reason,
            [
                {
                    "reminder": reminder_id,
                    "position": position,
                    "condition_word": None if reason.condition is None else reason.condition.value,
                    **{name: getattr(reason, name) for name in _REASON},
                }
                for position, reason in enumerate(reasons)
            ],
        )


_REASON = tuple(field.name for field in fields(Reason) if field.name != "condition")


def add_step(facet: Repository, reminder_id: ReminderId, step: ReminderStep) -> None:
    """Keep a step, whoever's facet it is: the outbox tells that a letter arrived."""
    facet._insert(
        reminder_step,
        reminder=reminder_id,
        step=step.step.value,
        at=step.at,
        made_by=step.by,
        why=step.why,
        put_off_until=step.until,
        treatment=step.treatment,
    )


def _values(due: Reminder) -> dict[str, Any]:
    return {
        "cause_key": due.key,
        "kind": due.kind.value,
        "chain": due.chain,
        "rider": due.rider,
        "bike": due.bike,
        "cause_at": due.cause_at,
        "headline": due.headline,
        "sentence": due.sentence,
        "total": due.total,
        "limit_value": due.limit,
        "unit": due.unit,
        "unknown_h": due.unknown_h,
        "rulebook_version": due.rulebook_version,
        "urgency": due.urgency,
    }


def _reminder(row: AnyRow, reasons: tuple[Reason, ...]) -> Reminder:
    return Reminder(
        key=row.cause_key,
        kind=ReminderKind(row.kind),
        chain=ChainId(row.chain),
        rider=RiderId(row.rider),
        bike=None if row.bike is None else BikeId(row.bike),
        cause_at=row.cause_at,
        headline=row.headline,
        sentence=row.sentence,
        total=row.total,
        limit=row.limit_value,
        unit=row.unit,
        unknown_h=row.unknown_h,
        reasons=reasons,
        rulebook_version=row.rulebook_version,
        urgency=row.urgency,
    )


def _reason(row: AnyRow) -> Reason:
    return Reason(
        at=row.at,
        text=row.text,
        ride=None if row.ride is None else RideId(row.ride),
        condition=None if row.condition_word is None else Condition(row.condition_word),
        drive_h=row.drive_h,
        weight=row.weight,
        grit_h=row.grit_h,
        total=row.total,
        weather=row.weather,
    )


def _step(row: AnyRow) -> ReminderStep:
    return ReminderStep(
        step=Step(row.step),
        at=row.at,
        by=row.made_by,
        why=row.why,
        until=row.put_off_until,
        treatment=None if row.treatment is None else TreatmentId(row.treatment),
    )
