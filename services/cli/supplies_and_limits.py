"""Commands for what stands on the shelf, and for limits that a rider sets for a bike, a chain or a rider."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from rules.commands import BeginSupply, EndSupply, SetLimits
from rules.ledger import Ledger
from rules.typed_input import Mistyped, number_in
from rules.vocabulary import OwnValue, SupplyKind
from services.cli.keep_fact import Yes, first_moment, keep, last_moment, ledger_of, print_plain, zone_for
from services.cli.output import AsJson, At, Home, amount, now_utc, open_app, print_json, say

if TYPE_CHECKING:
    from services.use_cases.find_by_name import Thing


def supplies(
    kind: Annotated[SupplyKind | None, typer.Argument(help="What was begun; none = how all stand.")] = None,
    amount: Annotated[
        float | None, amount("How much: g of a bath, ml of a bottle, pieces of a pack.", kind=typer.Argument)
    ] = None,
    a_use: Annotated[
        float | None, amount("What one use takes of it, if you measured; else common practice.")
    ] = None,
    name: Annotated[str, typer.Option(help="Your name for it.")] = "",
    price: Annotated[float | None, amount("What all of it cost, in your currency.")] = None,
    gone: Annotated[bool, typer.Option("--gone", help="It is used up, or was poured away.")] = False,
    at: At = None,
    yes: Yes = False,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Show what is left of bath, drip wax, solvent and quick links, and until when; or that one was begun.

    Uses are counted from the care you log; with a price they cost what they take, where you noted no other
    cost. Molten wax burns: melt and pour it as its maker says, never over
    an open flame, never unattended. Old wax and spent solvent go to a hazardous-waste point.

    Examples: gritledger supplies · gritledger supplies bath 500 · gritledger supplies solvent --gone
    · gritledger supplies 'drip wax' 120 --a-use 5 --price 18
    """
    from services.views.export_rows import Look

    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    read = last_moment if gone else first_moment
    when = now if at is None else read(at, now=now, zone=zone_for(ledger))
    if kind is not None and gone:
        here = [one for one in ledger.supplies if one.kind is kind and one.ended_at is None]
        if not here:
            raise typer.BadParameter(f"no {kind.value} is in use")
        keep(app, EndSupply(here[0].id, when), now=now, yes=yes)
    elif kind is not None and amount is not None:
        keep(app, BeginSupply(kind, amount, when, name, a_use, price), now=now, yes=yes)
    elif kind is not None:
        raise typer.BadParameter("say how much it held, e.g. 'supplies bath 500', or --gone")
    ledger = ledger_of(app)
    found = Look(app, now).snapshot.supplies(now) if ledger.supplies else ()
    if as_json and kind is None:
        print_plain(found, ledger)
        return
    for one in found:
        say(one.sentence)
    if not found:
        say("Nothing is noted: gritledger supplies bath 500 says that a bath of 500 g was melted.")


def limits(
    owner: Annotated[
        str | None, typer.Argument(help="A rider, a bike or a chain; none = all that is set for somebody.")
    ] = None,
    values: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY=VALUE", help="'immersion=60', 'water=1.5'; 'immersion=': the rulebook's."
        ),
    ] = None,
    what: Annotated[
        Literal["rider", "bike", "chain"] | None, typer.Option(help="Where several are called so.")
    ] = None,
    yes: Yes = False,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Set limits or weights for one rider, bike or chain, in one go; undone in one. Or show what is set.

    The chain's own goes before the bike's, that before the rider's, that before everybody's in the rulebook.

    Examples: gritledger limits · gritledger limits Plover immersion=50 drip=14
    · gritledger limits Ines water=1.5
    """
    app, now = open_app(home), now_utc()
    ledger = ledger_of(app)
    if owner is not None and values:
        found = tuple(_value(ledger, owner, what, one) for one in values)
        keep(app, SetLimits(found, now, "as typed"), now=now, yes=yes)
        return
    if owner is not None:
        raise typer.BadParameter("say what to set, e.g. 'limits Plover immersion=50'")
    set_for = app.rulebook_for(ledger).overrides
    if as_json:
        print_json(
            {"scope": scope, "name": name, "key": key, "value": value}
            for (scope, name), said in sorted(set_for.items())
            for key, value in sorted(said.items())
        )
        return
    for (scope, name), said in sorted(set_for.items()):
        say(f"{scope} {name}: " + ", ".join(f"{key} {value:g}" for key, value in sorted(said.items())))
    if not set_for:
        say("Everybody goes by the rulebook: gritledger limits BIKE immersion=50 sets one for a bike.")


def _value(ledger: Ledger, owner: str, what: Thing | None, typed: str) -> OwnValue:
    """One limit as it was typed. Raises typer.BadParameter."""
    from services.use_cases.find_by_name import thing_named

    key, equals, value = typed.partition("=")
    thing, scope = thing_named(ledger, owner, what)
    if not equals:
        raise typer.BadParameter(f"'{typed}' sets nothing; write {key}=50, or {key}= for the rulebook's")
    try:
        return OwnValue(scope, thing.id, key.strip(), number_in(value) if value.strip() else None)
    except Mistyped as error:
        raise typer.BadParameter(f"{key}: {error}") from error
