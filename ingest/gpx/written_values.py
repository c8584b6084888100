"""Reads numbers and times where they stand in the bytes, thousands at once; the odd ones singly.

Eight characters make one 64-bit word, the first in its lowest byte, and all rows are computed with together.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache
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
_MOST_DATES: Final = 2_000
_PLAIN_TIME, _WITH_MILLISECONDS = len("2025-03-01T07:00:00Z"), len("2025-03-01T07:00:00.000Z")


@cache
def _each(byte: int) -> np.uint64:
    """A word of eight such bytes."""
    return np.uint64(byte * 0x0101_0101_0101_0101)


_ONE, _TWO, _FOUR, _BYTE = (np.uint64(bits) for bits in (8, 16, 32, 0xFF))
_TOP: Final = np.array([(2**64 - 1) >> 8 * (8 - n) << 8 * (8 - n) for n in range(9)], np.uint64)  # n bytes
_NOUGHTS: Final = ~_TOP & _each(ord("0"))
_COLONS_AT: Final = np.uint64(0xFF00_00FF_0000)  # in 07:00:00
_COLONS: Final = _COLONS_AT & _each(ord(":"))


def text_at(data: bytes, places: Places, length: int) -> NDArray[np.bytes_]:
    """So many characters from each place on."""
    windows: NDArray[Any] = np.ndarray((len(data) - length + 1,), f"S{length}", data, strides=(1,))
    return windows[places]


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


def _whole_numbers(words: _Words, digits: NDArray[np.int64]) -> tuple[_Words, Mask]:
    """The number that the last so many characters of each word spell, and whether all of them are digits."""
    words = words & _TOP[digits] | _NOUGHTS[digits]
    high = _each(0xF0)
    are_digits = (words & high | (words + _each(0x06) & high) >> np.uint64(4)) == _each(0x33)
    # Neighbours are joined: digits to pairs, pairs to fours, fours to the eight.
    words = (words & _each(0x0F)) * np.uint64(10 << 8 | 1) >> _ONE
    words = (words & np.uint64(0x00FF_00FF_00FF_00FF)) * np.uint64(100 << 16 | 1) >> _TWO
    words = (words & np.uint64(0x0000_FFFF_0000_FFFF)) * np.uint64(10_000 << 32 | 1) >> _FOUR
    return words, are_digits


def numbers_at(data: bytes, start: Places, end: Places) -> tuple[Column, Mask]:
    """The numbers between each start and end, and which of them can be told without a parser."""
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
        power = 10.0**decimals
        value = value * power + fraction
        is_plain &= value < _LARGEST_EXACT
        value /= power
    np.negative(value, out=value, where=is_negative)
    return value, _singly(data, start, end, value, is_plain, number)


def times_at(data: bytes, start: Places, end: Places) -> tuple[Column, Mask]:
    """The times between each start and end [Unix seconds], and which can be told without a parser."""
    length = end - start
    dates = text_at(data, start, len("2025-03-01T"))
    changes = np.flatnonzero(np.append(True, dates[1:] != dates[:-1])[: len(dates)])
    if len(changes) > _MOST_DATES:
        return np.full(len(start), np.nan), np.zeros(len(start), bool)
    midnights = [unix_second(date.decode("latin-1") + "00:00:00Z") for date in dates[changes].tolist()]
    midnight = np.repeat(midnights, np.diff(changes, append=len(start)))

    clock = _words_at(data, start + len("2025-03-01T"))
    without = clock ^ (_COLONS ^ _COLONS_AT & _each(ord("0")))
    whole, is_plain = _whole_numbers(without, np.full(len(start), 8))  # 07:30:15 is 07 0 30 0 15
    hour, rest = np.divmod(whole.astype(np.int32), 1_000_000)
    minute, second = np.divmod(rest, 1_000)
    last = _words_at(data, end - 8)
    thousandths, are_digits = _whole_numbers(last << _ONE, np.where(length == _PLAIN_TIME, 0, 3))
    has_thousandths = (length == _WITH_MILLISECONDS) & are_digits & (last >> _FOUR - _ONE & _BYTE == ord("."))
    is_plain &= (clock & _COLONS_AT == _COLONS) & (last >> np.uint64(56) == ord("Z")) & ~np.isnan(midnight)
    is_plain &= (hour < 24) & (minute < 60) & (second < 60) & (has_thousandths | (length == _PLAIN_TIME))
    seconds = midnight + (hour * 3600 + minute * 60 + second) + thousandths / 1000
    return seconds, _singly(data, start, end, seconds, is_plain, unix_second)


def _singly(
    data: bytes, start: Places, end: Places, values: Column, is_plain: Mask, value_of: Callable[[str], float]
) -> Mask:
    """Fill in the values that are not spelt plainly, one by one; which values can be told now?"""
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
