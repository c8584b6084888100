"""How a command ends: what its exit status says to whoever called it."""

from __future__ import annotations

DONE = 0
NOT_DONE = 1  # it could not be done, or something is not in order
TYPED_WRONGLY = 2
STOPPED = 130  # 128 and the signal's number, as shells have it
