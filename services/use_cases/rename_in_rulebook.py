"""A rider, a bike or a chain is called otherwise: the household's own rulebook follows."""

from __future__ import annotations

from rules.ledger import Ledger
from rules.rulebook_names import renamed
from services.app import App
from services.atomic_write import write_whole


def rename_in_rulebook(app: App, scope: str, old: str, new: str) -> tuple[str, ...]:
    """Write the new name where the household's own rulebook sets something for the old one; what was done.

    A file that cannot be written is told, and the name is changed all the same.
    """
    own = app.settings.rulebook
    if own is None or old == new:
        return ()
    try:
        text = own.read_text(encoding="utf-8")
        changed = renamed(text, scope, old, new)
        if changed == text:
            return ()
        write_whole(own, changed.encode("utf-8"), mode=own.stat().st_mode & 0o777)
    except OSError as error:
        return (f"{own} still says “{old}” ({error.strerror}): write “{new}” there yourself.",)
    app.forget_rulebook()
    return (f"What {own.name} sets for “{old}” now stands for “{new}”.",)


def renames(before: Ledger, after: Ledger) -> tuple[tuple[str, str, str], ...]:
    """Who is called otherwise: scope, old name, new name."""
    families = (
        ("rider", before.riders, after.riders),
        ("bike", before.bikes, after.bikes),
        ("chain", before.chains, after.chains),
    )
    return tuple(
        (scope, was.name, now.name)
        for scope, old, new in families
        for was in old
        for now in new
        if was.id == now.id and was.name != now.name
    )
