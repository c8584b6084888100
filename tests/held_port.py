"""A port for a server that is told its number before it starts."""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def held_port() -> Iterator[int]:
    """A port of this machine, kept free for one server of ours until the block ends.

    A port that is only looked up can be another program's a moment later: tests open hundreds.
    Here a socket stays bound to it and never listens, so that nobody who asks for any port is given this one,
    while a server that asks for it by its number may have it (socket(7), SO_REUSEADDR, as Linux has it).
    """
    with socket.socket() as held:
        held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        held.bind(("127.0.0.1", 0))
        port = int(held.getsockname()[1])
        if sys.platform != "linux":
            held.close()
        yield port
