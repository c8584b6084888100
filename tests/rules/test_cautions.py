"""Where the work can hurt, the caution stands, and defers to those who know."""

from __future__ import annotations

import pytest

from rules.cautions import HOT_WAX, LINK, SOLVENT, caution, in_a_line
from rules.reminder import ReminderKind
from rules.vocabulary import Regime


@pytest.mark.parametrize("kind", ReminderKind)
@pytest.mark.parametrize("regime", Regime)
def test_every_kind_of_work_has_its_caution(kind, regime):
    assert len(caution(kind, regime)) > 40


def test_hot_wax_only_where_there_is_hot_wax():
    # wax safety sheets differ on the flash point (140 to 249 °C); 120 °C is a stop by all of them
    assert HOT_WAX in caution(ReminderKind.IMMERSION)
    assert SOLVENT in caution(ReminderKind.IMMERSION, Regime.WET_LUBE)
    for kind in (ReminderKind.DRIP, ReminderKind.WIPE_AND_DRIP):
        assert HOT_WAX not in caution(kind)
        assert "brake" in caution(kind)


def test_a_worn_chain_and_brakes_are_a_mechanics_business():
    for text in (caution(ReminderKind.REPLACEMENT), caution(ReminderKind.DRIP), LINK):
        assert "qualified mechanic" in text
    for kind in (ReminderKind.REPLACEMENT, ReminderKind.DRIP, ReminderKind.IMMERSION):
        assert "The maker's instructions and local rules come first." in caution(kind)


def test_one_line_names_the_worst_of_what_is_done():
    drip, pot = (ReminderKind.DRIP, Regime.WAXED), (ReminderKind.IMMERSION, Regime.WAXED)
    assert in_a_line([drip, pot]) == in_a_line([pot])
    assert "wax" in in_a_line([pot])
    assert in_a_line([drip]) == "fingers off a turning chain, wax off brakes."
    assert in_a_line([]) == ""
