"""Commands for a club: many households in one PostgreSQL database."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rules.roles import Role
from services.cli.output import AsJson, Home, now_utc, open_app, print_json, say

if TYPE_CHECKING:
    from services.app import App
    from services.store.club import Club


club = typer.Typer(no_args_is_help=True, help="Keep many households in one PostgreSQL database, apart.")


def _club_of(home: Path | None) -> Club:
    """The club whose database the settings name. Raises SettingsError, StoreError."""
    from services.store.club import Club

    return Club.open(open_app(home).settings.database_url)


def _with_page(home: Path | None) -> App:
    """What the settings of a club's home say, and where its page is: the links it mails lead there."""
    from dataclasses import replace

    from services.web.serve import address_of

    app = open_app(home)
    return replace(app, page_url=address_of(app.settings.page))


@contextmanager
def _mail_taken() -> Iterator[None]:
    """A mail server that refuses is told as what was typed wrongly is."""
    from services.channels import ChannelError

    try:
        yield
    except ChannelError as error:
        raise typer.BadParameter(f"the mail was not taken: {error}") from error


def _tell_link(app: App, link: str, email: str, *, mailed: str, good_for: str) -> None:
    """That the mail is on its way; without a mail server the link itself, to be handed over."""
    from services.use_cases.mailed_links import mail_of

    if mail_of(app) is not None:
        say(mailed)
        return
    say(f"No mail server is set, so hand this over yourself; it is for {email} alone, once, for {good_for}:")
    say(link)


@club.command()
def prepare(
    owner_url: Annotated[str, typer.Argument(help="The database, as the role that owns it.")],
    role: Annotated[str, typer.Option(help="The role that pages and workers sign in as.")] = "gritledger",
) -> None:
    """Make an empty PostgreSQL database fit for a club; said again, look it through and mend it.

    Example: gritledger club prepare postgresql://club_owner@localhost/club
    """
    from services.store.club import Club

    Club.prepare(owner_url, role)
    say(f"Prepared; every table shows “{role}” one household at a time.")
    say("Name it in the settings, and add households: gritledger club add NAME")


@club.command("add")
def add_household(
    name: Annotated[str, typer.Argument(help="What the club calls this household.")], home: Home = None
) -> None:
    """Add a household to the club whose database the settings name.

    Example: gritledger club add 'Mill Lane 4'
    """
    with _club_of(home) as opened:
        made = opened.add(name)
        say(f"Household {made.number}: {made.name}. Its URL ends with ?household={made.number}")


@club.command("list")
def list_(as_json: AsJson = False, home: Home = None) -> None:
    """List the club's households, by number.

    Example: gritledger club list
    """
    with _club_of(home) as opened:
        households = opened.households()
    if as_json:
        print_json([asdict(one) for one in households])
        return
    for one in households:
        say(f"{one.number:>6}  {one.name}")
    if not households:
        say("No household yet; add one: gritledger club add NAME")


@club.command("take-in")
def take_in(
    name: Annotated[str, typer.Argument(help="What the club calls this household.")],
    ledger: Annotated[Path, typer.Argument(help="Its home ledger: gritledger.db, or its home folder.")],
    home: Home = None,
) -> None:
    """Make a household of the club out of a home ledger, which is left as it is.

    Example: gritledger club take-in 'Mill Lane 4' ~/.local/share/gritledger
    """
    from services.settings import LEDGER_FILE
    from services.store import Store

    file = ledger.expanduser() / LEDGER_FILE if ledger.expanduser().is_dir() else ledger.expanduser()
    if not file.is_file():
        raise typer.BadParameter(f"{file}: there is no ledger; name its file, or its home folder")
    with _club_of(home) as opened, Store.open(file) as source:
        made = opened.take_in(source, name)
    say(f"Household {made.number}: {made.name}. {file} was left as it is; let nothing write to it any more.")


@club.command()
def move(
    old_url: Annotated[str, typer.Argument(help="The old database, as the role of its pages and workers.")],
    home: Home = None,
) -> None:
    """Take over a club that an older version kept, into the prepared database that the settings name.

    Example: gritledger club move postgresql://gritledger@localhost/club
    """
    from services.store.club_upgrade import move_club

    with _club_of(home) as opened:
        move_club(old_url, opened, say=say)
    say("All of it is here, under the old numbers; the old database was left as it is.")


@club.command("give-back")
def give_back(
    household: Annotated[int, typer.Argument(help="Its number: gritledger club list.")],
    folder: Annotated[Path, typer.Argument(help="A new home folder.")],
    home: Home = None,
) -> None:
    """Write all of a household as a home ledger, to be used by itself; the club keeps its own.

    Example: gritledger club give-back 7 ~/mill-lane
    """
    from services.settings import LEDGER_FILE
    from services.store import Store
    from services.store.household_transfer import move_out

    file = folder.expanduser() / LEDGER_FILE
    if file.exists():
        raise typer.BadParameter(f"{file} is there already; name another folder")
    with _club_of(home) as opened:
        store = opened.store(household)
        with Store.open(file) as target, store.reading_rows() as source:
            target.fill(lambda connection: move_out(source, connection))
    say(f"Written to {file}. Use it with: gritledger watch --home {folder}")


@club.command()
def invite(
    email: Annotated[str, typer.Argument(help="To which mail address.")],
    household: Annotated[int, typer.Option(help="To which household: gritledger club list.")],
    role: Annotated[Role, typer.Option(help="What they are there.")] = Role.OWNER,
    rider: Annotated[str | None, typer.Option(help="Which of its riders that is, by name.")] = None,
    home: Home = None,
) -> None:
    """Invite somebody to a household by mail; its first owner, as a rule: owners invite the others.

    Example: gritledger club invite iva@example.org --household 7
    """
    from services.store.club import Club
    from services.use_cases import memberships

    app = _with_page(home)
    with Club.open(app.settings.database_url) as opened:
        names = {one.number: one.name for one in opened.households()}
        with opened.store(household).reading() as tx:
            whose = tx.equipment.find_rider(rider).id if rider else None
        with _mail_taken():
            link = memberships.invite(
                app, opened.people, household, names[household], email, role, whose, by=None, now=now_utc()
            )
    invited = f"{email} is invited as {role} of {names[household]}: the mail is on its way."
    _tell_link(app, link, email, mailed=invited, good_for=f"{memberships.INVITED_FOR.days} days")


@club.command("new-password")
def new_password(
    email: Annotated[str, typer.Argument(help="By which mail address they sign in.")], home: Home = None
) -> None:
    """Mail a link for another password to somebody who lost theirs, as the sign-in page does when asked.

    Example: gritledger club new-password iva@example.org
    """
    from services.store.club import Club
    from services.use_cases import lost_password

    app = _with_page(home)
    with Club.open(app.settings.database_url) as opened, _mail_taken():
        link = lost_password.mail_lost(app, opened.people, email, now=now_utc())
    if link is None:
        raise typer.BadParameter(f"nobody signs in by {email}; invite them: gritledger club invite")
    _tell_link(app, link, email, mailed=f"The mail to {email} is on its way.", good_for="an hour")


@club.command()
def send(
    files: Annotated[list[Path], typer.Argument(help="Ride files, or folders of them.")],
    household: Annotated[int, typer.Option(help="Whose: gritledger club list.")],
    rider: Annotated[str | None, typer.Option(help="Which rider; not needed with one.")] = None,
    home: Home = None,
) -> None:
    """Hand ride files of a household to the club's workers.

    Example: gritledger club send rides --household 7
    """
    from services.use_cases.import_rides import ride_files
    from services.use_cases.queue_files import send_files

    paths = ride_files([path.expanduser() for path in files])
    with _club_of(home) as opened:
        new = send_files(opened.store(household), paths, rider, now=now_utc())
    say(f"{new} of {len(paths)} files are new, and wait for a worker.")


@club.command()
def work(
    until_idle: Annotated[bool, typer.Option("--until-idle", help="End when nothing is left to do.")] = False,
    home: Home = None,
) -> None:
    """Work for all households of a club: read, tag, reckon, deliver, copy; on any number of machines.

    Example: gritledger club work
    """
    try:
        from services.running.club_worker import work as work_on
    except ImportError as missing:
        raise typer.BadParameter(
            "it needs more to be installed: pip install 'gritledger[fleet]'"
        ) from missing
    work_on(open_app(home), say=say, until_idle=until_idle)
