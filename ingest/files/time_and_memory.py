"""How much processor time and memory one file may take its reader, held from inside the reading process."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from math import ceil
from types import FrameType
from typing import Final, NoReturn

try:
    import resource
except ImportError:  # Windows: there a file may take what it takes
    resource = None  # type: ignore[assignment]

from ingest.errors import NotNow, OverBudget

# Sound files need 5 to 33 ms a MB; the worst that is still a ride, all definitions, half a second a MB.
BASE_CPU_S: Final = 1.0
CPU_S_PER_MB: Final = 1.0
MOST_CPU_S: Final = 10.0
MEMORY_BYTES: Final = 300 << 20
_ENDED_AFTER_S: Final = 5  # past the budget, by the system: for code that does not let Python stop it


class _Spent(BaseException):
    """Not an Exception: no reader may take it for a fault of the file and try again."""


def cpu_budget_s(size_bytes: int) -> float:
    """How many seconds of processor time a file of this size may take."""
    return min(BASE_CPU_S + CPU_S_PER_MB * size_bytes / 1e6, MOST_CPU_S)


@contextmanager
def within_budget(name: str, size_bytes: int) -> Iterator[None]:
    """Do this within the budget of a file of that size, where the system can hold it to one.

    Only a process's main thread can be stopped; elsewhere there is no budget.
    Raises OverBudget when the time is spent, NotNow when there is no memory for it.
    """
    if resource is None or threading.current_thread() is not threading.main_thread():
        yield
        return
    seconds = cpu_budget_s(size_bytes)
    try:
        with _limits(seconds):
            yield
    except _Spent:
        why = f"takes longer to read than {seconds:.0f} s, and no ride of its size does"
        raise OverBudget(name, why, "read it without a limit: gritledger import --again FILE") from None
    except MemoryError:
        why = f"takes more than {MEMORY_BYTES >> 20} MB of memory to read, or there is no more"
        raise NotNow(name, why, "export it again; or read it alone: gritledger import --again FILE") from None


@contextmanager
def _limits(seconds: float) -> Iterator[None]:
    used = resource.getrusage(resource.RUSAGE_SELF)
    ended_at = ceil(used.ru_utime + used.ru_stime + seconds) + _ENDED_AFTER_S
    wanted = {resource.RLIMIT_CPU: ended_at}
    if (mapped := _mapped_bytes()) is not None:
        wanted[resource.RLIMIT_AS] = mapped + MEMORY_BYTES
    before = {limit: resource.getrlimit(limit) for limit in wanted}
    handler = signal.signal(signal.SIGPROF, _stop)
    try:
        for limit, most in wanted.items():
            hard = before[limit][1]
            resource.setrlimit(limit, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
        signal.setitimer(signal.ITIMER_PROF, seconds)
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, handler)
        for limit, old in before.items():
            resource.setrlimit(limit, old)


def _stop(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise _Spent


def _mapped_bytes() -> int | None:
    """The address space of this process; None where the system does not tell."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[0]) * resource.getpagesize()
    except OSError:
        return None
