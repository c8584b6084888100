"""Commands for a club: many households in one PostgreSQL database."""

from __future__ import annotations

from typing import Annotated

import typer

from services.cli.output import Home, say

PANEL = "A club"

club = typer.Typer(no_args_is_help=True, help="Keep many households in one PostgreSQL database, apart.")


def register(commands: typer.Typer) -> None:
    """Hang these commands on the application."""
    commands.add_typer(club, name="club", rich_help_panel=PANEL)


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
    name: Annotated[str, typer.Argument(help="What the club calls this household.")],
    home: Home = None,
) -> None:
    """Add a household to the club whose database the settings name.

    Example: gritledger club add 'Mill Lane 4'
    """
    from services.store.club import Club
    from services.wiring import open_app

    url = open_app(home).settings.database_url
    with Club.open(url) as opened:
        made = opened.add(name)
        say(f"Household {made.number}: {made.name}. Its URL ends with ?household={made.number}")


@club.command("list")
def list_(home: Home = None) -> None:
    """List the club's households, by number.

    Example: gritledger club list
    """
    from services.store.club import Club
    from services.wiring import open_app

    with Club.open(open_app(home).settings.database_url) as opened:
        households = opened.households()
    for one in households:
        say(f"{one.number:>6}  {one.name}")
    if not households:
        say("No household yet; add one: gritledger club add NAME")
