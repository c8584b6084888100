"""What rides are searched by: their words, case folded, and taken apart so that any part of them is found."""

from __future__ import annotations

from sqlalchemy import ColumnElement, Connection, and_, select

from services.store.tables_rides import LONGEST_PART, ride, ride_words

FEW = 500  # rides with a part of a text in their words: of more, every ride is looked at
LAST_CHARACTER = "\U0010ffff"


def folded(text: str) -> str:
    """A text as it is searched: case folded. Here and not by the database, for each folds another way."""
    return text.casefold()


def searched_words(title: str | None, file_name: str | None) -> str:
    """By which words a ride is found: its title and its file's name."""
    return folded(f"{title}\n{file_name}")


def parts_of(words: str) -> set[str]:
    """What is kept of a ride's words: their beginnings from each of their places on."""
    return {words[at : at + LONGEST_PART] for at in range(len(words))}


def says(connection: Connection, text: str) -> ColumnElement[bool]:
    """The condition that this stands in a ride's words. Few rides are looked up by its first part."""
    text = folded(text)
    said, part = ride.c.words.contains(text, autoescape=True), text[:LONGEST_PART]
    last = part + LAST_CHARACTER * (LONGEST_PART - len(part))
    span = select(ride_words.c.ride).where(ride_words.c.begins.between(part, last))
    few = connection.scalars(span.distinct().limit(FEW + 1)).all()
    return said if len(few) > FEW else and_(ride.c.id.in_(few), said)
