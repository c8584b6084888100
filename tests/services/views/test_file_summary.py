"""Many files are told in a sentence a reason; a single one by its name."""

from __future__ import annotations

from services.use_cases.import_rides import FileOutcome, Outcome
from services.views.file_summary import by_reason, grouped


def refused(name: str, why: str, outcome: Outcome = Outcome.NOT_A_RIDE) -> FileOutcome:
    return FileOutcome(f"/rides/{name}.fit", outcome, why, "set its activity to cycling")


def test_a_mixed_folder_is_told_in_a_sentence_a_reason() -> None:
    runs = [refused(f"run {n}", f"says it is “running”, {n} km") for n in range(12)]
    walks = [refused(f"walk {n}", "moves at walking pace") for n in range(2)]
    rides = [FileOutcome(f"/rides/{n}.fit", Outcome.NEW) for n in range(40)]
    cut = [FileOutcome("/rides/cut.fit", Outcome.DAMAGED, "ends after 4 of 9 bytes", "copy it again")]

    assert grouped([*walks, *runs, *rides, *cut]) == [
        "40 new rides.",
        "12 files are no rides (run 0.fit, run 1.fit, run 2.fit and 9 more): says it is “running”, 0 km, "
        "or the like; set its activity to cycling.",
        "2 files are no rides (walk 0.fit, walk 1.fit): moves at walking pace; set its activity to cycling.",
        "/rides/cut.fit: new ride, from a damaged file: ends after 4 of 9 bytes; copy it again.",
    ]


def test_what_is_left_out_is_not_told_and_nothing_is_nothing() -> None:
    assert grouped([FileOutcome("a", Outcome.KNOWN)], quiet=[Outcome.KNOWN]) == []
    assert grouped([FileOutcome("a", Outcome.KNOWN)]) == ["1 already read."]


def test_those_that_wait_are_told_in_a_sentence_a_reason_too() -> None:
    locked = [(f"/rides/{n}.fit", f"it was locked for {n} s", "close what holds it") for n in range(212)]
    ahead = [("/rides/next year.fit", "is dated in the future", "set the clock that is wrong")]

    assert by_reason([*ahead, *locked], "waits:", "files wait") == [
        (
            "212 files wait (0.fit, 1.fit, 2.fit and 209 more): it was locked for 0 s, or the like.",
            "Close what holds it.",
        ),
        ("/rides/next year.fit waits: is dated in the future.", "Set the clock that is wrong."),
    ]
