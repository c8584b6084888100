"""Commands that look further ahead: wear, wax against wet lube."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from rules.commands import EndTrial, StartTrial
from rules.dates_and_numbers import number
from rules.trial import USUAL_TURN_KM, turn
from rules.units import kilometres
from rules.vocabulary import Regime
from services.cli.keep_fact import Yes, keep, list_as_json, print_plain
from services.cli.output import AsJson, Home, amount, now_utc, open_app, say, table


def wear(
    chain: Annotated[str | None, typer.Argument(help="One chain, or the bike that wears it.")] = None,
    compare: Annotated[
        bool, typer.Option("--compare", help="Waxed chains against oiled ones instead: wear, money, minutes.")
    ] = False,
    report: Annotated[
        Path | None, typer.Option(help="Write all of it into one HTML file to keep or publish, with a CSV.")
    ] = None,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Say when each chain will be worn out, with a range; or why nobody can say yet, and what it would take.

    --compare and --report read every ride there is, some seconds for tens of thousands.

    Examples: gritledger wear 'Chain 1' · gritledger wear --compare · gritledger wear --report wear.html
    """
    from rules.wear.forecast import Refusal
    from rules.wear.future_riding import ridden_alike
    from services.use_cases.find_by_name import chain_named
    from services.views.export_rows import Look

    if report is not None:
        _report(report, home)
        return
    if compare:
        if chain:
            raise typer.BadParameter("--compare is about all chains; leave the others out")
        _compare_wax_with_lube(home, as_json)
        return
    if as_json:
        list_as_json(open_app(home), "wear", now=now_utc(), chain=chain)
        return

    app, now = open_app(home), now_utc()
    snapshot = Look(app, now).snapshot
    chosen = (chain_named(snapshot.ledger, chain, now),) if chain else snapshot.ledger.chains
    shown = [one for one in chosen if chain is not None or one.retired_at is None]
    snapshot = snapshot.of(alike for one in shown for alike in ridden_alike(snapshot.ledger, one.id, now))
    for one in shown:
        said = snapshot.wear(one.id, now)
        say(said.sentence)
        if isinstance(said, Refusal):
            say(f"    {said.wants}")


def _report(file: Path, home: Path | None) -> None:
    """One file with method, data and doubts."""
    from services.views.snapshot import Snapshot
    from services.web.wear_report import write_report

    if file.suffix.lower() not in (".html", ".htm"):
        raise typer.BadParameter(f"the report is a page: name it {file.with_suffix('.html')}")
    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        snapshot = Snapshot.read(tx, app, now)
    try:
        written = write_report(snapshot, file, now=now, units=app.units)
    except OSError as error:
        raise typer.BadParameter(f"{file} cannot be written: {error.strerror}; name another place") from error
    say(f"Written: {written[0]}, and its readings as {written[1].name}.")
    say("It names chains and bikes, and no places.")


def trial(
    bike: Annotated[str | None, typer.Argument(help="The bike; none = where every trial stands.")] = None,
    waxed: Annotated[str | None, typer.Option(help="The waxed chain of the pair.")] = None,
    lubed: Annotated[str | None, typer.Option(help="The lubed one, as like it as can be.")] = None,
    every_km: Annotated[float, amount("From one swap to the next.")] = USUAL_TURN_KM,
    end: Annotated[bool, typer.Option("--end", help="The trial on this bike is over.")] = False,
    yes: Yes = False,
    as_json: AsJson = False,
    home: Home = None,
) -> None:
    """Set a waxed chain against a lubed one on the same bike, by a fair lot; see whose turn it is.

    Once a trial was begun this reads every ride there is, some seconds for tens of thousands.

    Examples: gritledger trial Plover --waxed 'Chain 1' --lubed 'Chain 2' · gritledger trial
    """
    import secrets

    from rules.wear.trial_pairs import PACE, found_by_trials, promise
    from services.use_cases.find_by_name import chain_named

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        ledger = tx.garage()
        if ledger.trials:  # their pairs are told apart from all chains that were measured
            ledger = tx.ledger()
        chosen = None if bike is None else tx.equipment.find_bike(bike)
        if chosen is not None and not ledger.rides:
            ledger = replace(ledger, rides=tx.rides.rides(between=(now - PACE, None), bike=chosen.id))
    if chosen is not None and end:
        running = next((one for one in ledger.trials if one.bike == chosen.id and one.ended_at is None), None)
        if running is None:
            raise typer.BadParameter(f"no trial is under way on {chosen.name}")
        keep(app, EndTrial(running.id, now), now=now, yes=yes)
        return
    if chosen is not None and waxed and lubed:
        pairs = found_by_trials(ledger, app.rulebook_for(ledger), now=now).pairs
        for sentence in promise(ledger, chosen.id, now=now, pairs_before=pairs):
            say(sentence)
        pair = (chain_named(ledger, waxed, now).id, chain_named(ledger, lubed, now).id)
        keep(app, StartTrial(chosen.id, *pair, now, every_km, secrets.randbelow(2**31)), now=now, yes=yes)
        with app.store.reading() as tx:
            ledger = tx.ledger()
    elif waxed or lubed or end:
        raise typer.BadParameter("name the bike, and both chains: trial BIKE --waxed CHAIN --lubed CHAIN")
    turns = [turn(ledger, one, now=now) for one in ledger.trials if chosen is None or one.bike == chosen.id]
    found = found_by_trials(ledger, app.rulebook_for(ledger), now=now)
    if as_json:
        print_plain({"trials": turns, "found": found}, ledger)
        return
    for stands in turns:
        say(stands.sentence)
    say(found.sentence if ledger.trials else "No trial was ever begun.")


def _compare_wax_with_lube(home: Path | None, as_json: bool) -> None:
    """The wear and the cost of waxed chains beside those of oiled ones, as far as the records go."""
    from rules.wear.comparison import compare
    from rules.wear.cost import cost, pay_back

    app, now = open_app(home), now_utc()
    with app.store.reading() as tx:
        ledger = tx.ledger()
    found = compare(ledger, app.rulebook_for(ledger), now=now)
    waxed, lube = (
        cost(ledger, app.rulebook_for(ledger), regime, now=now, prices=app.prices) for regime in Regime
    )
    back = pay_back(ledger, waxed, lube, app.prices, now=now)
    if as_json:
        print_plain({"wear": found, "cost": [waxed, lube], "pays_back": back}, ledger)
        return
    table(
        ("chain", "regime", "readings", "drive hours", "% in 100 h", "10 to 90 %"),
        (
            (
                one.name,
                one.regime.value,
                one.readings,
                f"{one.drive_h:.0f}",
                f"{100 * one.rate[1]:.3f}",
                f"{100 * one.rate[0]:.3f} to {100 * one.rate[2]:.3f}",
            )
            for one in (*found.waxed, *found.control)
        ),
        right=(2, 3, 4, 5),
    )
    say(found.sentence)
    say(found.wants)
    if found.lot is not None and not found.claimed:
        say(
            f"Shuffling who was waxed, within each bike, gives as much in {number(100.0 * found.lot.p)} % of "
            f"the ways; with these chains it cannot go below {number(100.0 * found.lot.floor)} %."
        )
    if found.waxed and found.control:
        for one in found.differs:
            say(f"The groups were ridden apart: {one}. It is reckoned out as well as its weight is known.")
        say(f"Nobody looked at {'; '.join(found.confounds)}: any of it could be the cause.")
    units = app.units
    for sums in (waxed, lube):
        if sums.together_per_1000_km is not None and sums.minutes_per_1000_km is not None:
            low, middle, high = (f"{units.for_thousand(one):.2f}" for one in sums.together_per_1000_km)
            say(
                f"{sums.regime.value.capitalize()}, for {units.thousand}: {middle} "
                f"{app.prices.currency or 'in money'} ({low} to {high}, four times out of five) and "
                f"{units.for_thousand(sums.minutes_per_1000_km):.0f} minutes of hands; "
                f"over {kilometres(sums.distance_km)}."
            )
            if sums.missing:
                say(f"    Not counted, because nobody noted it: {'; '.join(sums.missing)}.")
    if back is not None:
        say(back.sentence)
    if found.doubt and None not in (waxed.together_per_1000_km, lube.together_per_1000_km):
        say(found.doubt)
