"""The 16-bit checksum of a FIT file: folded to a few bytes first, because most of a file weighs alike."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

_POLYNOMIAL: Final = 0xA001  # x¹⁶ + x¹⁵ + x² + 1 = (x + 1)(x¹⁵ + x + 1), the highest power in the lowest bit
_TRINOMIAL: Final = 0xC001  # x¹⁵ + x + 1 in the same order
_PERIOD: Final = 32_767  # x³²⁷⁶⁷ leaves 1, as the trinomial is primitive
_FEWEST_WORDS: Final = 24  # what remains goes through the table, byte by byte
_WORD_BYTES: Final = 8


def checksum(data: bytes | memoryview) -> int:
    """What checksum do these bytes have? [0..65535]

    CRC-16/ARC: the remainder of the bits, taken as a polynomial, divided by another; start 0, no final
    inversion. So bytes may be moved to any place where they leave the same remainder.
    """
    octets = np.frombuffer(data, np.uint8)
    if len(octets) > _PERIOD:
        # Bytes a period apart weigh the same: all periods are added up to one.
        front = len(octets) % _PERIOD
        period = np.bitwise_xor.reduce(octets[front:].reshape(-1, _PERIOD), axis=0)
        period[_PERIOD - front :] ^= octets[:front]
        octets = period
    words = np.zeros(-(-len(octets) // _WORD_BYTES), np.uint64)  # zeros in front change nothing
    words.view(np.uint8)[len(words) * _WORD_BYTES - len(octets) :] = octets
    words, is_odd = _folded(words)
    state = 0
    for octet in words.tobytes():
        state = state >> 8 ^ _TABLE[(state ^ octet) & 0xFF]
    return state ^ _TRINOMIAL if is_odd else state


def _folded(words: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], bool]:
    """The last few words with all others added to them, and whether the trinomial must be added at the end.

    Divided by the trinomial, x¹⁵ leaves x + 1; squaring keeps that true: x^(15·2^j) leaves x^(2^j) + 1. So a
    word is right 14 and 15 steps further on, at steps of 1, 2, 4, … words. As one word becomes two, the
    remainder by x + 1 (whether the number of ones is odd) is lost; adding the trinomial puts it right.
    """
    lost = np.uint64(0)
    step = 1 << max(0, (len(words) // 15).bit_length() - 1)
    while step and len(words) > _FEWEST_WORDS:
        count = min(14 * step, len(words) - 15 * step)
        if count <= 0:
            step //= 2
            continue
        moved, words = words[:count], words[count:]
        words[14 * step - count :][:count] ^= moved
        words[15 * step - count :][:count] ^= moved
        lost ^= np.bitwise_xor.reduce(moved)
    return words, int(lost).bit_count() % 2 == 1


def _table() -> list[int]:
    """What each byte leaves."""
    states = list(range(256))
    for _ in range(8):
        states = [state >> 1 ^ _POLYNOMIAL * (state & 1) for state in states]
    return states


_TABLE: Final = _table()
