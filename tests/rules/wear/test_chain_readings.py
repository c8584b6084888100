"""What the wear model hears of one chain."""

from __future__ import annotations

from rules.contamination import Exposure
from rules.vocabulary import Condition
from rules.wear.chain_readings import hour_row, worn_of
from tests.rules.notation import at, ledger_of, plain_limits

LEDGER = """
    2025-06-01  fitted    Copper  on Plover
    2025-06-02  rode      2 h  on Plover  wet
    2025-06-03  measured  Copper  over 0.25 under 0.5
    2025-06-04  rode      1 h  on Plover  dry
"""


def test_what_came_after_the_last_reading_is_not_heard_of_another_chain():
    ledger, book = ledger_of(LEDGER), plain_limits()
    worn = worn_of(ledger, book, ledger.chains[0], at("2025-06-05"))

    assert worn.since
    assert worn.drive_h == 3.0
    assert (worn.heard.since, worn.heard.drive_h) == ((), 0.0)
    assert worn.heard.read == worn.read


def test_an_hour_without_weather_counts_as_an_average_one():
    average = (1.0, 0.5, 0.1, 0.2, 0.0)
    known = Exposure(Condition.WET, 0.5, 0.0, 0.25, 1.5, 3.0, drive_h=2.0, known=True)
    assert hour_row(known, average) == (2.0, 1.0, 0.0, 0.5, 0.0)
    assert hour_row(known._replace(known=False), average) == (2.0, 1.0, 0.2, 0.4, 0.0)
