"""What to ask: the fewest answers that settle the most, in groups of rides that one answer settles.

A ride that is asked about because it is doubtful is no sample of anything: what was asked is chosen, and only
what all rides together say is learned as habit. Now and then a ride that seems settled is asked about as
well, because nothing else finds a mistake that looks certain.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from ingest.bikes.household_model import DENIED
from ingest.bikes.judge import Clue, Judgement, Verdict
from ingest.bikes.log_odds import entropy_nats, softmax
from ingest.bikes.ride_clues import RideClues
from ingest.bikes.suspected_changes import what_changed
from ingest.bikes.weekday_and_speed import codes, measures_of
from ingest.ride.recording import Column
from rules.vocabulary import BikeId

WORTH_ASKING = 0.05  # nats of doubt
SET_FREE = 0.3  # nats more: a ride whose bike is likely enough, and that only waits for a word
MANY_BY_ONE_WORD = 3  # rides that one answer alone decides: one of them is asked about; a judgement
MANY_BY_ONE_ANSWER = 5  # rides that were answered as a group, few of them looked at; a judgement
CHECK_EVERY = 6  # every sixth question looks at what seems settled
SEEMS_SETTLED_FROM = 0.9
MOST_WEIGHED = 800  # open rides that are compared with each other; the most doubtful
BELONGS_FROM = 0.25  # least probability of a group's bike for a ride in it
# How much of the doubt about one ride the answer about another takes away.
WAY_BACK_TELLS, SENSOR_TELLS, SENSOR_FORGETS_D, LIKENESS_TELLS = 0.9, 0.8, 120.0, 0.35
WAY_TELLS = 0.4
TO_MAKE_SURE = "Its bike seems to be known; one ride of these is asked about to make sure."


@dataclass(frozen=True, slots=True)
class Question:
    """Rides that one answer settles.

    rides: by place in the judgement, in order of time.  shown: those to look at: first, last and oddest.
    because: what is to be known to answer it, without a guess; "" = nothing but which bike it was.
    is_check: it seems settled, and is asked to find out whether it is.
    """

    rides: tuple[int, ...]
    shown: tuple[int, ...]
    because: str
    is_check: bool = False


def questions(judgement: Judgement, at_most: int | None = None) -> tuple[Question, ...]:
    """The open questions, the most useful first."""
    rides = judgement.fit.rides
    unspoken = [i for i in range(len(rides)) if i not in judgement.fit.answers]
    open_rides = [i for i in unspoken if judgement.said(i).verdict is Verdict.ASK]
    doubt = entropy_nats(judgement.probabilities)
    groups = _groups(judgement, open_rides)
    worth = np.maximum(doubt, WORTH_ASKING / 2)
    worth[[i for i in open_rides if judgement.is_only_unsaid(i)]] += SET_FREE
    by_doubt = sorted(open_rides, key=lambda i: -worth[i])[:MOST_WEIGHED]
    tells = _tells(judgement, [group[0] for group in groups], by_doubt)
    for row, group in enumerate(groups):
        members = set(group)
        tells[row, [column for column, i in enumerate(by_doubt) if i in members]] = 1.0
    left = worth[by_doubt]
    asked: list[Question] = []
    todo = set(range(len(groups)))
    first = _first_of_each_bike(judgement, groups, todo)
    decided = sorted({*unspoken} - {*open_rides})
    doubted = [
        *_unlike_their_group(judgement),
        *(_check(judgement, i) for i in _hardly_said(judgement, decided)),
    ]
    others = (i for i in _checks(judgement) if not any(i in one.rides for one in doubted))
    first_doubted = iter(doubted)
    checks = itertools.chain(first_doubted, (_check(judgement, i) for i in others))
    # Whoever answers a few at a time would never come to the sixth, were it not counted on.
    said_before = len(set(judgement.one_answer.values()))
    while todo and (at_most is None or len(asked) < at_most):
        here, by_all = (n % CHECK_EVERY == CHECK_EVERY - 1 for n in (len(asked), said_before + len(asked)))
        due = checks if here else first_doubted if by_all else iter(())
        if not first and (check := next(due, None)):
            asked.append(check)
            continue
        gains = tells @ left
        row = first.pop(0) if first else max(todo, key=lambda g: (gains[g], -groups[g][0]))
        todo.discard(row)
        left = left * (1.0 - tells[row])
        asked.append(_question(judgement, groups[row]))
    if (at_most is None or len(asked) < at_most) and not any(one.is_check for one in asked):
        asked += doubted[:1]
    return tuple(asked)


def _groups(judgement: Judgement, open_rides: Sequence[int]) -> list[tuple[int, ...]]:
    """Open rides that are alike in all that tells of a bike and lean to the same one; the likeliest first."""
    together: dict[tuple[int, Hashable], list[int]] = defaultdict(list)
    for i in open_rides:
        together[int(judgement.probabilities[i].argmax()), judgement.alike(i)].append(i)
    groups = []
    for (leader, _), members in together.items():
        chances = judgement.probabilities[members, leader]
        belong = [i for i, chance in zip(members, chances.tolist(), strict=True) if chance >= BELONGS_FROM]
        belong.sort(key=lambda i: -judgement.probabilities[i, leader])
        groups += [tuple(belong)] if belong else []
        groups += [(i,) for i in members if i not in belong]
    return sorted(groups, key=min)


def _tells(judgement: Judgement, seeds: Sequence[int], others: Sequence[int]) -> Column:
    """How much an answer on each seed tells of each other ride, 0..1: (seeds, others)."""
    rides, heard = judgement.fit.rides, judgement.fit.places.heard.astype(np.float64)
    day = np.array([ride.started_at.timestamp() / 86400.0 for ride in rides])
    apart_d = np.abs(day[list(seeds)][:, None] - day[list(others)][None, :])
    shares = (heard[list(seeds)] @ heard[list(others)].T) > 0
    tells: Column = np.where(shares, SENSOR_TELLS * np.exp(-apart_d / SENSOR_FORGETS_D), 0.0)
    z = _standardised(rides)
    alike = codes([(r.rider, r.indoor, r.activity, r.channels) for r in rides])
    near = alike[list(seeds)][:, None] == alike[list(others)][None, :]
    distance = ((z[list(seeds)][:, None, :] - z[list(others)][None, :, :]) ** 2).mean(axis=2)
    tells = np.maximum(tells, np.where(near, LIKENESS_TELLS * np.exp(-distance), 0.0))
    ways = codes(
        [(r.rider, way or -place) for place, (r, way) in enumerate(zip(rides, judgement.ways, strict=True))]
    )
    same_way = ways[list(seeds)][:, None] == ways[list(others)][None, :]
    tells = np.maximum(tells, np.where(same_way, WAY_TELLS, 0.0))
    outing = judgement.fit.outing
    way_back = outing[list(seeds)][:, None] == outing[list(others)][None, :]
    return np.maximum(tells, np.where(way_back, WAY_BACK_TELLS, 0.0))


def _standardised(rides: Sequence[RideClues]) -> Column:
    columns = []
    for values in measures_of(rides).values():
        x = np.array([math.nan if value is None else value for value in values])
        known = x[np.isfinite(x)]
        middle, spread = (known.mean(), known.std()) if len(known) else (0.0, 0.0)
        columns.append(np.nan_to_num((x - middle) / (spread or 1.0)))
    return np.array(columns).T


def _first_of_each_bike(judgement: Judgement, groups: Sequence[tuple[int, ...]], todo: set[int]) -> list[int]:
    """For each bike of which nothing is known yet, the group that is most like the rides it leads."""
    best: dict[BikeId, tuple[float, int]] = {}
    for row in todo:
        leader = int(judgement.probabilities[groups[row][0]].argmax())
        bike = judgement.candidates[leader]
        if bike is not None and bike not in judgement.anchored:
            sure = float(judgement.probabilities[list(groups[row]), leader].sum())
            best[bike] = max(best.get(bike, (0.0, row)), (sure, row))
    return [row for _, row in sorted(best.values(), reverse=True)]


def _checks(judgement: Judgement) -> list[int]:
    """Rides that seem settled, one for each sensor and quarter of which no answer speaks."""
    clusters: dict[object, list[int]] = defaultdict(list)
    spoken_for: set[object] = set()
    for i, ride in enumerate(judgement.fit.rides):
        sensors = judgement.fit.places.heard[i]
        key = (
            int(sensors.argmax()) if sensors.any() else (ride.rider, ride.activity),
            ride.started_at.year * 4 + (ride.started_at.month - 1) // 3,
            int(judgement.probabilities[i].argmax()),
        )
        if i in judgement.fit.answers:
            spoken_for.add(key)
        elif judgement.probabilities[i].max() > SEEMS_SETTLED_FROM:
            clusters[key].append(i)
    unspoken = [members for key, members in clusters.items() if key not in spoken_for]
    return [members[len(members) // 2] for members in sorted(unspoken, key=lambda m: (-len(m), m[0]))]


def _hardly_said(judgement: Judgement, decided: Sequence[int]) -> list[int]:
    """Of each sensor whose rides one answer or none decides: a ride in their middle, the most rides first."""
    together: dict[Hashable, list[int]] = defaultdict(list)
    for i in decided:
        if judgement.hardly_said(i):
            together[judgement.alike(i)].append(i)
    many = [rides for rides in together.values() if len(rides) >= MANY_BY_ONE_WORD]
    many.sort(key=lambda rides: (-len(rides), rides[0]))
    return [rides[len(rides) // 2] for rides in many]


def _unlike_their_group(judgement: Judgement) -> list[Question]:
    """Of each large group that was answered at once: the ride that by all else was least on that bike."""
    fitted = judgement.fit
    together: dict[object, list[tuple[float, int]]] = defaultdict(list)
    for ride, chance in zip(fitted.column_of_answer, fitted.answer_chances().tolist(), strict=True):
        together[judgement.one_answer[ride], fitted.answers[ride]].append((chance, ride))
    names: dict[BikeId | None, str] = {bike.id: bike.name for bike in fitted.household.bikes}
    asked = []
    for rides in together.values():
        chance, ride = min(rides)
        if len(rides) >= MANY_BY_ONE_ANSWER and chance < DENIED:
            said = names.get(fitted.answers[ride], "none of ours")
            because = f"You said {said} of {len(rides)} rides at once; this one differs most from the others."
            asked.append(Question((ride,), (ride,), because, is_check=True))
    return asked


def _check(judgement: Judgement, ride: int) -> Question:
    return Question((ride,), (ride,), what_changed(judgement, (ride,)) or TO_MAKE_SURE, is_check=True)


def _question(judgement: Judgement, group: tuple[int, ...]) -> Question:
    """group: the likeliest ride for its bike first."""
    in_time = tuple(sorted(group))
    shown = {in_time[0], in_time[-1], group[-1], _least_like(judgement, in_time)}
    return Question(in_time, tuple(sorted(shown)), what_changed(judgement, in_time))


def _least_like(judgement: Judgement, group: Sequence[int]) -> int:
    """Of rides with the same sensors, the one that all else says least is on the group's bike."""
    rows, fitted = list(group), judgement.fit
    others = fitted.log_odds[rows] - sum(
        fitted.by_clue[clue][rows] for clue in (Clue.SENSOR, Clue.NEIGHBOURS)
    )
    leader = int(judgement.probabilities[rows].sum(axis=0).argmax())
    return rows[int(softmax(others)[:, leader].argmin())]
