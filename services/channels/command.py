"""A program of the rider's own, handed each letter as JSON: the way to everything not built in."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import tempfile
from contextlib import suppress
from typing import IO

from services.channels import ChannelError, one_line
from services.queued_letter import Letter
from services.settings import Command

_LAST_WORDS_BYTES = 4096


class CommandChannel:
    """Runs the program without a shell. Exit status 0 = told; anything else = tried again later."""

    name = "command"

    def __init__(self, settings: Command) -> None:
        self.settings = settings

    def send(self, letter: Letter) -> None:
        """Return once the program ended with status 0.

        Raises ChannelError (passing); the program's last line on standard error is the why.
        """
        argv = self.settings.argv
        # A file, not a pipe: a chatty program cannot fill our memory.
        with tempfile.TemporaryFile() as errors:
            try:
                process = subprocess.Popen(  # noqa: S603 - the rider's own program, named in the rider's settings
                    argv,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=errors,
                    start_new_session=True,
                )
            except OSError as error:
                raise ChannelError(
                    f"the command {argv[0]} cannot be started: {error.strerror or error}",
                    try_this="correct channels.command.argv",
                    everything=True,
                ) from error
            try:
                process.communicate(_as_json(letter), timeout=self.settings.timeout_s)
            except subprocess.TimeoutExpired as error:
                raise ChannelError(
                    f"the command {argv[0]} was stopped: busy after {self.settings.timeout_s:.0f} seconds",
                    try_this="let it hand the work on, or raise channels.command.timeout_s",
                    everything=True,
                ) from error
            finally:
                _end(process)
            if process.returncode != 0:
                raise ChannelError(
                    f"the command {argv[0]} {_ending(process.returncode)}: {_last_line(errors)}"
                )

    def check(self) -> list[str]:
        """Whether the program is there and may be run."""
        program = self.settings.argv[0]
        if shutil.which(program) is None:
            return [
                f"The command {program} is not there or may not be run; "
                "give its whole path in channels.command.argv."
            ]
        return []


def _as_json(letter: Letter) -> bytes:
    facts = json.loads(letter.facts)
    return json.dumps(
        {
            **facts,
            "message_id": letter.message_id,
            "attempt": letter.attempts + 1,
            "to": letter.to,
            "subject": letter.subject,
            "text": letter.text,
        },
        ensure_ascii=False,
    ).encode()


def _end(process: subprocess.Popen[bytes]) -> None:
    """Stop the program and what it started, if it still runs."""
    if process.poll() is None:
        with suppress(OSError):
            if os.name == "posix":
                os.killpg(process.pid, signal.SIGKILL)
            else:
                process.kill()
        process.wait()


def _ending(status: int) -> str:
    return f"was ended by signal {-status}" if status < 0 else f"ended with status {status}"


def _last_line(errors: IO[bytes]) -> str:
    size = errors.seek(0, os.SEEK_END)
    errors.seek(max(0, size - _LAST_WORDS_BYTES))
    lines = [line for line in errors.read().decode("utf-8", "replace").splitlines() if line.strip()]
    return one_line(lines[-1]) if lines else "it wrote nothing on standard error"
