"""The 16-bit checksum of a FIT file: folded to two bytes, because most of a file weighs alike."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

# The polynomial is x¹⁶ + x¹⁵ + x² + 1 = (x + 1)(x¹⁵ + x + 1). The second factor, the highest power in the
# lowest bit:
_TRINOMIAL: Final = 0xC001
_PERIOD: Final = 32_767  # x³²⁷⁶⁷ leaves 1, as the trinomial is primitive
_WORD_BYTES: Final = 8
_FEWEST_WORDS: Final = 128  # what remains is folded as one whole number

# What a rider is told of one that does not fit.
HEADER_WRONG: Final = "the checksum of its header is wrong"
WRONG: Final = "its checksum is wrong: values may have changed since the device wrote them"


def checksum(data: bytes | memoryview) -> int:
    """What checksum do these bytes have? [0..65535]

    CRC-16/ARC: the remainder of the bits, taken as a polynomial, divided by another; start 0, no final
    inversion. So bytes may be moved to any place where they leave the same remainder. What x¹⁵ + x + 1 leaves
    is found by folding; what x + 1 leaves is whether the number of ones is odd.
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
    is_odd = int(np.bitwise_xor.reduce(words)).bit_count() % 2
    words = _folded(words)
    # The polynomial is as long as the remainder again: sixteen noughts behind the last bit.
    state = _remainder(int.from_bytes(words.tobytes(), "little"), len(words) * 64 + 16) << 1
    return state if state.bit_count() % 2 == is_odd else state ^ _TRINOMIAL


def _folded(words: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The last words with all others added to them.

    Divided by the trinomial, x¹⁵ leaves x + 1; squaring keeps that true: x^(15·2^j) leaves x^(2^j) + 1. So a
    word is right 14 and 15 steps further on, at steps of 1, 2, 4, … words.
    """
    step = 1 << (len(words) // 16).bit_length()
    while len(words) > _FEWEST_WORDS:
        count = min(14 * step, len(words) - 15 * step)
        if count < 3 * step:  # shorter steps take more at once
            step //= 2
            continue
        moved, words = words[:count], words[count:]
        words[14 * step - count :][:count] ^= moved
        words[15 * step - count :][:count] ^= moved
    return words


def _remainder(bits: int, length: int) -> int:
    """What so many bits leave: 15 bits, folded in the same way at steps of … 4, 2, 1 bits."""
    step = 1 << (length // 16).bit_length()
    while step:
        while (count := min(14 * step, length - 15 * step)) > 0:
            moved = bits & (1 << count) - 1
            bits = bits >> count ^ moved << 14 * step - count ^ moved << 15 * step - count
            length -= count
        step //= 2
    return bits
