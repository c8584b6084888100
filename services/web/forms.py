"""What riders type into forms, read strictly: each mistake is one sentence that says what to write."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum
from typing import TypeVar

from starlette.datastructures import FormData

from rules import typed_input
from rules.gate.field_checks import teeth_in

Choice = TypeVar("Choice", bound=StrEnum)

LONGEST_TEXT = 2000
LARGEST_ID = 2**31 - 1  # what every database holds


def is_number_of(text: str) -> bool:
    """Whether this is the number of a thing, as far as any database counts."""
    return text.isascii() and text.isdigit() and len(text) <= 10 and 0 < int(text) <= LARGEST_ID


class FormRefused(Exception):  # noqa: N818 - it names the form's fate
    """A form cannot be used as it is; nothing was changed."""

    def __init__(self, sentence: str, *, status: int = 422, field: str = "") -> None:
        """field: the name of the one that is wrong; "" = the form as a whole."""
        self.sentence, self.status, self.field = sentence, status, field
        super().__init__(sentence)


@contextmanager
def at_field(name: str) -> Iterator[None]:
    """What is refused inside is wrong with that field."""
    try:
        yield
    except FormRefused as error:
        error.field = error.field or name
        raise


class Posted:
    """The fields of one form."""

    def __init__(self, form: FormData) -> None:
        self._form = form

    def text(self, name: str, *, most: int = LONGEST_TEXT) -> str:
        """A line of text without its outer blanks; "" when it was left empty."""
        value = self._form.get(name, "")
        if not isinstance(value, str):
            raise FormRefused(f"“{name}” must be text, not a file.", field=name)
        text = " ".join(value.replace("\0", " ").split())
        if len(text) > most:
            raise FormRefused(f"“{name}” is longer than {most} characters; shorten it.", field=name)
        return text

    def secret(self, name: str) -> str:
        """A password exactly as it was typed; "" when it was left empty."""
        value = self._form.get(name, "")
        return value if isinstance(value, str) else ""

    def need(self, name: str, what: str) -> str:
        """A text that must not be empty."""
        text = self.text(name)
        if not text:
            raise FormRefused(f"Say {what}.", field=name)
        return text

    def every(self, name: str) -> list[str]:
        """All values of a field that may stand several times."""
        return [value for value in self._form.getlist(name) if isinstance(value, str)]

    def names(self, prefix: str) -> Iterator[tuple[str, str]]:
        """Fields whose name begins so: the rest of the name, and the value."""
        for name, value in self._form.multi_items():
            if name.startswith(prefix) and isinstance(value, str):
                yield name.removeprefix(prefix), value

    @property
    def size(self) -> int:
        """How many characters were sent."""
        return sum(len(name) + len(value) for name, value in self.again())

    def again(self, *but: str) -> list[tuple[str, str]]:
        """Every field but these, to be sent once more."""
        return [(k, v) for k, v in self._form.multi_items() if isinstance(v, str) and k not in but]

    def ticked(self, name: str) -> bool:
        """Whether a box was ticked."""
        return bool(self.text(name))

    def number(
        self, name: str, *, what: str, low: float | None = None, high: float | None = None
    ) -> float | None:
        """A number; None when it was left empty. A comma is taken for a point."""
        text = self.text(name)
        if not text:
            return None
        with at_field(name):
            return number_in(text, low=low, high=high, what=what)

    def whole(self, name: str, *, what: str, low: int | None = None, high: int | None = None) -> int | None:
        """A whole number; None when it was left empty."""
        text = self.text(name)
        if not text:
            return None
        with at_field(name):
            try:
                value = typed_input.whole_in(text)
            except typed_input.Mistyped as error:
                raise FormRefused(f"{what}: {error}.") from error
            if low is not None and high is not None and not low <= value <= high:
                raise FormRefused(f"{what} lies between {low} and {high}.")
        return value

    def identity(self, name: str, what: str) -> int:
        """The number of a thing that must be chosen."""
        text = self.text(name)
        if not is_number_of(text):
            raise FormRefused(f"Choose {what}.", field=name)
        return int(text)

    def identities(self, name: str, what: str) -> list[int]:
        """The numbers of things of which at least one must be chosen."""
        found = [one.strip() for one in self.every(name) if one.strip()]
        if not found or not all(is_number_of(one) for one in found):
            raise FormRefused(f"Choose {what}.", field=name)
        return [int(one) for one in found]

    def choice(self, name: str, kind: type[Choice], what: str) -> Choice:
        """One of a list."""
        text = self.text(name)
        try:
            return kind(text)
        except ValueError as error:
            known = ", ".join(one.value for one in kind)
            raise FormRefused(f"Choose {what}: {known}.", field=name) from error

    def instant(self, name: str, zone: tzinfo, *, now: datetime) -> datetime:
        """A local date and time as browsers send them; `now` when it was left empty."""
        return self.instant_or_none(name, zone, now=now) or now

    def instant_or_none(self, name: str, zone: tzinfo, *, now: datetime) -> datetime | None:
        """A local date and time; None when it was left empty."""
        found = self.time_or_day(name, zone, now=now)
        if found is not None and found.day is not None:
            raise FormRefused(f"Say at what time on that day: {found.day} 18:00.", field=name)
        return None if found is None else found.at

    def time_or_day(self, name: str, zone: tzinfo, *, now: datetime) -> typed_input.TypedTime | None:
        """A local time, or a day alone; None when it was left empty."""
        text = self.text(name)
        with at_field(name):
            return local_time(text, zone, now=now) if text else None

    def teeth(self, name: str, what: str) -> tuple[int, ...]:
        """A list of teeth, in any usual spelling."""
        text = self.text(name)
        teeth = teeth_in(text)
        if teeth is None:
            raise FormRefused(
                f"{what}: “{text[:40]}” is no list of teeth; write every one, e.g. 11-13-15-17-19-21-24-28.",
                field=name,
            )
        return teeth


def own_path(path: str, otherwise: str = "/") -> str:
    """A path that a form brought along, if it leads nowhere but to a page of ours."""
    ours = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if ours else otherwise


def number_in(text: str, *, what: str, low: float | None = None, high: float | None = None) -> float:
    """A number; within bounds, ends included, where there are any. Raises FormRefused."""
    try:
        value = typed_input.number_in(text, percent="%" in what)
    except typed_input.Mistyped as error:
        raise FormRefused(f"{what}: {error}.") from error
    if low is not None and high is not None and not low <= value <= high:
        raise FormRefused(f"{what} lies between {low:g} and {high:g}.")
    return value


def local_time(text: str, zone: tzinfo, *, now: datetime) -> typed_input.TypedTime:
    """'2026-05-01T18:00' or '2026-05-01' by this wall clock. Raises FormRefused."""
    try:
        return typed_input.time_in(text, now=now, zone=zone)
    except typed_input.Mistyped as error:
        raise FormRefused(f"{str(error)[0].upper()}{str(error)[1:]}.") from error


def midnight(text: str, zone: tzinfo, *, days_later: int = 0) -> datetime:
    """The instant at which the day 'YYYY-MM-DD' begins by this wall clock, or one so many days later.

    Raises FormRefused.
    """
    try:
        day = date.fromisoformat(text) + timedelta(days=days_later)
        return datetime.combine(day, time(), zone).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise FormRefused(f"“{text[:40]}” is no day; write it like 2026-05-01.") from error
