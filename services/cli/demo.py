"""The demo: the whole job on an invented household, told from its first file to the why of a reminder."""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rules.reminder import RaisedReminder
from services.cli.output import err, now_utc, out, plain, say

if TYPE_CHECKING:
    from services.running.demo import Demo


def demo(
    folder: Annotated[
        Path | None, typer.Option("--home", help="Where to put it; a new temporary folder by default.")
    ] = None,
) -> None:
    """Run the whole job on an invented household: no network, no account, nothing of yours is touched.

    Example: gritledger demo
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

    from services.running.demo import refuse_occupied, run_demo

    home = (folder or Path(tempfile.mkdtemp(prefix="gritledger-demo-"))).expanduser().absolute()
    refuse_occupied(home)
    with Progress(
        TextColumn("{task.description:<34}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=err,
    ) as bars:
        tasks: dict[str, TaskID] = {}

        def advance(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what)
            bars.update(tasks[what], completed=done, total=total)

        made = run_demo(home, now=now_utc(), on_progress=advance)
    _tell(made, home)


def _tell(made: Demo, home: Path) -> None:
    from services.use_cases.import_rides import Outcome
    from services.views.terminal_text import why

    app, outcomes = made.app, made.files
    counts = Counter(outcome.outcome for outcome in outcomes)
    say(f"An invented household on a high, dry plateau, in {home}")
    say("")
    say(f"Files: {'; '.join(f'{count} {kind.value}' for kind, count in counts.items())}.")
    for outcome in outcomes:
        if outcome.outcome not in (Outcome.NEW, Outcome.KNOWN):
            say(f"  {Path(outcome.name).name}: {outcome.outcome.value}: {outcome.why}")
    with app.store.reading() as tx:
        standing = sorted(
            tx.reminders.standing(), key=lambda r: (-r.reminder.urgency, r.reminder.cause_at, r.id)
        )
        questions = tx.rides.questions()
        mails = sum(posted.letter.channel == "mail folder" for posted in tx.outbox.sent())
    say(f"{made.tagged_hours} ride hours tagged; {mails} mails written to {home / 'mail'}")
    say("")
    out.print("[bold]For your hands[/bold]")
    for raised in standing:
        out.print(f"  [bold]{raised.id:>3}  {plain(raised.reminder.headline)}[/bold]")
        out.print(f"       {plain(raised.reminder.sentence)}")
    if questions:
        say(f"  And {len(questions)} ride{'s ask' if len(questions) != 1 else ' asks'} which bike it was.")
    shown = _shown(standing)
    if shown is not None:
        say("")
        out.print(f"[bold]Why {shown.id}?[/bold]  (gritledger why {shown.id})")
        for line in why(app, shown.id):
            say(f"  {line}")
    say("")
    say("Go on with it:")
    say(f"  export GRITLEDGER_HOME={home}")
    for command, meaning in (
        ("gritledger due", "what needs hands"),
        ("gritledger rides --unsure", "rides whose bike is a question; assign RIDE BIKE answers"),
        ("gritledger log drip Courser", "log a drip and see what it answers; undo takes it back"),
        ("gritledger outlook", "how far each limit is"),
        ("gritledger page", "all of it in your browser"),
    ):
        say(f"  {command:<28} {meaning}")
    say(f"({home.name} is yours to delete.)")


def _shown(standing: list[RaisedReminder]) -> RaisedReminder | None:
    """The reminder with the shortest trace that has ride hours in it: one to follow by hand."""
    traced = [r for r in standing if sum(reason.ride is not None for reason in r.reminder.reasons) >= 2]
    return min(traced or standing, key=lambda r: len(r.reminder.reasons), default=None)
