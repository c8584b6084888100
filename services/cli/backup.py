"""Commands that copy the ledger and put a copy back."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from services.cli.exit_status import DONE, NOT_DONE
from services.cli.keep_fact import Yes, confirm
from services.cli.output import Home, now_utc, open_app, out, print_json, say


def backup(
    to: Annotated[
        Path | None, typer.Option(help="A folder of your own, on another disk; nothing is deleted there.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option(help="Make none; look this copy through instead.", show_default=False)
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="What --verify found, as JSON, for programs.")
    ] = False,
    home: Home = None,
) -> None:
    """Copy the ledger as it is now, look the copy through, and keep it. Watching does so once a day.

    Examples: gritledger backup · gritledger backup --to /media/disk · gritledger backup --verify COPY
    """
    from services.use_cases.back_up import back_up, counted
    from services.use_cases.back_up import verify as look_through

    app = open_app(home)
    if as_json and verify is None:
        raise typer.BadParameter("--json is what --verify found; give both")
    if verify is not None:
        if to is not None:
            raise typer.BadParameter("--verify makes no copy; leave --to out")
        with out.status("looking it through …"):
            found = look_through(app, verify)
        if as_json:
            print_json({**asdict(found), "path": str(verify)})
            raise typer.Exit(NOT_DONE if found.faults else DONE)
        for sentence in (*found.faults, *found.remarks):
            say(sentence)
        if found.faults:
            say(f"{verify} is not to be used; choose another copy.")
            raise typer.Exit(NOT_DONE)
        say(f"{verify} is whole: {counted(found.inside)}.")
        return
    with out.status("copying the ledger …"):
        made = back_up(app, now=now_utc(), to=to.expanduser().absolute() if to else None)
    for sentence in made.remarks:
        say(sentence)
    say(f"Copied to {made.path}, and looked through: {counted(made.inside)}.")
    if to is None and app.settings.backup.folder is None:
        say("It lies on the disk of the ledger itself; one on another disk outlives this one: --to FOLDER")


def restore(
    copy: Annotated[
        Path, typer.Argument(help="A copy that 'gritledger backup' made, or a database kept aside.")
    ],
    yes: Yes = False,
    home: Home = None,
) -> None:
    """Put a copy in the ledger's place. What is there now is kept aside; stop 'watch' and 'page' before.

    Example: gritledger restore ~/gritledger-20260501T180000Z.db.gz
    """
    from services.running.watch import only_one
    from services.use_cases.back_up import counted, verify
    from services.use_cases.back_up import restore as put_back

    app = open_app(home)
    with only_one(app.settings.home):
        with out.status("looking it through …"):
            found = verify(app, copy)
        for sentence in found.faults:
            say(sentence)
        if found.faults:
            say(f"{copy} is not to be used; nothing was changed.")
            raise typer.Exit(NOT_DONE)
        confirm(f"{copy} holds {counted(found.inside)}. Is it to take the ledger's place?", yes)
        for sentence in put_back(app, copy, now=now_utc()):
            say(sentence)
