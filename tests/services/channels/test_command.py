"""A program of the rider's own, handed each letter."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import pytest

from rules.vocabulary import ReminderId, RiderId
from services.channels import ChannelError
from services.channels.command import CommandChannel
from services.queued_letter import Letter
from services.settings import Command

LETTER = Letter(
    id=1,
    rider=RiderId(1),
    channel="command",
    to="Ines",
    subject="Re-immerse chain 3; $(touch forged) `touch forged`",
    text="41 of 40 grit-hours – dust.\n",
    html="",
    message_id="<r12.0@gritledger.invalid>",
    reminders=(ReminderId(12),),
    facts=json.dumps({"reminders": [{"id": 12, "kind": "re-immersion"}]}),
    attempts=2,
)


def run(program: str, *arguments: str, timeout_s: float = 10) -> CommandChannel:
    return CommandChannel(Command(argv=[sys.executable, "-c", program, *arguments], timeout_s=timeout_s))


def test_the_program_reads_the_letter_as_json(tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    run("import sys; open(sys.argv[1], 'wb').write(sys.stdin.buffer.read())", str(kept)).send(LETTER)

    assert json.loads(kept.read_bytes()) == {
        "reminders": [{"id": 12, "kind": "re-immersion"}],
        "message_id": "<r12.0@gritledger.invalid>",
        "attempt": 3,
        "to": "Ines",
        "subject": LETTER.subject,
        "text": LETTER.text,
    }


def test_no_shell_ever_sees_a_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    kept = tmp_path / "argv.json"
    run(
        "import sys, json; json.dump(sys.argv[1:], open(sys.argv[1], 'w'))", str(kept), "; touch forged"
    ).send(LETTER)

    assert json.loads(kept.read_text()) == [str(kept), "; touch forged"]
    assert [p.name for p in tmp_path.iterdir()] == ["argv.json"]


def test_a_failure_is_passing_and_its_last_line_is_the_why() -> None:
    program = "import sys; print('first', file=sys.stderr); sys.exit('the modem is\\tasleep\\n\\n')"

    with pytest.raises(ChannelError, match="ended with status 1: the modem is asleep") as failed:
        run(program).send(LETTER)

    assert not failed.value.permanent


def test_a_silent_failure_is_said_to_be_silent() -> None:
    with pytest.raises(ChannelError, match="ended with status 7: it wrote nothing on standard error"):
        run("raise SystemExit(7)").send(LETTER)


def test_a_program_that_is_killed_is_said_so() -> None:
    with pytest.raises(ChannelError, match="ended by signal 9"):
        run("import os, signal; os.kill(os.getpid(), signal.SIGKILL)").send(LETTER)


def last_words(pipe: int) -> bytes:
    """What was written into a pipe until nobody held its other end."""
    said, give_up = b"", time.monotonic() + 30
    while time.monotonic() < give_up:
        try:
            part = os.read(pipe, 100)
        except BlockingIOError:  # it is held, and nothing new was said
            time.sleep(0.02)
            continue
        if not part:
            return said
        said += part
    raise AssertionError("the pipe is held still")


@pytest.mark.skipif(os.name != "posix", reason="process groups are a POSIX notion")
def test_a_program_that_never_ends_is_stopped_with_its_children(tmp_path: Path) -> None:
    """The child holds one end of a pipe: it says there that it lives, and who listens hears it die."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    child = (
        "import sys, time; held = open(sys.argv[1], 'w');"
        "print('alive', file=held, flush=True); time.sleep(60)"
    )
    program = (
        "import subprocess, sys, time;"
        "subprocess.Popen([sys.executable, '-c', sys.argv[2], sys.argv[1]]); time.sleep(60)"
    )
    heard = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    said = b""
    for patience_s in (1, 4, 16):  # a busy machine starts two programs slowly
        started = time.monotonic()
        with pytest.raises(ChannelError, match=f"was stopped: busy after {patience_s} seconds"):
            run(program, str(pipe), child, timeout_s=patience_s).send(LETTER)
        assert time.monotonic() - started < 50
        said = last_words(heard)
        if said:
            break

    os.close(heard)
    assert said == b"alive\n"


def test_a_program_that_writes_without_end_fills_no_memory() -> None:
    program = "import sys; sys.stderr.write('x' * 5_000_000 + '\\nenough\\n'); sys.exit(1)"

    with pytest.raises(ChannelError, match="enough"):
        run(program).send(LETTER)


def test_a_program_that_does_not_read_is_still_told_by_its_status() -> None:
    run("pass").send(LETTER)


def test_a_program_that_is_not_there_is_named() -> None:
    channel = CommandChannel(Command(argv=["/nowhere/tell"]))

    with pytest.raises(ChannelError, match="/nowhere/tell cannot be started: No such file") as missing:
        channel.send(LETTER)

    assert (missing.value.permanent, missing.value.everything) == (False, True)
    assert "/nowhere/tell is not there or may not be run" in channel.check()[0]
    assert run("pass").check() == []
