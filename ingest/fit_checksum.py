"""The 16-bit checksum of a FIT file, over megabytes at a time."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

_POLYNOMIAL = 0xA001  # 0x8005, least significant bit first
_SHORT = 64  # bytes: below this a plain loop is quicker than the arrays


def checksum(data: bytes | memoryview) -> int:
    """What checksum do these bytes have? [0..65535]

    CRC-16/ARC: polynomial 0x8005 reflected, start 0, no final inversion. Because it starts at 0, leading
    zero bytes change nothing; because it is linear, neighbours can be joined pairwise: the left one is
    carried over the length of the right one (a table look-up), and the two are added.
    """
    if len(data) < _SHORT:
        return _short_checksum(data)
    padding = b"\0" if len(data) % 2 else b""
    words: NDArray[np.uint16] = np.frombuffer(padding + bytes(data) if padding else data, dtype="<u2")
    doubling = 0
    words = _carry(0)[words]
    while len(words) > 1:
        if len(words) % 2:
            words = np.concatenate((np.zeros(1, np.uint16), words))
        words = _carry(doubling)[words[0::2]] ^ words[1::2]
        doubling += 1
    return int(words[0])


@cache
def _carry(doubling: int) -> NDArray[np.uint16]:
    """What every 16-bit state becomes after 2**doubling more words of zeros."""
    if doubling:
        half = _carry(doubling - 1)
        return half[half]
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
