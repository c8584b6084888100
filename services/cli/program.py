"""The program of the command line. Each command gathers, calls one use case, and says what happened."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from copy import copy
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.main import get_command_name

from services.cli import (
    assign,
    backup,
    care,
    club,
    demo,
    equipment,
    import_files,
    lists,
    outlook,
    reminders,
    rides,
    running,
    supplies_and_limits,
    undo,
    wax_night,
    wear,
)
from services.cli.exit_status import DONE, NOT_DONE, STOPPED, TYPED_WRONGLY
from services.cli.output import Home, OfAHousehold, err, out, plain
from services.cli.usage_errors import help_wanted, sentence

commands = typer.Typer(
    name="gritledger",
    help="Knows what every ride put into a waxed bicycle chain, and says what to do about it and why.",
    epilog="Alone, gritledger shows its page and watches your folders; begin with: gritledger demo. "
    f"A command ends with {DONE} when it was done, {NOT_DONE} when it could not be done, "
    f"{TYPED_WRONGLY} when it was typed wrongly, and {STOPPED} when it was stopped.",
    rich_markup_mode="rich",
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(asked: bool) -> None:
    if asked:
        from importlib.metadata import version

        out.print(f"gritledger {version('gritledger')}", markup=False)
        raise typer.Exit()


def _for_command(context: typer.Context, home: Path) -> dict[str, Any]:
    """The home that stands before a command, as that command's own, unless one stands behind it as well."""
    name = context.invoked_subcommand or ""
    parts = getattr(context.command, "commands", {})
    inside = getattr(parts.get(name), "commands", ())
    return {name: {"home": str(home), **{part: {"home": str(home)} for part in inside}}}


@commands.callback(invoke_without_command=True)
def _every(
    context: typer.Context,
    _: Annotated[
        bool, typer.Option("--version", help="Show the version.", callback=_version, is_eager=True)
    ] = False,
    home: Home = None,
) -> None:
    if context.invoked_subcommand is None:
        running.start(home)
    elif home is not None:
        context.default_map = _for_command(context, home)


# As the help shows them. A command is called like its function.
PANELS: Mapping[str, tuple[Callable[..., None], ...]] = {
    "Rides": (import_files.import_, rides.rides, assign.assign, rides.correct, undo.undo),
    "Bikes and chains": (lists.list_, equipment.fit, equipment.take_off, equipment.change),
    "Care": (care.log, care.measure, supplies_and_limits.supplies),
    "What is due, and why": (
        *(supplies_and_limits.limits, reminders.due, reminders.why, reminders.done, reminders.put_off),
        *(outlook.what_if, outlook.outlook, outlook.tomorrow),
    ),
    "Wear and wax": (wear.wear, wear.trial, wax_night.wax_night),
    "Running": (demo.demo, running.watch, running.page, running.health, backup.backup, backup.restore),
}
for panel, functions in PANELS.items():
    for function in functions:
        name = get_command_name(function.__name__.rstrip("_"))
        commands.command(name, rich_help_panel=panel)(function)
commands.add_typer(equipment.add, name="add", rich_help_panel="Bikes and chains")
commands.add_typer(club.club, name="club", rich_help_panel="A club")


def _flowing(words: str) -> str:
    """A docstring as paragraphs: a terminal breaks its lines, not the line length of our files."""
    return "\n\n".join(" ".join(paragraph.split()) for paragraph in words.split("\n\n"))


for command in (
    *commands.registered_commands,
    *equipment.add.registered_commands,
    *club.club.registered_commands,
):
    command.cls = OfAHousehold
    command.help = _flowing(inspect.getdoc(command.callback) or "")


def _asked(arguments: Sequence[str]) -> typer.Typer:
    """The application with only the command that is named first, if one is: the others stay unread."""
    named = [one for one in commands.registered_commands if one.name == next(iter(arguments), None)]
    if not named:
        return commands
    alone = copy(commands)
    alone.registered_commands, alone.registered_groups = named, []
    return alone


def run(arguments: Sequence[str]) -> int:
    """Run one command; returns its exit status. Expected trouble is one sentence on stderr.

    Which statuses there are: services.cli.exit_status.
    """
    try:
        status = _asked(arguments)(list(arguments), prog_name="gritledger", standalone_mode=False)
    except (KeyboardInterrupt, typer.Abort):
        err.print("gritledger: stopped; everything read so far is kept")
        return STOPPED
    except typer.TyperException as wrong:
        said = help_wanted(wrong)
        if said is not None:
            out.print(said, markup=False)
            return TYPED_WRONGLY
        err.print(f"gritledger: {plain(sentence(wrong))}")
        return getattr(wrong, "exit_code", TYPED_WRONGLY)
    except UnicodeEncodeError as trouble:
        if trouble.reason != "surrogates not allowed":  # then it is the terminal that has no such letters
            raise
        err.print("gritledger: what was typed holds bytes that are no text; type it anew")
        return NOT_DONE
    except Exception as trouble:
        # Loaded only now: knowing every kind of trouble means loading every part, and most commands end well.
        from services.expected_errors import EXPECTED

        if not isinstance(trouble, EXPECTED):
            raise
        err.print(f"gritledger: {plain(str(trouble))}")
        return NOT_DONE
    return status if isinstance(status, int) else DONE
