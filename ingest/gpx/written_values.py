"""Reads numbers and times where they stand in the bytes, thousands at once; the odd ones singly.

Eight characters make one 64-bit word, the first in its lowest byte, and all rows are computed with together.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.gpx.times import unix_second
from ingest.ride.recording import Column

Places = NDArray[np.intp]  # of bytes in the file
Mask = NDArray[np.bool_]
_Words = NDArray[np.uint64]
_TEXT: Final = re.compile(rb"[-+.:0-9A-Za-z \t\r\n]*")  # holds no markup, whatever the encoding
_NUMBER: Final = re.compile(
    r"\s*[+-]?(?:(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?|nan|inf(?:inity)?)\s*", re.ASCII | re.IGNORECASE
)
_LARGEST_EXACT: Final = 2.0**53
_POWERS: Final = np.array([10.0**places for places in range(17)])
_AT_ONCE: Final = 4096  # numbers: what is computed of them stays in the processor's own memory
_ONE_LOOK_BYTES: Final = 8 << 20
_MOST_DATES: Final = 2_000
_PLAIN_TIME, _WITH_MILLISECONDS = len("2025-03-01T07:00:00Z"), len("2025-03-01T07:00:00.000Z")


@cache
def _each(byte: int) -> np.uint64:
    """A word of eight such bytes."""
    return np.uint64(byte * 0x0101_0101_0101_0101)


_ONE, _TWO, _FOUR, _BYTE = (np.uint64(bits) for bits in (8, 16, 32, 0xFF))
_TOP: Final = np.array([(2**64 - 1) >> 8 * (8 - n) << 8 * (8 - n) for n in range(9)], np.uint64)  # n bytes
_COLONS_AT: Final = np.uint64(0xFF00_00FF_0000)  # in 07:00:00
_COLONS: Final = _COLONS_AT & _each(ord(":"))


def text_at(data: bytes, places: Places, length: int) -> NDArray[np.bytes_]:
    """So many characters from each place on."""
    windows: NDArray[Any] = np.ndarray((len(data) - length + 1,), f"S{length}", data, strides=(1,))
    return windows[places]


def stands_at(data: bytes, places: Places, piece: bytes) -> Mask:
    """Does this piece stand at each place?"""
    found = text_at(data, places, len(piece))
    # One look when all points are written alike, as far as there is memory for it.
    if found.nbytes <= _ONE_LOOK_BYTES and found.tobytes() == piece * len(places):
        return np.ones(len(places), bool)
    is_alike: Mask = found == piece
    return is_alike


def _words_at(data: bytes, places: Places) -> _Words:
    return text_at(data, places, 8).view("<u8")


def place_in(words: _Words, character: str) -> NDArray[np.int64]:
    """The place of the first such character in each word; 8 where there is none."""
    others = words ^ _each(ord(character))  # 0 where it stands; then the lowest 0 sets the lowest top bit
    found = (others - _each(0x01)) & ~others & _each(0x80)
    return (np.bitwise_count((found & -found) - np.uint64(1)) >> 3).astype(np.int64)


def end_of_attribute(data: bytes, start: Places) -> Places:
    """Where the quotation mark after each start is; 24 characters on where there is none until then."""
    length = place_in(_words_at(data, start), '"')
    for further in (8, 16):
        longer = np.flatnonzero(length == further)
        length[longer] += place_in(_words_at(data, start[longer] + further), '"')
    return start + length


def _whole_numbers(words: _Words, digits: NDArray[np.int64] | int) -> tuple[_Words, Mask]:
    """The number that the last so many characters of each word spell, and whether all of them are digits."""
    words = (words ^ _each(ord("0"))) & _TOP[digits]
    are_digits = ((words + _each(0x80 - 10)) | words) & _each(0x80) == 0  # each is 9 or less
    # Neighbours are joined: digits to pairs, pairs to fours, fours to the eight.
    words = words * np.uint64(10 << 8 | 1) >> _ONE
    words = (words & np.uint64(0x00FF_00FF_00FF_00FF)) * np.uint64(100 << 16 | 1) >> _TWO
    words = (words & np.uint64(0x0000_FFFF_0000_FFFF)) * np.uint64(10_000 << 32 | 1) >> _FOUR
    return words, are_digits


def numbers_at(data: bytes, start: Places, end: Places) -> tuple[Column, Mask]:
    """The numbers between each start and end, and which of them can be told without a parser."""
    if len(start) <= _AT_ONCE:
        return _numbers_at(data, start, end)
    parts = [slice(at, at + _AT_ONCE) for at in range(0, len(start), _AT_ONCE)]
    values, told = zip(*(_numbers_at(data, start[part], end[part]) for part in parts), strict=True)
    return np.concatenate(values), np.concatenate(told)


def _numbers_at(data: bytes, start: Places, end: Places) -> tuple[Column, Mask]:
    length = end - start
    first = _words_at(data, start)
    is_negative = first & _BYTE == ord("-")
    dot = np.minimum(place_in(first, "."), length)
    whole, are_digits = _whole_numbers(first << (8 * (8 - dot)).astype(np.uint64), dot - is_negative)
    is_plain = are_digits & (dot > is_negative) & ((dot < 8) | (length <= 8))
    value = whole.astype(np.float64)
    decimals = np.minimum(np.maximum(length - dot - 1, 0), 16)
    if decimals.any():
        fraction, are_digits = _whole_numbers(_words_at(data, end - 8), np.minimum(decimals, 8))
        is_plain &= are_digits & (length - dot <= 17)
        if (decimals > 8).any():
            before, are_digits = _whole_numbers(_words_at(data, end - 16), np.maximum(decimals - 8, 0))
            fraction += before * np.uint64(100_000_000)
            is_plain &= are_digits
        # Correctly rounded: both numbers are exact, and one division rounds once.
        power = _POWERS[decimals]
        value = value * power + fraction
        is_plain &= value < _LARGEST_EXACT
        value /= power
    np.negative(value, out=value, where=is_negative)
    return value, _singly(data, start, end, value, is_plain, number)


def times_at(data: bytes, start: Places, end: Places) -> tuple[Column, Mask]:
    """The times between each start and end [Unix seconds], and which can be told without a parser.

    There must be one at least.
    """
    dates = text_at(data, start, len("2025-03-01T"))
    changes = [0, *(np.flatnonzero(dates[1:] != dates[:-1]) + 1).tolist()]
    if len(changes) > _MOST_DATES:
        return np.full(len(start), np.nan), np.zeros(len(start), bool)
    midnights = [unix_second(date.decode("latin-1") + "00:00:00Z") for date in dates[changes].tolist()]
    midnight = np.repeat(midnights, [after - before for before, after in pairwise([*changes, len(start)])])

    clock = _words_at(data, start + len("2025-03-01T"))
    without = clock ^ (_COLONS ^ _COLONS_AT & _each(ord("0")))
    whole, is_plain = _whole_numbers(without, 8)  # 07:30:15 is 07 0 30 0 15
    hour, rest = np.divmod(whole.astype(np.int32), 1_000_000)
    minute, second = np.divmod(rest, 1_000)
    seconds = midnight + (hour * 3600 + minute * 60 + second)
    last = _words_at(data, end - 8)
    is_plain &= (clock & _COLONS_AT == _COLONS) & (last >> np.uint64(56) == ord("Z")) & ~np.isnan(midnight)
    is_plain &= (hour < 24) & (minute < 60) & (second < 60)
    has_no_dot = end - start == _PLAIN_TIME
    if not has_no_dot.all():
        thousandths, are_digits = _whole_numbers(last << _ONE, np.where(has_no_dot, 0, 3))
        has_dot = (
            (end - start == _WITH_MILLISECONDS) & are_digits & (last >> _FOUR - _ONE & _BYTE == ord("."))
        )
        is_plain &= has_dot | has_no_dot
        seconds += thousandths / 1000
    return seconds, _singly(data, start, end, seconds, is_plain, unix_second)


def _singly(
    data: bytes, start: Places, end: Places, values: Column, is_plain: Mask, value_of: Callable[[str], float]
) -> Mask:
    """Fill in the values that are not spelt plainly, one by one; which values can be told now?"""
    if is_plain.all():
        return is_plain
    can_be_told = is_plain.copy()
    odd = np.flatnonzero(~is_plain)
    for row, first, last in zip(odd.tolist(), start[odd].tolist(), end[odd].tolist(), strict=True):
        text = data[first:last]
        if _TEXT.fullmatch(text):
            values[row] = value_of(text.decode("ascii"))
            can_be_told[row] = True
    return can_be_told


def numbers(texts: Sequence[str]) -> Column:
    """The numbers that these texts spell; NaN for those that spell none."""
    joined = "".join(texts)
    if joined.isascii() and "_" not in joined:  # which float() would take
        try:
            return np.fromiter(map(float, texts), np.float64, len(texts))
        except ValueError:
            pass
    return np.array([number(text) for text in texts], dtype=np.float64)


def number(text: str) -> float:
    """The number that this text spells; NaN when it spells none."""
    return float(text) if _NUMBER.fullmatch(text) else np.nan
