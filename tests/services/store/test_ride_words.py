"""Rides are found by any part of their words: the very rides that a look at each of them finds."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from rules.vocabulary import Condition, RideId
from services.store import RideSums, Store, search
from services.store.tables_rides import LONGEST_PART
from tests.services.store.household import DAY, MORNING, ride_summary, settle

LETTERS = ("a", "b", "A", "B", " ", "ß", "é", "😀", "\U0010ffff", "%", "_", "/", "\\", "'", "-", "7")
SEED = random.SystemRandom().randrange(10**6)


def some(dice: random.Random, most: int) -> str:
    return "".join(dice.choice(LETTERS) for _ in range(dice.randint(0, most)))


@pytest.mark.parametrize("few", [0, 3, 500])
def test_a_part_of_their_words_finds_the_same_rides_as_looking_at_all(
    store: Store, few: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(search, "FEW", few)
    dice, household = random.Random(SEED), settle(store)
    said: dict[RideId, str] = {}
    with store.writing() as tx:
        for number in range(60):
            title, name = some(dice, 30), f"{some(dice, 12)}.fit"
            summary = replace(ride_summary(MORNING + number * DAY), title=title)
            said[tx.rides.add(summary, household.ines.id, file_name=name)] = f"{title}\n{name}"
        for ride in dice.sample(sorted(said), 15):  # read anew, with another title
            title = some(dice, 30)
            tx.rides.renew(ride, replace(tx.rides.outing(ride), title=title), "{}")
            said[ride] = f"{title}\n{said[ride].rpartition(chr(10))[2]}"
        for ride in dice.sample(sorted(said), 5):
            tx.rides.withdraw(ride, at=MORNING, by="Ines", why="a car")
            del said[ride]
        tx.rides.set_likes({one: {dice.choice(list(Condition))} for one in said})
    folded = {ride: words.casefold() for ride, words in said.items()}
    asked = [some(dice, 4) for _ in range(80)]
    for words in dice.choices(list(said.values()), k=80):
        begin = dice.randrange(len(words))
        asked.append(words[begin : begin + dice.randint(1, LONGEST_PART + 8)])
    with store.reading() as tx:
        for text in filter(str.strip, asked):
            wanted = tuple(ride for ride, words in folded.items() if text.casefold() in words)
            found = tx.rides.rides(text=text)
            assert tuple(one.id for one in found) == wanted, (SEED, text)
            assert tx.rides.numbers(text=text) == wanted
            page = tx.rides.rides(text=text, newest_first=True, limit=3, offset=1)
            assert tuple(one.id for one in page) == wanted[::-1][1:4]
            sums = RideSums(len(found), sum(o.distance_m for o in found), sum(o.drive_s for o in found))
            assert tx.rides.sums(text=text) == sums


def test_moved_words_are_no_more_found_where_they_were(store: Store) -> None:
    household = settle(store)
    with store.writing() as tx:
        ride = tx.rides.add(replace(ride_summary(MORNING), title="Over the pass"), household.ines.id)
        tx.rides.renew(ride, replace(tx.rides.outing(ride), title="Down the valley"), "{}")
        assert (tx.rides.count(text="over the p"), tx.rides.count(text="the valley")) == (0, 1)
        other = tx.rides.add(replace(ride_summary(MORNING + DAY), title="To the lake"), household.ines.id)
        tx.rides.exchange_recordings(ride, other)
        assert [one.id for one in tx.rides.rides(text="valley")] == [other]
        assert [one.id for one in tx.rides.rides(text="lake")] == [ride]
