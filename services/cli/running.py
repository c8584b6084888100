"""Commands that keep it running: watching, the page, the demo, health."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from services.cli.exit_status import DONE, NOT_DONE
from services.cli.keep_fact import ledger_of
from services.cli.output import AsJson, Home, now_utc, open_app, out, plain, print_json, say

if TYPE_CHECKING:
    from services.app import App


def start(home: Path | None) -> None:
    """What `gritledger` alone does: the page, shown in a browser, and the watching behind it."""
    from services.running.browser import show
    from services.running.watch import AlreadyWatching, watch
    from services.web.serve import address_of

    app = open_app(home)
    try:
        watch(app, with_page=True, say=say, on_page=lambda url: show(url, say))
    except AlreadyWatching:
        show(address_of(app.settings.page), say)


def watch(
    with_page: Annotated[bool, typer.Option("--page/--no-page", help="Serve the page as well.")] = True,
    once: Annotated[
        bool, typer.Option("--once", help="One round instead: files, weather, reminders, letters.")
    ] = False,
    at_login: Annotated[
        bool | None,
        typer.Option(
            "--at-login/--not-at-login",
            help="Instead: let it start by itself at login (a systemd user unit, a launchd agent or a "
            "Windows task); or no more.",
            show_default=False,
        ),
    ] = None,
    home: Home = None,
) -> None:
    """Watch your folders and do everything by itself, until stopped with Ctrl-C.

    Examples: gritledger watch · gritledger watch --once · gritledger watch --at-login
    """
    from services.running.watch import watch as watch_on

    app = open_app(home)
    if once:
        _one_round(app)
    elif at_login is not None:
        _start_at_login(app, at_login)
    else:
        watch_on(app, with_page=with_page, say=say)


def _one_round(app: App) -> None:
    """Read new files, fetch weather, tag hours, raise and deliver reminders, once."""
    from rules.rulebook_names import unknown_names
    from services.running.round import one_round

    with out.status("one round …"):
        report = one_round(app, now=now_utc())
    for sentence in (*report.sentences(), *unknown_names(app.rulebook, ledger_of(app))):
        say(sentence)


def _start_at_login(app: App, wanted: bool) -> None:
    """Write what lets the watching start by itself on this system, or remove it."""
    from services.use_cases import autostart as starting

    plan = starting.autostart_here(app.settings.home)
    if plan is None:
        raise typer.BadParameter(
            "for this system there is nothing to write; start 'gritledger watch' your way"
        )
    for line in starting.write(plan) if wanted else starting.remove(plan):
        say(line)


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

    if send_test:
        _send_test(rider, home)
        return
    if rider:
        raise typer.BadParameter("--rider says who gets the test message; it goes with --send-test")
    if as_json:
        found = list(findings(open_app(home), now=now_utc()))
        print_json(asdict(one) for one in found)
        raise typer.Exit(DONE if all(one.fine for one in found) else NOT_DONE)
    trouble = False
    for finding in findings(open_app(home), now=now_utc()):
        trouble = trouble or not finding.fine
        mark = "well   " if finding.fine else "[bold]mend[/bold]   "
        out.print(
            f"{mark}{plain(finding.sentence)}" + (f" {plain(finding.try_this)}" if finding.try_this else "")
        )
    raise typer.Exit(NOT_DONE if trouble else DONE)


def _send_test(rider: str | None, home: Path | None) -> None:
    """A test message by every channel, and in words what is wrong with any."""
    from services.channels import ChannelError
    from services.messages.sample_letter import sample_letter

    app, failed = open_app(home), False
    with app.store.reading() as tx:
        to = tx.equipment.find_rider(rider) if rider else next(iter(tx.equipment.riders()), None)
    if not app.channels:
        say("No channel is set up; see [channels] in the settings: gritledger list settings")
        raise typer.Exit(NOT_DONE)
    for name, channel in app.channels.items():
        for sentence in channel.check():
            say(f"{name}: {sentence}")
        try:
            channel.send(sample_letter(name, (to.email if to else None) or "", now=now_utc()))
            say(f"{name}: the test message was taken.")
        except ChannelError as error:
            failed = True
            say(f"{name}: {error}")
    raise typer.Exit(NOT_DONE if failed else DONE)
