"""What is written for riders and developers names commands and files that are there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import typer

from services.cli.program import commands

HOUSE = Path(__file__).parents[1]
# Words that follow the name in a sentence about the program.
NO_COMMANDS = {"is", "keeps", "shows", "stumbled", "still", "watches", "run", "or", "that"}


def command_names() -> Iterator[str]:
    """Every command as it is typed: 'log', 'add rider'."""
    for name, command in typer.main.get_command(commands).commands.items():  # type: ignore[attr-defined]
        inside = getattr(command, "commands", None)
        yield from [name] if inside is None else [f"{name} {one}" for one in inside]


def test_there_are_few_enough_commands_to_look_through() -> None:
    """Each that a rider types counts; a club's count as one, for who has a home never meets them."""
    names = {"club" if name.startswith("club ") else name for name in command_names()}

    assert len(names) <= 35, sorted(names)


def test_every_command_that_is_quoted_is_one() -> None:
    known = {name.split()[0] for name in command_names()}
    written = [HOUSE / "README.md", HOUSE / "DEVELOPERS.md"]
    for part in ("ingest", "rules", "services"):
        written += [
            one for one in (HOUSE / part).rglob("*") if one.suffix in (".py", ".html", ".js", ".toml")
        ]
    quoted = {
        (word, path.name)
        for path in written
        for word in re.findall(r"gritledger ([a-z][a-z-]+)", path.read_text(encoding="utf-8"))
    }

    assert len(quoted) > 40
    assert {(word, name) for word, name in quoted if word not in known | NO_COMMANDS} == set()


def test_the_readme_lists_every_command_and_no_other() -> None:
    readme = (HOUSE / "README.md").read_text(encoding="utf-8")
    section = readme.partition("## Commands")[2].partition("\n## ")[0]
    listed = [name for line in re.findall(r"^\| (`.*?) \|", section, re.MULTILINE) for name in _names(line)]

    assert sorted(listed) == sorted(command_names())


def _names(cell: str) -> list[str]:
    return re.findall(r"`([a-z -]+)`", cell)


def test_the_tree_of_the_developers_names_what_is_there() -> None:
    """Every room of the tree exists, and every room stands in the tree."""
    text = (HOUSE / "DEVELOPERS.md").read_text(encoding="utf-8")
    tree = text.partition("## The tree")[2].partition("\n## ")[0]
    rooms = {
        path.relative_to(HOUSE).as_posix() + "/"
        for part in ("ingest", "rules", "services")
        for path in (HOUSE / part).rglob("*")
        if path.is_dir()
        and (path / "__init__.py").exists()
        and path.parent.name in ("ingest", "rules", "services")
    }

    assert {room for room in rooms if room.split("/", 1)[1] not in tree} == set()
    for name in re.findall(r"\b([a-z_]+\.py)\b", tree):
        assert any(HOUSE.glob(f"*/**/{name}")), name
