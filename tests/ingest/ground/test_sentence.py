"""Every sentence a tag can speak, word for word."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingest.ground.sentence import Lies, Second, Told, last_spell, sentence
from ingest.ground.thresholds import DEW_FROM_PCT, FROZEN_FROM_MM, MUDDY_FROM, SNOW_FROM_MM, WET_FROM
from rules.units import SI, said

DRY_DAYS = (0.0,) * 48


def told(**changes):
    usual = {
        "rain_mm": 0.0,
        "rain_before_mm": DRY_DAYS,
        "wet_hours_before": 0,
        "paved_water": 0.0,
        "unpaved_water": 0.0,
        "mud": 0.0,
        "dust": 0.0,
        "frost": False,
    }
    return Told(**{**usual, **changes})


def before(*last):
    return (*DRY_DAYS[len(last) :], *last)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (told(), "No rain in this hour nor in the 48 hours before; the road was dry."),
        (
            told(dust=0.5),
            "No rain in this hour nor in the 48 hours before; the road was dry; unpaved ground was dusty.",
        ),
        (
            told(rain_mm=4.1, wet_hours_before=1, rain_before_mm=before(0.5), paved_water=1, unpaved_water=1),
            "4.1 mm of moderate rain fell in this hour; the road had been wet for one hour.",
        ),
        (
            told(rain_mm=1.0, paved_water=1, unpaved_water=1),
            "1.0 mm of rain fell in this hour, on a road that had not been wet before.",
        ),
        (
            told(rain_mm=12.0, paved_water=1, unpaved_water=1, mud=0.9),
            "12.0 mm of heavy rain fell in this hour, on a road that had not been wet before; unpaved "
            "ground was muddy.",
        ),
        (
            told(rain_mm=0.2, paved_water=0.2),
            "Only 0.2 mm of rain fell in this hour, on a road that had not been wet before.",
        ),
        (
            told(rain_before_mm=before(1.0, 0.0, 3.0, 2.5), paved_water=0.8, unpaved_water=1),
            "No rain in this hour, but 5.5 mm fell until it began and the road was still wet.",
        ),
        (
            told(rain_before_mm=before(3.0, 0.0), paved_water=0.3),
            "The last rain, 3.0 mm, ended one hour before and the road was still damp.",
        ),
        (
            told(rain_before_mm=before(3.0, *(0.0,) * 20), unpaved_water=0.5),
            "The last rain, 3.0 mm, ended 20 hours before and the road had dried; unpaved ground still "
            "held water.",
        ),
        (
            told(rain_mm=2.0, lies=Lies(snowed_mm=2.0, frozen_quiet_mm=2.0, air_c=-4.0), frost=True),
            "2.0 mm fell as snow in this hour (about 1.4 cm); snow of this hour lay on the road, frozen dry.",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=2.0, frozen_main_mm=1.0, film_main_mm=0.1, air_c=-4.0)),
            "No rain or snow in this hour nor in the 48 hours before; ice lay on the road, frozen dry.",
        ),
        (
            told(lies=Lies(frozen_main_mm=1, film_main_mm=0.1, salted_share=0.5, salt_g_m2=9, air_c=-4.0)),
            "No rain or snow in this hour nor in the 48 hours before; ice lay on the road, with brine in it "
            "if this road was salted (inferred from weather).",
        ),
        (
            told(lies=Lies(frozen_main_mm=1, film_main_mm=0.1, salted_share=1.0, salt_g_m2=9, air_c=-4.0)),
            "No rain or snow in this hour nor in the 48 hours before; ice lay on the road, with brine in it "
            "(inferred from weather).",
        ),
        (
            told(
                lies=Lies(
                    frozen_quiet_mm=1,
                    film_quiet_mm=0.1,
                    film_main_mm=0.1,
                    salted_share=0.5,
                    salt_g_m2=9,
                    air_c=-0.1,
                )
            ),
            "No rain or snow in this hour nor in the 48 hours before; ice lay on the road, with water in it, "
            "and brine if this road was salted (inferred from weather).",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=1, film_quiet_mm=0.1, snow_mm=4.0, air_c=-0.1)),
            "No rain or snow in this hour nor in the 48 hours before; snow lay on unpaved ground; old snow "
            "or ice lay on the road, with water in it.",
        ),
        (
            told(
                paved_water=0.04,
                lies=Lies(
                    frozen_quiet_mm=1,
                    snowed_h_ago=13,
                    snow_mm=2.0,
                    salted_share=0.5,
                    salt_g_m2=9,
                    humidity_pct=70,
                    air_c=-8.0,
                ),
            ),
            "No rain or snow in this hour nor in the 48 hours before; snow lay on unpaved ground; snow of "
            "the last 24 hours lay on the road, frozen dry, or damp with road salt if this road was salted "
            "(inferred from weather).",
        ),
        (
            told(
                rain_before_mm=(0.4, 2.0, *(0.0,) * 46),
                lies=Lies(frozen_quiet_mm=1, snowed_h_ago=47, spell_snow_mm=2.4, snow_mm=2.0, air_c=-8.0),
            ),
            "The last snow ended 46 hours before; snow lay on unpaved ground; snow of two days ago lay on "
            "the road, frozen dry.",
        ),
        (
            told(
                rain_before_mm=before(4.0, *(0.0,) * 9),
                lies=Lies(frozen_quiet_mm=1, snowed_h_ago=10, spell_snow_mm=4.0, air_c=-8.0),
            ),
            "The last snow, about 2.8 cm, ended nine hours before; fresh snow lay on the road, frozen dry.",
        ),
        (
            told(rain_before_mm=(1.0,) * 48, paved_water=1, lies=Lies(spell_snow_mm=24.0, air_c=1.0)),
            "No sleet in this hour, but over 48.0 mm of it fell until it began and the road was still wet.",
        ),
        (
            told(
                rain_before_mm=before(2.0),
                paved_water=0.6,
                lies=Lies(salt_g_m2=9, film_main_mm=0.5, salted_share=0.5, air_c=2.0),
            ),
            "No rain in this hour, but 2.0 mm fell until it began and the road was still wet; there was road "
            "salt in the water, if this road was salted (inferred from weather).",
        ),
        (
            told(lies=Lies(hard_ground=True)),
            "No rain in this hour nor in the 48 hours before; the road was dry; unpaved ground was frozen "
            "hard.",
        ),
        (
            told(rain_mm=2.0, lies=Lies(frozen_quiet_mm=2.0, air_c=-0.5), frost=True, paved_water=1),
            "2.0 mm of rain fell in this hour, on a road that had not been wet before; the rain froze as it "
            "fell: there was ice on the road, and water on the ice.",
        ),
        (
            told(rain_mm=2.0, lies=Lies(film_quiet_mm=0.6, air_c=-0.1), frost=True, paved_water=1),
            "2.0 mm of rain fell in this hour, on a road that had not been wet before; it may have frozen as "
            "it fell.",
        ),
        (
            told(rain_mm=2.0, lies=Lies(air_c=0.5, rain_on_frozen_ground=True), paved_water=1),
            "2.0 mm of rain fell in this hour, on a road that had not been wet before; it fell on frozen "
            "ground, so there may have been ice.",
        ),
        (
            told(rain_mm=2.0, lies=Lies(snowed_mm=1.0, air_c=0.5), paved_water=1),
            "2.0 mm of sleet fell in this hour.",
        ),
        (
            told(
                paved_water=0.6,
                lies=Lies(frozen_quiet_mm=4.0, film_quiet_mm=0.6, snowed_h_ago=60, snow_mm=9, air_c=3.0),
                unpaved_water=1,
            ),
            "No rain or snow in this hour nor in the 48 hours before; snow lay on unpaved ground and was "
            "melting; snow of two days ago was melting on the road: slush.",
        ),
        (
            told(
                rain_before_mm=before(4.0, 5.0),
                paved_water=0.5,
                lies=Lies(
                    frozen_quiet_mm=9.0,
                    film_quiet_mm=0.1,
                    snowed_h_ago=1,
                    spell_snow_mm=9.0,
                    air_c=0.5,
                    salt_g_m2=9,
                    film_main_mm=0.5,
                    salted_share=0.5,
                ),
            ),
            "No snow in this hour, but about 6.3 cm fell until it began; fresh snow was melting on the road: "
            "slush, with road salt in it if this road was salted (inferred from weather).",
        ),
        (
            told(
                paved_water=0.05,
                lies=Lies(salt_g_m2=9, film_main_mm=0.1, salted_share=0.5, humidity_pct=80, air_c=-2.0),
                frost=True,
            ),
            "No rain in this hour nor in the 48 hours before; road salt kept the road damp, if this road was "
            "salted (inferred from weather).",
        ),
        (
            told(paved_water=0.3, lies=Lies(film_quiet_mm=0.2, air_c=-1.0), frost=True),
            "No rain in this hour nor in the 48 hours before; the road was damp; it froze, so there may have "
            "been ice.",
        ),
        (
            told(
                rain_before_mm=before(2.2, 0.0, 0.0),
                lies=Lies(frozen_quiet_mm=4, snowed_h_ago=70, snow_mm=4.0, glazed=True, air_c=-3.0),
            ),
            "The last rain, 2.2 mm, ended two hours before; snow lay on unpaved ground; snow of three days "
            "ago and ice lay on the road, frozen dry.",
        ),
        (
            told(
                rain_before_mm=before(2.2, 0.0, 0.0),
                paved_water=0.5,
                lies=Lies(frozen_quiet_mm=4, snowed_h_ago=70, snow_mm=4.0, glazed=True, air_c=1.0),
            ),
            "The last rain, 2.2 mm, ended two hours before; snow lay on unpaved ground; snow of three days "
            "ago and ice were melting on the road: slush.",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=FROZEN_FROM_MM, air_c=-3.0), frost=True),
            "No rain in this hour nor in the 48 hours before; the road was dry.",
        ),
        (
            told(lies=Lies(melted_beside=True, salted_share=0.5, air_c=-3.0), frost=True),
            "No rain in this hour nor in the 48 hours before; the road was dry; melt water from beside the "
            "road may have frozen on it: ice.",
        ),
        (
            told(paved_water=0.6, lies=Lies(film_quiet_mm=0.4, melted=True, air_c=3.0), mud=1.0),
            "No rain in this hour nor in the 48 hours before; the road was wet with melt water; unpaved "
            "ground was muddy.",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=0.4, snowed_h_ago=130, air_c=-3.0, hard_ground=True)),
            "No rain or snow in this hour nor in the 48 hours before; unpaved ground was frozen hard; ice "
            "lay on the road, frozen dry.",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=4, snowed_h_ago=11, snow_mm=4.0, air_c=-3.0)),
            "No rain or snow in this hour nor in the 48 hours before; snow lay on unpaved ground; fresh snow "
            "lay on the road, frozen dry.",
        ),
        (
            told(lies=Lies(frozen_quiet_mm=4, snowed_h_ago=12, snow_mm=4.0, air_c=-3.0)),
            "No rain or snow in this hour nor in the 48 hours before; snow lay on unpaved ground; snow of "
            "the last 24 hours lay on the road, frozen dry.",
        ),
        (
            told(paved_water=0.09, lies=Lies(salt_g_m2=9, salted_share=1.0, humidity_pct=65, air_c=2.0)),
            "No rain in this hour nor in the 48 hours before; road salt probably kept the road damp "
            "(inferred from weather).",
        ),
        (
            told(paved_water=0.04, lies=Lies(film_quiet_mm=0.07, humidity_pct=99, air_c=6.0)),
            "No rain in this hour nor in the 48 hours before; the road was damp with dew or fog.",
        ),
        (
            told(rain_before_mm=before(None, 0.0)),
            "No rain in this hour nor in the 47 known hours before; the road was dry; 1 of the 48 "
            "hours before has no value.",
        ),
    ],
)
def test_the_sentence(facts, words):
    assert said(sentence(facts), SI) == words


def test_every_word_of_a_sentence_begins_at_its_limit():
    """Each row: what is so, and the words that are there with it and not without the change beside it."""
    frozen = Lies(frozen_main_mm=1.0, frozen_quiet_mm=1.0, air_c=-4.0)
    salted = Lies(salt_g_m2=1.0, salted_share=1.0, film_main_mm=0.06, humidity_pct=50.0)
    rain_froze = "froze as it fell: there was ice"
    near, over = FROZEN_FROM_MM, FROZEN_FROM_MM + 0.01
    snowfall = replace(frozen, frozen_main_mm=0.0, frozen_quiet_mm=0.0)
    rows = [
        (told(mud=MUDDY_FROM + 0.01), "was muddy", told(mud=MUDDY_FROM)),
        (
            told(lies=Lies(snow_mm=SNOW_FROM_MM + 0.1)),
            "snow lay on unpaved",
            told(lies=Lies(snow_mm=SNOW_FROM_MM)),
        ),
        (
            told(rain_before_mm=before(1.0, 0.0), paved_water=WET_FROM),
            "was still wet",
            told(rain_before_mm=before(1.0, 0.0), paved_water=WET_FROM - 0.01),
        ),
        (told(unpaved_water=WET_FROM), "still held water", told(unpaved_water=WET_FROM - 0.01)),
        (told(unpaved_water=1.0), "still held water", told(unpaved_water=1.0, paved_water=WET_FROM)),
        # rain that freezes as it falls: where three tenths at most of it are snow
        (
            told(rain_mm=2.0, frost=True, lies=replace(frozen, snowed_mm=0.6)),
            rain_froze,
            told(rain_mm=2.0, frost=True, lies=replace(frozen, snowed_mm=0.61)),
        ),
        (
            told(rain_mm=2.0, frost=True, lies=replace(frozen, frozen_main_mm=over, frozen_quiet_mm=over)),
            rain_froze,
            told(rain_mm=2.0, frost=True, lies=replace(frozen, frozen_main_mm=near, frozen_quiet_mm=near)),
        ),
        (told(rain_mm=0.5, frost=True), "may have frozen as it fell", told(rain_mm=0.0, frost=True)),
        (
            told(frost=True, lies=Lies(melted_beside=True, salted_share=0.99)),
            "melt water from beside",
            told(frost=True, lies=Lies(melted_beside=True, salted_share=1.0)),
        ),
        # salt: a gram, on some of the way, with a film or in humid air
        (told(lies=salted), "road salt kept", told(lies=replace(salted, salt_g_m2=0.99))),
        (told(lies=salted), "road salt kept", told(lies=replace(salted, film_main_mm=0.05))),
        (told(lies=salted), "road salt kept", told(lies=replace(salted, salted_share=0.0))),
        (
            told(lies=replace(salted, film_main_mm=0.05, humidity_pct=60.0)),
            "probably kept the road damp",
            told(lies=replace(salted, film_main_mm=0.05, humidity_pct=59.0)),
        ),
        (
            told(lies=salted, paved_water=WET_FROM),
            "salt in the water",
            told(lies=salted, paved_water=WET_FROM - 0.01),
        ),
        (
            told(frost=True, paved_water=0.3, lies=replace(salted, salted_share=0.5, film_quiet_mm=0.06)),
            "there may have been ice",
            told(frost=True, paved_water=0.3, lies=replace(salted, salted_share=0.5, film_quiet_mm=0.05)),
        ),
        (
            told(frost=True, paved_water=0.3, lies=replace(salted, salt_g_m2=0.5, film_quiet_mm=0.05)),
            "there may have been ice",
            told(frost=True, paved_water=0.3, lies=replace(salted, film_quiet_mm=0.06)),
        ),
        # snow by its age: twelve hours, a day, a day and a half
        *(
            (
                told(lies=replace(frozen, snowed_h_ago=old, snow_mm=SNOW_FROM_MM + 1.0)),
                words,
                told(lies=replace(frozen, snowed_h_ago=older, snow_mm=SNOW_FROM_MM + 1.0)),
            )
            for old, words, older in (
                (11, "fresh snow", 12),
                (23, "now of the last 24 hours", 24),
                (24, "now of the day before", 37),
                (37, "now of two days ago", 24),
                (7 * 24 + 11, "now of seven days ago", 7 * 24 + 13),
            )
        ),
        (
            told(lies=replace(frozen, snowed_h_ago=11)),
            "fresh snow",
            told(lies=replace(frozen, snowed_h_ago=12)),
        ),
        (
            told(lies=replace(frozen, snow_mm=SNOW_FROM_MM + 0.1)),
            "old snow or ice",
            told(lies=replace(frozen, snow_mm=SNOW_FROM_MM)),
        ),
        (
            told(lies=replace(frozen, snowed_h_ago=30, snow_mm=SNOW_FROM_MM + 0.1)),
            "snow of the day before",
            told(lies=replace(frozen, snowed_h_ago=30, snow_mm=SNOW_FROM_MM)),
        ),
        (told(lies=replace(frozen, air_c=0.0)), "was melting", told(lies=replace(frozen, air_c=-0.1))),
        (
            told(lies=replace(frozen, film_quiet_mm=0.06)),
            "with water in it",
            told(lies=replace(frozen, film_quiet_mm=0.05)),
        ),
        (
            told(lies=replace(frozen, film_main_mm=0.06, salted_share=1.0)),
            "with water in it",
            told(lies=replace(frozen, film_main_mm=0.05, film_quiet_mm=9.0, salted_share=1.0)),
        ),
        (
            told(lies=replace(frozen, salt_g_m2=1.0, salted_share=0.5, film_main_mm=0.1, film_quiet_mm=0.06)),
            "with water in it, and brine",
            told(lies=replace(frozen, salt_g_m2=1.0, salted_share=0.5, film_main_mm=0.1, film_quiet_mm=0.05)),
        ),
        # rain, sleet, snow: more than three and than seven tenths
        (
            told(rain_mm=2.0, lies=replace(snowfall, snowed_mm=1.41)),
            "fell as snow",
            told(rain_mm=2.0, lies=replace(snowfall, snowed_mm=1.4)),
        ),
        (
            told(rain_mm=2.0, lies=replace(snowfall, snowed_mm=0.61)),
            "of sleet fell",
            told(rain_mm=2.0, lies=replace(snowfall, snowed_mm=0.6)),
        ),
        (told(rain_mm=0.253), "nly 0.3 mm", told(rain_mm=0.254)),
        (
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(spell_snow_mm=1.41)),
            "last snow",
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(spell_snow_mm=1.4)),
        ),
        (
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(spell_snow_mm=0.61)),
            "last sleet",
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(spell_snow_mm=0.6)),
        ),
        (
            told(paved_water=0.2, lies=Lies(humidity_pct=DEW_FROM_PCT)),
            "with dew or fog",
            told(paved_water=0.2, lies=Lies(humidity_pct=DEW_FROM_PCT - 1)),
        ),
        (
            told(paved_water=WET_FROM, lies=Lies(melted=True, film_quiet_mm=0.06)),
            "the road was wet with melt water",
            told(paved_water=WET_FROM - 0.01, lies=Lies(melted=True, film_quiet_mm=0.06)),
        ),
        (
            told(paved_water=0.2, lies=Lies(melted=True, film_quiet_mm=0.06)),
            "melt water",
            told(paved_water=0.2, lies=Lies(melted=True, film_quiet_mm=0.05)),
        ),
        (
            told(lies=Lies(snow_mm=SNOW_FROM_MM + 0.1)),
            "No rain or snow",
            told(lies=Lies(snow_mm=SNOW_FROM_MM)),
        ),
        (
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(frozen_quiet_mm=near, air_c=-1.0)),
            "and the road had dried",
            told(rain_before_mm=before(2.0, 0.0), lies=Lies(frozen_quiet_mm=over, air_c=-1.0)),
        ),
    ]
    for so, words, not_so in rows:
        assert words in said(sentence(so), SI), (words, sentence(so))
        assert words not in said(sentence(not_so), SI), (words, sentence(not_so))


def test_what_another_archive_saw_is_told_by_its_rain_or_its_road():
    nothing = (0.0,) * 4
    rows = [
        (Second("model b", 1.2, nothing, wet=True), "saw 1.2 mm in this hour"),
        (Second("model b", 0.0, (0.0, 2.0, 1.0), wet=True), "saw 3.0 mm until it began"),
        (Second("model b", 0.0, (2.0, 1.0, 0.0, 0.0), wet=True), "saw 3.0 mm until two hours before"),
        (Second("model b", 0.0, (1.0, None, 0.0), wet=True), "saw 1.0 mm until two hours before"),
        (Second("model b", 0.2, nothing, wet=False), "saw only 0.2 mm in this hour"),
        (Second("model b", 0.0, nothing, wet=False, damp=True), "no rain in this hour, and a damp road"),
        (Second("model b", 0.0, nothing, wet=False), "no rain in this hour, and a dry road"),
    ]
    for second, words in rows:
        assert words in said(sentence(told(second=second)), SI)
        assert sentence(told(second=second)).startswith("By one archive, no rain")


def test_the_last_spell_is_the_last_unbroken_run_of_wet_hours():
    table = [
        ((), (0, 0)),
        ((0.0, 0.0), (0, 0)),
        ((1.0,), (0, 1)),
        ((1.0, 0.0, 2.0, 3.0, 0.0), (2, 4)),
        ((1.0, 2.0, None), (0, 2)),
        ((0.0, 2.0, None, 1.0), (3, 4)),
    ]
    for hours, expected in table:
        assert last_spell(hours) == expected, hours
    whole, begun_before = before(1.0, 2.0), (2.0, *(0.0,) * 47)
    assert (
        "no rain in this hour, but 3.0 mm fell until it began"
        in said(sentence(told(rain_before_mm=whole)), SI).lower()
    )
    assert "The last rain ended 47 hours before" in sentence(told(rain_before_mm=begun_before))
    twelve, thirteen = ((3.0, *(0.0,) * n) for n in (12, 13))
    assert "ended twelve hours before" in sentence(told(rain_before_mm=before(*twelve)))
    assert "ended 13 hours before" in sentence(told(rain_before_mm=before(*thirteen)))
