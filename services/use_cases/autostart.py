"""Let the watching start by itself at login: a systemd user unit, a launchd agent or a Windows task.

What is written is worked out by pure functions; nothing but that one file is touched, and what cannot be
switched on or off from here is said as what to type.
"""

from __future__ import annotations

import os
import plistlib
import shlex
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from services.atomic_write import write_whole
from services.settings import HOME_VARIABLE

System = Literal["linux", "darwin", "win32"]  # as sys.platform names them

NAME = "gritledger"
_LABEL = "gritledger.watch"
_TASK_SPACE = "http://schemas.microsoft.com/windows/2004/02/mit/task"


@dataclass(frozen=True, slots=True)
class Autostart:
    """A file that lets the watching start by itself, and the commands that switch it on and off."""

    path: Path
    content: bytes
    switch_on: tuple[tuple[str, ...], ...]
    switch_off: tuple[tuple[str, ...], ...]
    note: str = ""


def autostart(
    system: System, *, program: Sequence[str], home: Path, user_home: Path, user_id: int = 0
) -> Autostart:
    """What has to be written for this system?

    program: the command that watches, by its whole path, e.g. (".../bin/gritledger", "watch").
    home: the ledger's folder. user_home: the rider's own folder. user_id: the rider's number, for launchd.
    Raises ValueError for a path with a control character in it, which not all of these formats can hold.
    """
    for part in (*program, str(home)):
        if any(ord(character) < 32 for character in part):
            raise ValueError(f"{part!r} has a control character in it; rename it without one")
    if system == "linux":
        return _systemd(program, home, user_home)
    if system == "darwin":
        return _launchd(program, home, user_home, user_id)
    return _windows(program, home)


SWITCHING_S = 30.0  # until the system has stopped what it started


def autostart_here(home: Path) -> Autostart | None:
    """What has to be written on this machine? None: for its system there is nothing to write."""
    systems: dict[str, System] = {"linux": "linux", "darwin": "darwin", "win32": "win32"}
    if sys.platform not in systems:
        return None
    return autostart(
        systems[sys.platform],
        program=(os.path.abspath(shutil.which(sys.argv[0]) or sys.argv[0]), "watch"),
        home=home,
        user_home=Path.home(),
        user_id=os.getuid() if hasattr(os, "getuid") else 0,
    )


def by_systemd() -> bool:
    """Whether systemd runs this machine (sd_booted(3)) and can be asked."""
    return Path("/run/systemd/system").is_dir() and shutil.which("systemctl") is not None


def switch_on(plan: Autostart) -> list[str]:
    """Write the file and switch it on; returns what to tell the rider. Raises OSError."""
    write_whole(plan.path, plan.content)
    return [f"Written: {plan.path}", *_run(plan.switch_on), *([plan.note] if plan.note else [])]


def write(plan: Autostart) -> list[str]:
    """Write the file; returns what to tell the rider. Raises OSError."""
    write_whole(plan.path, plan.content)
    said = [f"Written: {plan.path}", "Switch it on with:"]
    said += [f"  {_typed(command)}" for command in plan.switch_on]
    return [*said, plan.note] if plan.note else said


def remove(plan: Autostart) -> list[str]:
    """Switch it off, then delete the file; returns what to tell the rider. Raises OSError.

    In this order: what is deleted first can no longer be switched off by its name.
    """
    if not plan.path.exists():
        return [f"There was no {plan.path}."]
    said = _run(plan.switch_off)
    plan.path.unlink()
    return [*said, f"Deleted: {plan.path}"]


def _run(commands: Sequence[Sequence[str]]) -> list[str]:
    """Run each; whether it worked, and what to type where it did not."""
    said = []
    for command in commands:
        try:
            ended = subprocess.run(  # noqa: S603 - the words are ours
                command, capture_output=True, timeout=SWITCHING_S, check=False
            )
            done = ended.returncode == 0
        except (OSError, subprocess.TimeoutExpired):
            done = False
        said.append(f"{'Done' if done else 'This did not work; run it yourself'}: {_typed(command)}")
    return said


def _systemd(program: Sequence[str], home: Path, user_home: Path) -> Autostart:
    """Sources: systemd.service(5), systemd.unit(5); quoting as in systemd.syntax(7)."""
    unit = (
        "[Unit]\n"
        "Description=gritledger watches for rides and tells what the chains need\n"
        "\n"
        "[Service]\n"
        f"ExecStart={' '.join(_systemd_quoted(part) for part in program)}\n"
        f"Environment={_systemd_quoted(f'{HOME_VARIABLE}={home}', in_command=False)}\n"
        "Restart=on-failure\n"
        "RestartSec=30\n"
        "UMask=0077\n"
        "NoNewPrivileges=yes\n"
        "Nice=10\n"
        "\n"
        "[Install]\n"
        "WantedBy=default.target\n"
    )
    service = f"{NAME}.service"
    return Autostart(
        user_home / ".config" / "systemd" / "user" / service,
        unit.encode(),
        (
            ("systemctl", "--user", "daemon-reload"),
            ("systemctl", "--user", "enable", "--now", service),
        ),
        (("systemctl", "--user", "disable", "--now", service), ("systemctl", "--user", "daemon-reload")),
        "On a machine where you do not log in, also: loginctl enable-linger",
    )


def _systemd_quoted(word: str, *, in_command: bool = True) -> str:
    """One word of a unit file: % starts a specifier there, and in a command line $ a variable."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{escaped.replace("$", "$$") if in_command else escaped}"'


def _launchd(program: Sequence[str], home: Path, user_home: Path, user_id: int) -> Autostart:
    """Source: launchd.plist(5)."""
    path = user_home / "Library" / "LaunchAgents" / f"{_LABEL}.plist"
    content = plistlib.dumps(
        {
            "Label": _LABEL,
            "ProgramArguments": list(program),
            "EnvironmentVariables": {HOME_VARIABLE: str(home)},
            "RunAtLoad": True,
            "KeepAlive": {"SuccessfulExit": False},
            "ThrottleInterval": 30,
            "ProcessType": "Background",
            "StandardOutPath": str(home / "watch.log"),
            "StandardErrorPath": str(home / "watch.log"),
        }
    )
    return Autostart(
        path,
        content,
        (("launchctl", "bootstrap", f"gui/{user_id}", str(path)),),
        (("launchctl", "bootout", f"gui/{user_id}/{_LABEL}"),),
    )


def _windows(program: Sequence[str], home: Path) -> Autostart:
    """Source: Task Scheduler schema 1.2. A task has no environment of its own: home is an argument."""
    task = ET.Element("Task", {"version": "1.2", "xmlns": _TASK_SPACE})
    _add(task, "RegistrationInfo", Description="gritledger watches for rides and tells what the chains need")
    triggers = ET.SubElement(task, "Triggers")
    _add(triggers, "LogonTrigger", Enabled="true")
    principal = _add(
        ET.SubElement(task, "Principals"),
        "Principal",
        LogonType="InteractiveToken",
        RunLevel="LeastPrivilege",
    )
    principal.set("id", "Author")
    settings = _add(
        task,
        "Settings",
        MultipleInstancesPolicy="IgnoreNew",
        DisallowStartIfOnBatteries="false",
        StopIfGoingOnBatteries="false",
        ExecutionTimeLimit="PT0S",
    )
    _add(settings, "RestartOnFailure", Interval="PT1M", Count="10")
    actions = ET.SubElement(task, "Actions", {"Context": "Author"})
    _add(
        actions,
        "Exec",
        Command=program[0],
        Arguments=subprocess.list2cmdline([*program[1:], "--home", str(home)]),
    )
    path = home / "gritledger-task.xml"
    # The Task Scheduler reads UTF-16, and says so in the declaration.
    content = ET.tostring(task, encoding="utf-16", xml_declaration=True)
    return Autostart(
        path,
        content,
        (("schtasks", "/Create", "/TN", NAME, "/XML", str(path)), ("schtasks", "/Run", "/TN", NAME)),
        (("schtasks", "/End", "/TN", NAME), ("schtasks", "/Delete", "/TN", NAME, "/F")),
    )


def _add(parent: ET.Element, name: str, **children: str) -> ET.Element:
    element = ET.SubElement(parent, name)
    for child, text in children.items():
        ET.SubElement(element, child).text = text
    return element


def _typed(command: Sequence[str]) -> str:
    return subprocess.list2cmdline(command) if command[0] == "schtasks" else shlex.join(command)
