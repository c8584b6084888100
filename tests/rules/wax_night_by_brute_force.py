"""The cheapest wax night found by trying everything: every subset in every order, all givings-out of spares.

It shares no code with the plan: households are invented here, and what an evening costs is added up anew from
the stated minutes (rules/dip_order.py names them).
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from itertools import combinations, permutations

BIKES = ("Plover", "Curlew", "Heron", "Wren")


@dataclass(frozen=True)
class OneChain:
    name: str
    hours: int  # dry hours since its bath, of 16; -1 = never waxed and not ridden
    bike: str | None
    was_on: tuple[str, ...]  # bikes it fits because it was on them


@dataclass(frozen=True)
class House:
    chains: tuple[OneChain, ...]
    needed: frozenset[str]
    pot: int
    dips_left: int | None  # what the bath is good for
    strips_left: int | None

    @property
    def candidates(self) -> list[OneChain]:
        return [one for one in self.chains if one.hours >= 8 or one.hours < 0]

    @property
    def spares(self) -> list[OneChain]:
        return [one for one in self.chains if 0 <= one.hours < 8 and one.bike is None]


def invented(seed: int) -> House:
    """Up to four bikes with their chains, chains on the shelf, and at most five for the pot."""
    dice = random.Random(seed)
    bikes = BIKES[: dice.randint(1, 4)]
    chains: list[OneChain] = []
    for_the_pot = 0
    for number, bike in enumerate([*bikes, *[None] * dice.randint(0, 4)]):
        hours = dice.choice((-1, 0, 3, 7, 8, 10, 12, 16, 20, 30))
        if bike is not None and hours < 0:
            hours = 9
        if hours >= 8 or hours < 0:
            for_the_pot += 1
            if for_the_pot > 5:
                hours = 2
        was_on = tuple(one for one in bikes if bike is None and hours >= 0 and dice.random() < 0.5)
        chains.append(OneChain(f"Chain{number}", hours, bike, was_on))
    return House(
        tuple(chains),
        frozenset(one for one in bikes if dice.random() < 0.6),
        dice.randint(1, 3),
        dice.choice((None, None, 1, 2, 3)),
        dice.choice((None, 1, 2)),
    )


def told(house: House) -> str:
    """The household as a ledger in plain text, as of 30 June 2025."""
    lines = []
    for number, one in enumerate(house.chains):
        day = f"2025-04-{number + 1:02}"
        lines.append(f"chain {one.name} 12-speed")
        if one.hours >= 0:
            lines.append(f"2025-05-20 13:00  immersed  {one.name}")
        for place, bike in enumerate(one.was_on):
            lines.append(f"{day} {place:02}:00  fitted   {one.name}  on {bike}")
            lines.append(f"{day} {place:02}:30  removed  {one.name}")
        if one.bike:
            lines.append(f"2025-05-21 06:00  fitted  {one.name}  on {one.bike}")
        if one.bike and one.hours > 0:
            lines.append(f"2025-06-02 06:00  rode  {one.hours} h  on {one.bike}  dry")
        elif one.hours > 0:  # it was dirtied on a bike that is not there any more
            lines.append(f"2025-05-21 06:00  fitted   {one.name}  on Lent{number}")
            lines.append(f"2025-06-02 06:00  rode  {one.hours} h  on Lent{number}  dry")
            lines.append(f"2025-06-04 06:00  removed  {one.name}")
    return "\n".join(lines)


def best_spares(house: House) -> float:
    """The most that spares can be worth: a bike that rides tomorrow counts a hundred, a chain its dirt."""
    wanting = [one for one in house.candidates if one.bike]
    best = 0.0

    def give(at: int, free: frozenset[str], worth: float) -> None:
        nonlocal best
        best = max(best, worth)
        if at == len(wanting):
            return
        give(at + 1, free, worth)
        for spare in house.spares:
            if spare.name in free and wanting[at].bike in spare.was_on:
                give(at + 1, free - {spare.name}, worth + worth_of(house, wanting[at]))

    give(0, frozenset(one.name for one in house.spares), 0.0)
    return best


def worth_of(house: House, one: OneChain) -> float:
    return (100.0 if one.bike in house.needed else 0.0) + one.hours / 16.0


def cheapest(house: House, swapped: set[str]) -> float:
    """What the best evening costs, once these chains' bikes have a spare."""
    found = []
    for count in range(len(house.candidates) + 1):
        if house.dips_left is not None and count > house.dips_left:
            break
        for some in combinations(house.candidates, count):
            if house.strips_left is not None and sum(one.hours < 0 for one in some) > house.strips_left:
                continue
            found.extend(cost(house, order, swapped) for order in permutations(some))
    return min(found)


def cost(house: House, order: tuple[OneChain, ...], swapped: set[str]) -> float:
    """Minutes of an evening that dips these chains in this order, and of what it leaves for later."""
    minutes = 0.0
    dips = [order[at : at + house.pot] for at in range(0, len(order), house.pot)]
    for before, dip in enumerate(dips):
        minutes += 5
        after = len(dips) - before - 1
        for one in dip:
            minutes += 10
            if one.hours < 0:
                minutes += 60 + 10 * after
            else:
                minutes += 0.5 * one.hours / 16 * after
            if one.bike in house.needed and one.name not in swapped:
                minutes += 15 * before
    for one in house.candidates:
        if one not in order:
            minutes += 100 if one.hours < 0 else 35 * one.hours / 16
    return minutes
