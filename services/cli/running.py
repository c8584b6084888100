"""Commands that keep it running: one round, watching, the page, the demo, health, settings."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from services.cli.demo import demo
from services.cli.output import AsJson, Home, now_utc, out, plain, print_json, say
from services.cli.saying import ledger_of

PANEL = "Running"


def register(commands: typer.Typer) -> None:
    """Hang these commands on the application."""
    for command in (demo, watch, page, health, settings):
        commands.command(rich_help_panel=PANEL)(command)
    commands.command("round", rich_help_panel=PANEL)(round_)
    commands.command(rich_help_panel=PANEL)(autostart)


def start(home: Path | None) -> None:
    """What `gritledger` alone does: the page, shown in a browser, and the watching behind it."""
    from services.running.browser import show
    from services.running.watch import AlreadyWatching, watch
    from services.web.serve import address_of
    from services.wiring import open_app

    app = open_app(home)
    try:
        watch(app, with_page=True, say=say, on_page=lambda url: show(url, say))
    except AlreadyWatching:
        show(address_of(app.settings.page), say)


def round_(home: Home = None) -> None:
    """Make one round: read new files, fetch weather, tag hours, raise and deliver reminders.

    Example: gritledger round
    """
    from rules.judgements import unknown_names
    from services.running.round import one_round
    from services.wiring import open_app

    app = open_app(home)
    with out.status("one round …"):
        report = one_round(app, now=now_utc())
    for sentence in (*report.sentences(), *unknown_names(app.rulebook, ledger_of(app))):
        say(sentence)


def watch(
    with_page: Annotated[bool, typer.Option("--page/--no-page", help="Serve the page as well.")] = True,
    home: Home = None,
) -> None:
    """Watch your folders and do everything by itself, until stopped with Ctrl-C.

    Example: gritledger watch
    """
    from services.running.watch import watch as watch_on
    from services.wiring import open_app

    watch_on(open_app(home), with_page=with_page, say=say)


def page(
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Port; from the settings by default.")
    ] = None,
    home: Home = None,
) -> None:
    """Serve the page to this machine's browser, without watching folders.

    Example: gritledger page
    """
    from services.web.serve import serve
    from services.wiring import open_app

    serve(open_app(home), port=port, say=say)


def health(
    send_test: Annotated[
        bool, typer.Option("--send-test", help="Send a test message by every channel instead.")
    ] = False,
    rider: Annotated[
        str | None, typer.Option(help="To whom the test message goes; the first rider by default.")
    ] = None,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Check database, folders, archive, mail, desktop, clock, disk and unsent messages. Status 1 on trouble.

    Examples: gritledger health · gritledger health --send-test
    """
    from services.running.health import findings
    from services.wiring import open_app

    if send_test:
        _send_test(rider, home)
        return
    if rider:
        raise typer.BadParameter("--rider says who gets the test message; it goes with --send-test")
    if as_json:
        found = list(findings(open_app(home), now=now_utc()))
        print_json(asdict(one) for one in found)
        raise typer.Exit(0 if all(one.fine for one in found) else 1)
    trouble = False
    for finding in findings(open_app(home), now=now_utc()):
        trouble = trouble or not finding.fine
        mark = "well   " if finding.fine else "[bold]mend[/bold]   "
        out.print(
            f"{mark}{plain(finding.sentence)}" + (f" {plain(finding.try_this)}" if finding.try_this else "")
        )
    raise typer.Exit(1 if trouble else 0)


def settings(home: Home = None) -> None:
    """Show where the settings are and what they say.

    Example: gritledger settings
    """
    from services.settings import SETTINGS_FILE, variables_in_force
    from services.wiring import open_app

    chosen = open_app(home).settings
    file = chosen.home / SETTINGS_FILE
    say(f"Settings: {file}" + ("" if file.exists() else " (not there yet: everything is as by default)"))
    if variables := variables_in_force():
        won = "which win over the file" if chosen.use_variables else "not read here: use_variables = false"
        say(f"Variables: {', '.join(variables)} ({won})")
    for name, value in _flat(chosen.model_dump(mode="json", exclude={"home"})):
        say(f"  {name} = {value}")


def _flat(section: dict[str, Any], under: str = "") -> Iterator[tuple[str, str]]:
    """Every setting by its dotted name, as the file would spell its value; secrets are left out."""
    from services.store.engine import url_of, where

    for name, value in section.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{under}{name}.")
        elif f"{under}{name}" == "database" and value is not None:
            yield name, json.dumps(where(url_of(value)), ensure_ascii=False)
        elif f"{under}{name}" == "channels.command.argv":
            yield f"{under}{name}", _program_only(value)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, one in enumerate(value, 1):
                yield from _flat(one, f"{under}{name} {number}: ")
        else:
            yield f"{under}{name}", "not set" if value is None else json.dumps(value, ensure_ascii=False)


def _program_only(argv: list[str]) -> str:
    """The program of a command; what is handed to it may hold a password, and is only counted."""
    hidden = f" and {len(argv) - 1} more, not shown: they may hold a password" if len(argv) > 1 else ""
    return f"{json.dumps(argv[:1], ensure_ascii=False)}{hidden}"


def _send_test(rider: str | None, home: Path | None) -> None:
    """A test message by every channel, and in words what is wrong with any."""
    from services.channels import ChannelError, trial_letter
    from services.wiring import open_app

    app, failed = open_app(home), False
    with app.store.reading() as tx:
        to = tx.equipment.find_rider(rider) if rider else next(iter(tx.equipment.riders()), None)
    if not app.channels:
        say("No channel is set up; see [channels] in the settings: gritledger settings")
        raise typer.Exit(1)
    for name, channel in app.channels.items():
        for sentence in channel.check():
            say(f"{name}: {sentence}")
        try:
            channel.send(trial_letter(name, (to.email if to else None) or "", now=now_utc()))
            say(f"{name}: the test message was taken.")
        except ChannelError as error:
            failed = True
            say(f"{name}: {error}")
    raise typer.Exit(1 if failed else 0)


def autostart(
    remove: Annotated[bool, typer.Option("--remove", help="Take it away again.")] = False,
    home: Home = None,
) -> None:
    """Let the watching start by itself at login, by a systemd user unit, a launchd agent or a Windows task.

    Example: gritledger autostart
    """
    import os
    import shutil
    import sys

    from services.running import autostart as starting
    from services.wiring import open_app

    systems: dict[str, starting.System] = {"linux": "linux", "darwin": "darwin", "win32": "win32"}
    if sys.platform not in systems:
        raise typer.BadParameter(
            f"for {sys.platform} there is nothing to write; start 'gritledger watch' your way"
        )
    program = shutil.which(sys.argv[0]) or os.path.abspath(sys.argv[0])
    wanted = starting.autostart(
        systems[sys.platform],
        program=(os.path.abspath(program), "watch"),
        home=open_app(home).settings.home,
        user_home=Path.home(),
        user_id=os.getuid() if hasattr(os, "getuid") else 0,
    )
    for line in starting.remove(wanted) if remove else starting.write(wanted):
        say(line)
