"""Files that start the watching, read back by the parsers of their formats."""

from __future__ import annotations

import configparser
import plistlib
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from services.use_cases.autostart import autostart, remove, write

AWKWARD = Path('/home/ines maría/50% of $HOME/my "rides" \\ & <more>')
PROGRAM = (str(AWKWARD / "bin" / "gritledger"), "watch")
USER_HOME = Path("/home/ines maría")


def systemd_words(line: str) -> list[str]:
    """Split as systemd.syntax(7) says: quoted words, backslash escapes; then %% and $$ are one."""
    words = re.findall(r'"((?:[^"\\]|\\.)*)"', line)
    return [re.sub(r"\\(.)", r"\1", word).replace("%%", "%").replace("$$", "$") for word in words]


def test_the_systemd_unit_runs_exactly_this_program_with_this_home() -> None:
    plan = autostart("linux", program=PROGRAM, home=AWKWARD, user_home=USER_HOME)
    unit = configparser.RawConfigParser(strict=True, delimiters=("=",))
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string(plan.content.decode())

    assert plan.path == USER_HOME / ".config/systemd/user/gritledger.service"
    assert systemd_words(unit["Service"]["ExecStart"]) == list(PROGRAM)
    # Environment= knows % but not $ (systemd.exec(5)).
    (variable,) = re.findall(r'"((?:[^"\\]|\\.)*)"', unit["Service"]["Environment"])
    assert re.sub(r"\\(.)", r"\1", variable).replace("%%", "%") == f"GRITLEDGER_HOME={AWKWARD}"
    assert unit["Service"]["Restart"] == "on-failure"
    assert unit["Install"]["WantedBy"] == "default.target"
    assert plan.switch_on[-1] == ("systemctl", "--user", "enable", "--now", "gritledger.service")
    assert plan.switch_off[0] == ("systemctl", "--user", "disable", "--now", "gritledger.service")


def test_the_launchd_agent_runs_exactly_this_program_with_this_home() -> None:
    plan = autostart("darwin", program=PROGRAM, home=AWKWARD, user_home=USER_HOME, user_id=501)
    agent = plistlib.loads(plan.content)

    assert plan.path == USER_HOME / "Library/LaunchAgents/gritledger.watch.plist"
    assert agent["ProgramArguments"] == list(PROGRAM)
    assert agent["EnvironmentVariables"] == {"GRITLEDGER_HOME": str(AWKWARD)}
    assert agent["RunAtLoad"] is True
    assert agent["KeepAlive"] == {"SuccessfulExit": False}
    assert agent["Label"] == plan.path.stem
    assert plan.switch_on == (("launchctl", "bootstrap", "gui/501", str(plan.path)),)
    assert plan.switch_off == (("launchctl", "bootout", "gui/501/gritledger.watch"),)


def test_the_windows_task_runs_exactly_this_program_with_this_home() -> None:
    program = (r"C:\Program Files\gritledger\gritledger.exe", "watch")
    plan = autostart("win32", program=program, home=Path("C:/Users/Ines & co/rides"), user_home=USER_HOME)
    space = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
    task = ET.fromstring(plan.content)

    assert plan.content[:2] in (b"\xff\xfe", b"\xfe\xff")
    assert task.tag == f"{{{space['t']}}}Task"
    assert task.findtext("t:Actions/t:Exec/t:Command", namespaces=space) == program[0]
    arguments = task.findtext("t:Actions/t:Exec/t:Arguments", namespaces=space)
    assert arguments == 'watch --home "C:/Users/Ines & co/rides"'
    assert task.findtext("t:Triggers/t:LogonTrigger/t:Enabled", namespaces=space) == "true"
    # Without these, a task ends after three days, and never starts on a laptop's battery.
    assert task.findtext("t:Settings/t:ExecutionTimeLimit", namespaces=space) == "PT0S"
    assert task.findtext("t:Settings/t:DisallowStartIfOnBatteries", namespaces=space) == "false"
    assert task.findtext("t:Settings/t:MultipleInstancesPolicy", namespaces=space) == "IgnoreNew"
    assert plan.switch_on[0] == ("schtasks", "/Create", "/TN", "gritledger", "/XML", str(plan.path))
    assert plan.switch_off[-1] == ("schtasks", "/Delete", "/TN", "gritledger", "/F")


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_a_path_that_could_smuggle_in_a_line_is_refused(system: str) -> None:
    with pytest.raises(ValueError, match="control character"):
        autostart(system, program=("/bin/x\nExecStart=/bin/evil",), home=Path("/h"), user_home=Path("/u"))  # type: ignore[arg-type]


def test_it_is_written_and_switched_off_before_it_is_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = autostart("linux", program=PROGRAM, home=tmp_path / "ledger", user_home=tmp_path)

    written = write(plan)
    assert plan.path.read_bytes() == plan.content
    assert written[0] == f"Written: {plan.path}"
    assert "  systemctl --user enable --now gritledger.service" in written
    assert "loginctl enable-linger" in written[-1]

    ran: list[tuple[str, ...]] = []

    def switched_off(command: tuple[str, ...], **_: object) -> subprocess.CompletedProcess[bytes]:
        assert plan.path.exists()
        ran.append(command)
        return subprocess.CompletedProcess(command, returncode=0 if "disable" in command else 1)

    monkeypatch.setattr(subprocess, "run", switched_off)
    assert remove(plan) == [
        "Done: systemctl --user disable --now gritledger.service",
        "This did not work; run it yourself: systemctl --user daemon-reload",
        f"Deleted: {plan.path}",
    ]
    assert ran == list(plan.switch_off)
    assert not plan.path.exists()
    assert remove(plan)[-1] == f"There was no {plan.path}."


def test_a_command_to_type_survives_a_shell() -> None:
    import shlex

    plan = autostart("darwin", program=PROGRAM, home=AWKWARD, user_home=AWKWARD, user_id=501)
    line = next(line for line in _said(plan) if "bootstrap" in line)

    assert shlex.split(line) == list(plan.switch_on[0])


def _said(plan: object) -> list[str]:
    from services.use_cases import autostart as module

    return [module._typed(command) for command in plan.switch_on]  # type: ignore[attr-defined]
