"""Imported first of all in a process that reads files: few threads, and memory that is kept between files."""

from __future__ import annotations

import ctypes
import os
import sys
from typing import Final

_KEPT_BYTES: Final = 32 << 20  # the most that the C library lets an array have on the heap
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt(3)

# Each file has one reader: numpy's library for matrices need not start a thread for every core.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def keep_memory() -> None:
    """Freed arrays stay with the process: given back and asked for anew, every page of them is cleared first.

    Only glibc knows these two settings; elsewhere nothing changes.
    """
    if sys.platform == "linux":
        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(_TRIM_THRESHOLD, _KEPT_BYTES)
            mallopt(_MMAP_THRESHOLD, _KEPT_BYTES)
