"""Who may say what: every command has its right, every right three answers; a rider's own ends at a bike."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest

from rules.commands import (
    AddBike,
    AddChain,
    Amend,
    CareKind,
    Command,
    FitChain,
    LogReading,
    LogTreatment,
    LogWipeTest,
    PutRidesOn,
    SayCondition,
    SayUnpaved,
    SplitOuting,
    TakeBack,
    TellRide,
    WithdrawRide,
)
from rules.roles import MAY, Member, Reach, Right, Role, objection, reach, refusal, right_of, words_of
from rules.vocabulary import BikeId, ChainId, ReadingTool, RideId, RiderId, TreatmentKind
from tests.rules.notation import at, ledger_of

LEDGER = ledger_of("""
    rider Ada
    rider Ben
    bike Plover  of Ada
    bike Curlew  of Ben
    2025-05-01        fitted    Copper  on Plover
    2025-05-01        fitted    Slate   on Curlew
    2025-05-02        dripped   Copper
    2025-05-02        dripped   Slate
    2025-05-03        measured  Copper  over 0.25 under 0.5
    2025-05-04 10:00  rode      2 h     on Plover  wet
    2025-05-05 10:00  rode      2 h     on Curlew  wet
""")
COPPER, SLATE = (next(one.id for one in LEDGER.chains if one.name == name) for name in ("Copper", "Slate"))
THEN = at("2025-05-06")
ADA = Member("Ada", Role.RIDER, RiderId(1))
OWNER, MECHANIC = Member("Ines", Role.OWNER), Member("Tomás", Role.MECHANIC)
NOBODYS = Member("Guest", Role.RIDER)
OWN = {
    "care": LogTreatment(COPPER, TreatmentKind.DRIP, THEN),
    "reading": LogReading(COPPER, ReadingTool.GAUGE, THEN, 0.25, 0.5),
    "wipe test": LogWipeTest(COPPER, THEN, 2),
    "treatment back": TakeBack("treatment", 1),
    "reading back": TakeBack("reading", 1),
    "told": TellRide(RiderId(1), BikeId(2), THEN, 60.0),
    "which bike": PutRidesOn(((RideId(1), BikeId(2)),)),
    "wet": SayCondition(RideId(1), None),
    "ground": SayUnpaved(RideId(1), 0.5),
    "no ride": WithdrawRide(RideId(1)),
}
OTHERS = {
    "care": LogTreatment(SLATE, TreatmentKind.DRIP, THEN),
    "both": LogTreatment(COPPER, TreatmentKind.IMMERSION, THEN, also=(SLATE,)),
    "before it was on": LogTreatment(COPPER, TreatmentKind.DRIP, at("2025-04-01")),
    "no such chain": LogTreatment(ChainId(99), TreatmentKind.DRIP, THEN),
    "reading": LogReading(SLATE, ReadingTool.GAUGE, THEN, 0.25, 0.5),
    "wipe test": LogWipeTest(SLATE, THEN, 2),
    "treatment back": TakeBack("treatment", 2),
    "nothing to take back": TakeBack("wipe test", 7),
    "told": TellRide(RiderId(2), BikeId(1), THEN, 60.0),
    "which bike": PutRidesOn(((RideId(1), BikeId(2)), (RideId(2), BikeId(2)))),
    "no such ride": SayCondition(RideId(99), None),
    "wet": SayCondition(RideId(2), None),
    "ground": SayUnpaved(RideId(2), 0.5),
    "no ride": WithdrawRide(RideId(2)),
    "split": SplitOuting(RideId(1)),
}


def test_every_right_has_an_answer_for_every_role() -> None:
    assert set(MAY) == set(Right)
    assert all(set(answers) == set(Role) for answers in MAY.values())
    assert all(reach(None, right) is Reach.ALL for right in Right)  # at home


@pytest.mark.parametrize("command", [*OWN.values(), *OTHERS.values(), AddBike("Heron", RiderId(1))])
def test_an_owner_and_whoever_is_at_home_may_say_anything(command: Command) -> None:
    assert objection(OWNER, LEDGER, command) == objection(None, LEDGER, command) == ""


def test_every_command_has_its_right() -> None:
    for kind in get_args(Command):
        command = object.__new__(kind)
        if kind is Amend:
            object.__setattr__(command, "what", "rider")
        assert right_of(command) in Right, kind
    assert right_of(Amend("chain", 1, {})) is Right.FIT
    assert right_of(Amend("bike", 1, {})) is Right.EQUIP


@pytest.mark.parametrize("what", OWN)
def test_a_rider_may_say_what_is_of_their_own(what: str) -> None:
    assert objection(ADA, LEDGER, OWN[what]) == ""
    assert objection(NOBODYS, LEDGER, OWN[what]) != ""


@pytest.mark.parametrize("what", OTHERS)
def test_a_rider_may_not_say_what_is_others(what: str) -> None:
    assert "A rider may" in objection(ADA, LEDGER, OTHERS[what])
    assert "of their own alone; for others ask an owner." in objection(ADA, LEDGER, OTHERS[what])


def test_a_mechanic_cares_and_fits_and_lets_rides_be() -> None:
    care, fit = LogTreatment(SLATE, TreatmentKind.IMMERSION, THEN), FitChain(SLATE, BikeId(1), THEN)
    for command in (care, fit, AddChain("Tin"), Amend("chain", 1, {}), TakeBack("treatment", 1)):
        assert objection(MECHANIC, LEDGER, command) == ""
    assert objection(MECHANIC, LEDGER, OWN["which bike"]) == (
        "A mechanic may not hand over ride files and correct rides; ask an owner."
    )
    assert "A mechanic may not say who rides" in objection(MECHANIC, LEDGER, Amend("bike", 1, {}))
    assert "A rider may not put chains on" in objection(ADA, LEDGER, fit)


def test_a_refusal_names_who_may() -> None:
    assert refusal(OWNER, Right.RUN).startswith("Only whoever runs the club may set the mail server")
    assert refusal(replace(OWNER, role=Role.RIDER), Right.PEOPLE) == (
        "A rider may not invite people and let them go; ask an owner."
    )


def test_an_invitation_can_say_what_each_role_may() -> None:
    assert words_of(Role.MECHANIC) == (
        "look at bikes, chains and their care",
        "log care, readings and wipe tests",
        "put chains on, take them off, and keep the shelf",
    )
    assert "log care, readings and wipe tests of their own bikes" in words_of(Role.RIDER)
    assert set(get_args(CareKind)) == {"treatment", "reading", "wipe test"}


def test_a_refusal_names_the_first_who_may_do_it_for_all() -> None:
    for right in Right:
        others = [role.value for role in Role if MAY[right][role] is Reach.ALL]
        said = refusal(OWNER, right)
        assert said.endswith(f"ask an {others[0]}.") if others else said.startswith("Only whoever runs")
