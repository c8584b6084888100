"""What fits into a mail that is read with wax on the fingers: the facts first, the rest behind a link."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from services.messages.html import Block, Link

CUT = 2  # sentences of a block that may be cut after a clause: what is asked, and why
MOST_WORDS = 60  # everything that is read, but the credit that a weather archive's licence asks for
_ADDRESS = re.compile(r"https?://\S+")
_CLAUSE_END = re.compile(r"[.;](?= )|(?<=\)):(?= )|[.]$")  # a colon announces; behind brackets it ends


def words(*texts: str) -> int:
    """How many words are read? Addresses are pressed, not read; a sign by itself is no word."""
    return sum(any(c.isalnum() for c in word) for text in texts for word in _ADDRESS.sub("", text).split())


def words_of(block: Block) -> int:
    """How many words a block has."""
    labels = [link.label for link in block.links]
    return words(block.headline, *block.said, *labels, *(" ".join(one) for one in block.commands))


def needed(blocks: Sequence[Block], rest: Link | tuple[str, str]) -> int:
    """How many words are the least: the first block, its first two clauses, and how many more."""
    if not blocks:
        return 0
    first = replace(blocks[0], said=tuple(map(_first_clause, blocks[0].said[:CUT])))
    return sum(map(words_of, [first, *_more(len(blocks) - 1, rest)]))


def as_much_as_fits(text: str, room: int) -> str:
    """The longest beginning of a text that ends with a clause and has at most so many words; "" = none."""
    ends = [found.start() for found in _CLAUSE_END.finditer(text)] or [len(text)]
    fitting = (f"{text[:end]}." for end in reversed(ends) if words(text[:end]) <= room)
    return next(fitting, "")


def fitted(
    blocks: Sequence[Block], room: int, *, rest: Link | tuple[str, str], further: Sequence[str] = ()
) -> list[Block]:
    """Blocks with as much as there is room for: first what is asked, then each one's reasons, in order.

    Each block's first two sentences may be cut after a clause, the others are said whole or not at all.
    rest: where those are that found no room.  further: what is said below all of it if any room is left.
    """
    bare = [replace(block, said=()) for block in blocks]
    shown = len(bare)
    while shown > 1 and sum(map(words_of, [*bare[:shown], *_more(len(bare) - shown, rest)])) > room:
        shown -= 1
    left = _more(len(bare) - shown, rest)
    room -= sum(map(words_of, [*bare[:shown], *left]))
    found: list[Block] = []
    for block in blocks[:shown]:
        said, room = _said(block.said, room)
        found.append(replace(block, said=said))
    if not left:
        said = tuple(_whole(further, room))
        found += [Block("", said)] if said else []
    return [*found, *left]


def _more(count: int, rest: Link | tuple[str, str]) -> list[Block]:
    if count == 0:
        return []
    headline = f"And {count} more"
    return [Block(headline, links=(rest,)) if isinstance(rest, Link) else Block(headline, commands=(rest,))]


def _said(sentences: Sequence[str], room: int) -> tuple[tuple[str, ...], int]:
    """The first clauses of the first two, then the others whole, then as much more of those two as fits."""
    firsts, others = sentences[:CUT], sentences[CUT:]
    least = [words(_first_clause(one)) for one in firsts]
    kept = list(_whole(others, room - sum(least)))
    room -= words(*kept)
    begun: list[str] = []
    for place, one in enumerate(firsts):
        begun.append(as_much_as_fits(one, max(room - sum(least[place + 1 :]), min(room, least[place]))))
        room -= words(begun[-1])
    return (*filter(None, begun), *kept), room


def _first_clause(text: str) -> str:
    end = _CLAUSE_END.search(text)
    return text if end is None else text[: end.start()]


def _whole(sentences: Iterable[str], room: int) -> Iterable[str]:
    for one in sentences:
        if words(one) <= room:
            room -= words(one)
            yield one
