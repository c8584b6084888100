"""Programs as processes of their own, without the second that loading them takes.

The first one asked for starts a nursery: a process that loads what the program is made of and then forks one
process for each that is wanted, with its own arguments, environment and streams. Such a process is killed,
starved and sent signals like any other. What a command loads is held by test_startup.py, which starts afresh.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import json
import os
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import IO

ROOT = Path(__file__).parents[1]
COMMAND_LINE = "from services.cli import main; main()"
LOADED = (
    "services.cli.program",
    "services.expected_errors",
    "services.running.round",
    "services.running.watch",
    "services.running.club_worker",
    "services.channels.eml_folder",
    "services.channels.email",
    "services.use_cases.back_up",
    "services.web.app",
    "ingest.bikes.household_model",
    "ingest.files.reader",
    "rules.wear",
    "tests.services.store.household",
    "uvicorn",
)


class Program:
    """Python code as a process: what subprocess.Popen is, as far as tests need it."""

    def __init__(
        self, code: str, *arguments: str, env: Mapping[str, str] | None = None, one_stream: bool = False
    ) -> None:
        """env: instead of this process's.  one_stream: its errors come in stdout."""
        out, self._status = os.pipe(), os.pipe()
        err = out if one_stream else os.pipe()
        asked = {"code": code, "arguments": arguments, "env": dict(os.environ if env is None else env)}
        nursery = _nursery()
        socket.send_fds(nursery, [f"{json.dumps(asked)}\n".encode()], [out[1], err[1], self._status[1]])
        self.pid = int(nursery.recv(100))
        for written in {out[1], err[1], self._status[1]}:
            os.close(written)
        self.stdout: IO[str] = open(out[0], encoding="utf-8")  # noqa: SIM115
        self.stderr: IO[str] | None = None if one_stream else open(err[0], encoding="utf-8")  # noqa: SIM115
        self.returncode: int | None = None

    def poll(self) -> int | None:
        """How it ended, as subprocess tells it; None while it goes on."""
        if self.returncode is None and select.select([self._status[0]], [], [], 0)[0]:
            self.returncode = int(os.read(self._status[0], 100))
            os.close(self._status[0])
        return self.returncode

    def wait(self, timeout: float = 60.0) -> int:
        """How it ended, once it has. Raises subprocess.TimeoutExpired."""
        if self.returncode is None:
            select.select([self._status[0]], [], [], timeout)
        status = self.poll()
        if status is None:
            raise subprocess.TimeoutExpired(f"process {self.pid}", timeout)
        return status

    def send_signal(self, number: signal.Signals) -> None:
        """A signal, if it still goes on."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def end(self) -> None:
        """Kill it if it still goes on, and close its streams."""
        self.send_signal(signal.SIGKILL)
        self.wait()
        self.stdout.close()
        if self.stderr is not None:
            self.stderr.close()


def run(code: str, *arguments: str, env: Mapping[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Python code run to its end as a process: its status and what it said."""
    program = Program(code, *arguments, env=env)
    assert program.stderr is not None
    with program.stdout as stdout, program.stderr as stderr:
        said = {stdout.fileno(): b"", stderr.fileno(): b""}
        going, give_up = set(said), time.monotonic() + 120
        while going:
            ready = select.select(list(going), [], [], max(0.0, give_up - time.monotonic()))[0]
            if not ready:
                os.kill(program.pid, signal.SIGKILL)
                raise AssertionError(f"it did not end in two minutes: {said}")
            for one in ready:
                some = os.read(one, 65536)
                said[one] += some
                going -= set() if some else {one}
        out, err = (said[one.fileno()].decode() for one in (stdout, stderr))
    return subprocess.CompletedProcess([code, *arguments], program.wait(), out, err)


@cache
def _nursery() -> socket.socket:
    ours, theirs = socket.socketpair()
    subprocess.Popen(
        [sys.executable, "-m", "tests.forked", str(theirs.fileno())],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        pass_fds=[theirs.fileno()],
    )  # it ends when our end of the socket is closed
    theirs.close()
    return ours


def _serve(asking: socket.socket) -> None:
    """Fork what is asked for, and tell how each one ended; returns in the nursery only when nobody asks."""
    signal.signal(signal.SIGCHLD, lambda *_: None)  # so that an end wakes the loop
    woken, wake = os.pipe()
    for end in (woken, wake):
        os.set_blocking(end, False)
    signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
    living: dict[int, int] = {}  # where each one's end is told
    while True:
        ready = select.select([asking, woken], [], [])[0]
        if woken in ready:
            os.read(woken, 4096)
            while living:
                pid, status = os.waitpid(-1, os.WNOHANG)
                if not pid:
                    break
                if pid in living:
                    os.write(living[pid], str(os.waitstatus_to_exitcode(status)).encode())
                    os.close(living.pop(pid))
        if asking in ready:
            message, streams, *_ = socket.recv_fds(asking, 65536, 3)
            if not message:
                return
            while not message.endswith(b"\n"):
                message += asking.recv(65536)
            child = os.fork()
            if child == 0:
                signal.set_wakeup_fd(-1)
                for other in (asking.fileno(), woken, wake, streams[2], *living.values()):
                    os.close(other)
                asking.detach()
                _become(json.loads(message), *streams[:2])
            for stream in streams[:2]:
                os.close(stream)
            living[child] = streams[2]
            asking.send(str(child).encode())


def _become(asked: dict[str, object], out: int, err: int) -> None:
    """Be the program that was asked for; ends the process."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    for stream, of_the_program in ((os.open(os.devnull, os.O_RDONLY), 0), (out, 1), (err, 2)):
        os.dup2(stream, of_the_program)
        os.close(stream)
    os.environ.clear()
    os.environ.update(asked["env"])  # type: ignore[call-overload]
    time.tzset()
    sys.argv = ["-c", *asked["arguments"]]  # type: ignore[misc]
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(line_buffering="PYTHONUNBUFFERED" in os.environ)  # type: ignore[union-attr]
    try:
        exec(compile(str(asked["code"]), "<program>", "exec"), {"__name__": "__main__"})
        status: object = 0
    except SystemExit as leaving:
        status = leaving.code
    except Exception:
        traceback.print_exc()
        status = 1
    _leave(status)


def _leave(status: object) -> None:
    """End as Python does, threads first, but let what the nursery loaded lie: taking it apart takes .1 s."""
    if status is not None and not isinstance(status, int):  # a sentence to say
        print(status, file=sys.stderr)
        status = 1
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit((status or 0) & 0xFF)


def _begin(asking: socket.socket) -> None:
    from multiprocessing import forkserver

    from ingest.files import read_pool
    from tests.quick_ledgers import quick

    for name in LOADED:
        importlib.import_module(name)
    # Readers of all these programs are forked from one process too, which is nobody's child but ours.
    read_pool._context()
    forkserver.ensure_running()
    forkserver._forkserver.ensure_running = lambda: None  # type: ignore[attr-defined,method-assign]
    folder = Path(tempfile.mkdtemp(prefix="nursery-"))
    with quick(folder):
        gc.collect()
        gc.freeze()
        _serve(asking)
    shutil.rmtree(folder)


if __name__ == "__main__":
    _begin(socket.socket(fileno=int(sys.argv[1])))
