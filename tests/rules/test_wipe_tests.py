"""What the rag says of a bike's limit: three tests that agree, one step, and nothing by itself."""

from __future__ import annotations

import pytest

from rules.rulebook import default_rulebook, parse_rulebook
from rules.wipe_tests import offers
from tests.rules.notation import at, ledger_of

RULEBOOK = default_rulebook()
NOW = at("2025-12-01")


def rags(grades_and_dirt, *, bike="Plover", start=1):
    """A bath, so much dry riding dripped in time, a rag; one each."""
    lines = []
    for number, (grade, dirt) in enumerate(grades_and_dirt, start=start):
        month = f"2025-{number:02}"
        lines.append(f"{month}-01 06:00  immersed  Copper")
        left, day = dirt, 2
        while left > 0:
            lines.append(f"{month}-{day:02} 08:00  rode  {min(left, 12):g} h  on {bike}  dry")
            lines.append(f"{month}-{day:02} 21:00  dripped  Copper")
            left, day = left - 12, day + 1
        lines.append(f"{month}-{day:02} 20:00  rubbed  Copper  {grade}")
    return "\n".join(lines) + "\n"


def house(text):
    return ledger_of("2025-01-01  fitted  Copper  on Plover\n" + text)


def test_three_clean_rags_at_the_limit_offer_a_longer_one():
    (offer,) = offers(house(rags([(1, 40), (0, 38), (1, 41)])), RULEBOOK, now=NOW)
    assert (offer.key, offer.limit, offer.offered) == ("immersion", 40.0, 50.0)
    assert offer.sentence == (
        "Three rags in a row found a chain of Plover clean at its limit: 50 grit-hours instead of 40 to the "
        "next immersion would fit this bike."
    )
    mine = f'[bike."{offer.bike.name}"]\n{offer.key} = {offer.offered}'
    own = parse_rulebook(mine, name="mine.toml", base=RULEBOOK)
    assert offers(house(rags([(1, 40), (0, 38), (1, 41)])), own, now=NOW) == ()  # said and done


def test_three_black_rags_before_half_of_it_offer_a_shorter_one():
    (offer,) = offers(house(rags([(3, 15), (4, 12), (3, 18)])), RULEBOOK, now=NOW)
    assert offer.offered == 32.0
    assert "black before half of its limit" in offer.sentence


@pytest.mark.parametrize(
    "tests",
    [
        [(1, 40), (0, 38)],  # two
        [(1, 40), (3, 15), (1, 41)],  # they disagree
        [(1, 20), (1, 20), (1, 20)],  # clean early says nothing
        [(3, 40), (4, 40), (3, 40)],  # black at the limit is what a limit is for
        [(2, 40), (2, 40), (2, 40)],
    ],
)
def test_less_than_that_says_nothing(tests):
    assert offers(house(rags(tests)), RULEBOOK, now=NOW) == ()


def test_a_limit_at_the_end_of_its_range_stays():
    most = parse_rulebook("[limit]\nimmersion = 64\n", name="mine.toml", base=RULEBOOK)
    assert offers(house(rags([(1, 64), (1, 64), (1, 64)])), most, now=NOW) == ()


def test_tests_that_say_nothing_between_do_not_break_the_row():
    (offer,) = offers(house(rags([(1, 40), (2, 40), (0, 38), (2, 10), (1, 41)])), RULEBOOK, now=NOW)
    assert offer.offered == 50.0


def test_a_lubed_chain_and_a_bare_bike():
    text = rags([(1, 16), (1, 16), (1, 16)]).replace("immersed", "cleaned").replace("dripped", "oiled")
    lubed = house("chain Copper  12-speed  wet lube\n" + text)
    (offer,) = offers(lubed, RULEBOOK, now=NOW)
    assert (offer.key, offer.offered) == ("clean", 20.0)
    assert "to the next cleaning" in offer.sentence
    bare = house("chain Slate  12-speed\n" + rags([(1, 40)] * 3) + "2025-11-01  removed  Copper\n")
    assert offers(bare, RULEBOOK, now=NOW) == ()


def test_rags_of_another_bike_or_of_the_other_regime_say_nothing_of_this_one():
    text = rags([(1, 40), (0, 38), (1, 41)])
    moved = house(text + "2025-05-01  fitted  Copper  on Curlew\n2025-05-02  fitted  Slate  on Plover\n")
    assert [offer.bike.name for offer in offers(moved, RULEBOOK, now=NOW)] == [
        "Plover"
    ]  # its own chains' rags
    lubed = house("chain Slate  12-speed  wet lube\n" + text + "2025-05-02  fitted  Slate  on Plover\n")
    assert offers(lubed, RULEBOOK, now=NOW) == ()
