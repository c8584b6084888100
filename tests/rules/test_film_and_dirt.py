"""Two states of a chain: the film that a drip renews, and the dirt that an immersion takes out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.care_due import due
from rules.contamination import history
from rules.outlook import outlook
from rules.reminder import ReminderKind
from rules.rulebook import default_rulebook, parse_rulebook
from rules.vocabulary import ChainId
from tests.rules.notation import at, ledger_of, tag

RULEBOOK = default_rulebook()
COPPER = ChainId(1)
START = "2025-06-01  fitted  Copper  on Plover\n2025-06-01 13:00  immersed  Copper\n"


def after(text, rulebook=RULEBOOK):
    past = history(ledger_of(START + text), COPPER, rulebook)
    return past.since_drip.grit_h, past.since_immersion.grit_h


def test_hours_on_a_used_up_film_count_twice_as_dirt():
    # Worked by hand at a film of 12 grit-hours: 5, 8, 2 h, a drip, 10.8 grit-hours, a drip, 15 grit-hours.
    film_and_dirt = []
    text = ""
    for line in (
        "2025-06-02 06:00  rode  5 h  on Plover  dry\n",
        "2025-06-03 06:00  rode  8 h  on Plover  dry\n",
        "2025-06-04 06:00  rode  2 h  on Plover  dry\n",
        "2025-06-04 20:00  dripped  Copper\n2025-06-05 06:00  rode  10.8 h  on Plover  dry\n",
        "2025-06-05 20:00  dripped  Copper\n2025-06-06 06:00  rode  15 h  on Plover  dry\n",
    ):
        text += line
        film_and_dirt.append(after(text))
    assert [film for film, _ in film_and_dirt] == pytest.approx([5.0, 13.0, 15.0, 10.8, 15.0])
    assert [dirt for _, dirt in film_and_dirt] == pytest.approx([5.0, 14.0, 18.0, 28.8, 46.8])


def test_a_drip_in_time_puts_the_immersion_off():
    dry_hours = "".join(f"2025-06-{day:02} 08:00  rode  3 h  on Plover  dry\n" for day in range(2, 14))
    dripped = "".join(f"2025-06-{day:02} 20:00  dripped  Copper\n" for day in (5, 9, 13))
    assert after(dry_hours)[1] == pytest.approx(12.0 + 2 * 24.0)
    assert after(dry_hours + dripped)[1] == pytest.approx(36.0)
    now = at("2025-06-14")
    assert due(ledger_of(START + dry_hours), RULEBOOK, now=now)[0].kind is ReminderKind.IMMERSION
    assert due(ledger_of(START + dry_hours + dripped), RULEBOOK, now=now) == ()


def test_the_lines_under_an_immersion_add_up_and_say_which_hours_counted_twice():
    text = START + "".join(f"2025-06-{day:02} 08:00  rode  4 h  on Plover  dry\n" for day in range(2, 10))
    reminder = next(
        one
        for one in due(ledger_of(text), RULEBOOK, now=at("2025-06-10"))
        if one.kind is ReminderKind.IMMERSION
    )
    assert reminder.total == pytest.approx(12 + 2 * 20)
    total = 0.0
    for reason in reminder.reasons[1:]:
        total += reason.grit_h
        assert reason.grit_h == pytest.approx(reason.drive_h * reason.weight)
        assert reason.total == pytest.approx(total)
    assert total == pytest.approx(reminder.total)
    assert reminder.reasons[1].text == "Ride 1 on Plover, 2 June 2025, hour 1 of 4: dry."
    assert reminder.reasons[13].text == (
        "Ride 4 on Plover, 5 June 2025, hour 1 of 4: dry; its film was used up, so 1 count as 2."
    )


def test_a_riders_own_film_and_times_hold():
    text = "2025-06-02 06:00  rode  10 h  on Plover  dry\n"
    own = parse_rulebook("[weight]\nstarved = 3\n[bike.Plover]\ndrip = 6\n", name="my.toml", base=RULEBOOK)
    assert after(text, own) == (pytest.approx(10.0), pytest.approx(6 + 3 * 4))
    once = parse_rulebook("[weight]\nstarved = 1\n", name="my.toml", base=RULEBOOK)
    assert after(text + "2025-06-03 06:00  rode  10 h  on Plover  dry\n", once)[1] == pytest.approx(20.0)


def test_the_outlook_reckons_with_the_film_that_is_used_up():
    # an hour a day: after 12 the film is gone, and each hour counts twice towards the immersion from there
    text = START + "".join(f"2025-06-{day:02} 08:00  rode  1 h  on Plover  dry\n" for day in range(2, 28))
    row = next(
        one
        for one in outlook(ledger_of(text), RULEBOOK, now=at("2025-06-27 23:00"))
        if one.kind is ReminderKind.IMMERSION
    )
    assert row.used == pytest.approx(12 + 2 * 14)
    early = outlook(ledger_of(text), RULEBOOK, now=at("2025-06-20 23:00"))
    left = next(one for one in early if one.kind is ReminderKind.IMMERSION)
    assert left.used == pytest.approx(12 + 2 * 7)
    assert left.pace_per_day is not None
    assert left.pace_per_day > 1.3  # more than the hour a day that is ridden


def test_a_lubed_chain_has_no_film_to_outlive():
    text = "chain Copper  12-speed  wet lube\n" + START.replace("immersed", "cleaned")
    text += "2025-06-02 06:00  rode  15 h  on Plover  dry\n"
    assert history(ledger_of(text), COPPER, RULEBOOK).since_immersion.grit_h == pytest.approx(15.0)


def test_wet_hours_use_the_film_up_faster():
    wet = ledger_of(START + "2025-06-02 06:00  rode  5 h  on Plover  dry\n")
    hours = tuple(replace(hour, tag=tag(1.0)) for hour in wet.rides[0].hours)
    soaked = replace(wet, rides=(replace(wet.rides[0], hours=hours),))
    past = history(soaked, COPPER, RULEBOOK)
    assert past.since_drip.grit_h == pytest.approx(15.0)
    assert past.since_immersion.grit_h == pytest.approx(12 + 2 * 3)
    assert past.over_life.grit_h == pytest.approx(15.0)  # what was ridden is ridden once
