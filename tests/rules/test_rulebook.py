"""A rulebook says what it rests on, and a typo is named with its line."""

from __future__ import annotations

from importlib import resources

import pytest

from rules.rulebook import KEYS, RulebookError, default_rulebook, parse_rulebook
from rules.vocabulary import Bike, BikeId, Chain, ChainId, Condition, Rider, RiderId

BASE = default_rulebook()
TEXT = resources.files("rules").joinpath("default_rulebook.toml").read_text(encoding="utf-8")
COPPER = Chain(ChainId(1), "Copper", speeds=12)
PLOVER = Bike(BikeId(1), "Plover", RiderId(1))
ADA = Rider(RiderId(1), "Ada")


def parse(text):
    return parse_rulebook(text, name="my.toml", base=BASE)


def test_every_number_says_what_it_rests_on_and_lies_in_its_range():
    assert set(BASE.judgements) == set(KEYS)
    for judgement in BASE.judgements.values():
        assert judgement.low <= judgement.value <= judgement.high
        assert judgement.unit
        assert judgement.source.startswith(("common practice", "labelled assumption"))


def test_the_default_weights_are_the_stated_assumptions_with_their_ranges():
    # Labelled assumptions, no source: no published bicycle-chain multiplier was found.
    found = [
        (j.value, j.low, j.high) for j in (BASE.judgement(f"weight.{k}") for k in ("water", "mud", "dust"))
    ]
    assert found == [(2.0, 0.5, 5.0), (5.0, 1.0, 15.0), (1.0, 0.3, 3.0)]


def test_the_default_limits_turn_back_into_the_kilometres_of_common_practice():
    # Common practice, no source: a drip every 300 km or so, 80-150 km in dust; an immersion after 400-1600 km
    # where chains are dripped between.
    weights, immersion, drip = BASE.weights, BASE.limit("immersion").value, BASE.limit("drip").value
    dusty, starved = weights.weight(0, 0, 1), BASE.judgement("weight.starved").value
    assert drip * 25 == 300
    assert 80 <= drip / dusty * 20 <= 150
    assert 400 <= immersion * 25 <= 1600
    undripped = drip + (immersion - drip) / starved
    assert 400 <= undripped * 25 <= 700
    assert BASE.judgement("limit.immersion").high * 25 == 1600


@pytest.mark.parametrize(
    ("speeds", "limit_pct"), [(13, 0.5), (12, 0.5), (11, 0.5), (10, 0.75), (9, 0.75), (1, 1.0), (None, 0.5)]
)
def test_the_wear_limit_follows_the_width_of_the_chain(speeds, limit_pct):
    # Common practice, no standard: 0.5 % for 11 and more speeds, 0.75 % up to 10, 1.0 % single-speed.
    assert BASE.wear_limit(Chain(ChainId(1), "Copper", speeds=speeds)).value == limit_pct


def test_from_which_speeds_on_a_chain_is_narrow_is_a_figure_of_the_rulebook():
    book = parse("[threshold]\nnarrow = 10")
    limits = [book.wear_limit(Chain(ChainId(1), "Copper", speeds=speeds)).value for speeds in (9, 10, 11)]
    assert limits == [0.75, 0.5, 0.5]


def test_the_closest_word_wins():
    book = parse("""
        [limit]
        drip = 10
        [rider."Ada"]
        drip = 11
        immersion = 20
        [bike."Plover"]
        drip = 12
        [chain."Copper"]
        drip = 13
        wear_narrow = 0.4
    """)
    assert book.limit("drip").value == 10
    assert book.limit("drip").source == "set in my.toml"
    assert book.limit("drip", rider=ADA).value == 11
    assert book.limit("drip", rider=ADA, bike=PLOVER).value == 12
    copper = book.limit("drip", rider=ADA, bike=PLOVER, chain=COPPER)
    assert (copper.value, copper.unit, copper.source) == (13, "grit-hours", "set for the chain Copper")
    assert book.limit("immersion", rider=ADA, bike=PLOVER, chain=COPPER).value == 20
    assert book.wear_limit(COPPER).value == 0.4
    assert book.limit("drip", bike=Bike(BikeId(2), "Curlew", RiderId(1))).value == 10


def test_a_judgement_can_be_laid_over_in_part_or_in_full():
    book = parse("""
        [limit.drip]
        value = 40
        range = [1, 50]
        source = "my own log of two years"
        [limit.immersion]
        value = 18
    """)
    drip = book.limit("drip")
    assert (drip.value, drip.low, drip.high, drip.source) == (40, 1, 50, "my own log of two years")
    assert (book.limit("immersion").unit, book.limit("immersion").high) == ("grit-hours", 64)


def test_the_riders_words_can_weigh_otherwise():
    book = parse('[word.wet]\nwater = 0.8\nmud = 0.1\ndust = 0\nsource = "my lanes"')
    assert book.weights.words[Condition.WET] == (0.8, 0.1, 0.0)
    assert book.weights.words[Condition.DUSTY] == (0.0, 0.0, 1.0)


def test_the_version_follows_the_content():
    assert BASE.version == default_rulebook().version
    assert BASE.version.startswith("2-")
    changed = parse("[limit]\ndrip = 10")
    assert changed.version.startswith("2-")
    assert changed.version != BASE.version
    assert parse('version = "ours"\n[limit]\ndrip = 10').version.startswith("ours-")


def test_what_if_changes_one_number_for_everybody():
    changed = BASE.with_value("weight.water", 4.0)
    assert changed.weights.water == 4.0
    assert BASE.weights.water == 2.0
    assert "weight.water = 4" in changed.version
    with pytest.raises(ValueError, match="must lie in 1–30 grit-hours"):
        BASE.with_value("limit.drip", 0.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[limit]\n\ndirp = 9", "my.toml, line 3: limit.dirp is not a key of a rulebook. Did you mean drip?"),
        ("[limits]\ndrip = 9", "my.toml, line 1: limits is not a key of a rulebook. Did you mean limit?"),
        ("[limit.drip]\nvalue = 9\nranj = [1, 2]", "line 3: limit.drip.ranj is not a key"),
        (
            '[bike."Plover"]\nimersion = 9',
            'line 2: bike."Plover".imersion is not a key of a rulebook. Did you',
        ),
        ("[word.soggy]\nwater = 1", "line 1: word.soggy is not a key of a rulebook."),
        ("[word.wet]\nwater=1\nmud=0\ndust=0\nsauce='x'", "line 5: word.wet.sauce is not a key"),
        ("[limit]\nzzzz = 9", "Known here: wet_ride, "),
        (
            "[limit]\ndrip = 90",
            "line 2: limit.drip is 90 grit-hours, outside 1–30. If you mean it, widen the range",
        ),
        ("[limit]\ndrip = 'nine'", "line 2: limit.drip must be a number, not 'nine'."),
        ("[limit]\ndrip = true", "line 2: limit.drip must be a number, not True."),
        ("[limit]\ndrip = nan", "line 2: limit.drip must be a number, not nan."),
        ("[limit.drip]\nvalue = 9\nunit = 'km'", "line 3: limit.drip is measured in grit-hours, not km."),
        ("[limit.drip]\nvalue = 9\nunit = 3", "line 3: limit.drip.unit must be words in quotes."),
        ("[limit.drip]\nsource = ''", "line 2: limit.drip.source must be words in quotes."),
        ("[limit.drip]\nrange = 3", "line 2: limit.drip.range must be two numbers."),
        ("[limit.drip]\nrange = [3, 2]", "line 2: limit.drip.range begins above its end."),
        ("[limit.drip]\nrange = ['a', 2]", "line 2: limit.drip.range must be a number, not 'a'."),
        ("[word.wet]\nwater = 1\nmud = 0", "line 1: word.wet has no dust."),
        ("[word.wet]\nwater = 7\nmud = 0\ndust = 0", "line 2: word.wet.water must lie in 0–3."),
        ("bike = 3", "line 1: bike must be a table."),
        ("word = {wet = 3}", "line 1: word.wet must be a table."),
        ("[bike]\nPlover = 9", 'line 2: [bike."Plover"] must hold limits.'),
        ("version = 2", "line 1: A rulebook needs a version in quotes."),
        ("[limit]\ndrip == 9", "line 2: This is not TOML: "),
        ("[limit", "line 1: This is not TOML: "),
        ("[limit]\ndrip = {value = 90}", "line 2: limit.drip is 90"),
    ],
)
def test_a_typo_is_named_with_its_line(text, message):
    with pytest.raises(RulebookError) as caught:
        parse(text)
    assert message in str(caught.value)
    assert caught.value.name == "my.toml"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("[limit.drip]", "[limit.x]", "limit.x is not a key"),
        ("[weight.mud]\nvalue = 5.0\n", "[weight.mud]\n", "weight.mud has no value."),
        ('version = "2"', "", "A rulebook needs a version in quotes."),
    ],
)
def test_a_whole_rulebook_must_be_whole(old, new, message):
    assert old in TEXT
    with pytest.raises(RulebookError) as caught:
        parse_rulebook(TEXT.replace(old, new), name="whole.toml")
    assert message in str(caught.value)


def test_a_whole_rulebook_names_what_is_missing():
    without_section = 'version = "2"\n'
    with pytest.raises(
        RulebookError, match=r"whole.toml: weight.water is missing. Add water with value, unit"
    ):
        parse_rulebook(without_section, name="whole.toml")
    without_words = "\n".join(part for part in TEXT.split("\n\n") if not part.startswith("[word.damp]"))
    with pytest.raises(RulebookError, match=r"whole.toml: word.damp is missing"):
        parse_rulebook(without_words, name="whole.toml")
    bare = TEXT.replace("[limit.drip]\nvalue = 12.0", "[limit]\ndrip = 9\n[unused]")
    with pytest.raises(RulebookError, match=r"limit.drip needs value, unit, range and source"):
        parse_rulebook(bare.replace("[unused]", "[limit.oil2]"), name="whole.toml")
