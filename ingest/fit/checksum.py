"""The 16-bit checksum of a FIT file, over megabytes at a time."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

_POLYNOMIAL = 0xA001  # 0x8005, least significant bit first
_SHORT = 64  # bytes: below this a plain loop is quicker than the arrays
_WORDS = 8  # joined in one step; more tables than this leave the processor's cache


def checksum(data: bytes | memoryview) -> int:
    """What checksum do these bytes have? [0..65535]

    CRC-16/ARC: polynomial 0x8005 reflected, start 0, no final inversion. Because it starts at 0, leading
    zero bytes change nothing; because it is linear, neighbours can be joined: the left one is carried over
    the length of the right one (a table look-up), and the two are added. First eight words at a time, then
    pairs.
    """
    if len(data) < _SHORT:
        return _short_checksum(data)
    padded = np.zeros(-(-len(data) // (2 * _WORDS)) * 2 * _WORDS, np.uint8)
    padded[len(padded) - len(data) :] = np.frombuffer(data, np.uint8)
    words = padded.view("<u2").reshape(-1, _WORDS)
    states = _carry(_WORDS)[words[:, 0]]
    for place in range(1, _WORDS):
        states ^= _carry(_WORDS - place)[words[:, place]]
    length = _WORDS
    while len(states) > 1:
        if len(states) % 2:
            states = np.concatenate((np.zeros(1, np.uint16), states))
        states = _carry(length)[states[0::2]] ^ states[1::2]
        length *= 2
    return int(states[0])


@cache
def _carry(words: int) -> NDArray[np.uint16]:
    """What every 16-bit state becomes after so many words of zeros."""
    if words > 1:
        half = words // 2
        return _carry(words - half)[_carry(half)]
    states = np.arange(0x10000, dtype=np.uint16)
    for _ in range(16):
        states = np.where(states & 1, (states >> 1) ^ np.uint16(_POLYNOMIAL), states >> 1)
    return states


def _short_checksum(data: bytes | memoryview) -> int:
    state = 0
    for byte in data:
        state ^= byte
        for _ in range(8):
            state = (state >> 1) ^ _POLYNOMIAL if state & 1 else state >> 1
    return state
