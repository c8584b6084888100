"""Drawings hold what the facts hold, in the right place, and nothing that a page must not hold."""

from __future__ import annotations

import gzip
import json
import math
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from lxml import etree, html

from ingest.bikes.pedalled_gears import GearHistogram
from ingest.ride.track import TrackPoint
from rules.contamination import exposure
from rules.vocabulary import Bike, BikeId, ChainId, Condition, Regime, RiderId
from rules.wear.comparison import ChainWear, Comparison, Span
from rules.wear.forecast import Forecast, Measure, Refusal, WearPoint
from rules.year.another_way import Lived
from rules.year.simulation import Way
from services.web.drawings.chain_timeline import chain_life
from services.web.drawings.clues import clue_waterfall
from services.web.drawings.gears import bike_sign, gear_comb
from services.web.drawings.ride_map import drawn_hours, ride_track
from services.web.drawings.ride_time import hours_bars, ride_speed
from services.web.drawings.strip import chain_strip
from services.web.drawings.svg import joined
from services.web.drawings.textures import CONDITIONS, legend, textures
from services.web.drawings.timeline_events import chain_life_table
from services.web.drawings.wear import regime_comparison, wear_plot
from services.web.drawings.year import ways_of_a_year
from tests.services.web.drawings.facts import BIKES, NOW, RULEBOOK, ride, storm, three_years

EVIL = '<script>alert("x")</script>&\x00'
GEARS = GearHistogram((150, 151, 180), (60, 90, 30), 0.01, gears_held=4)
SHEET = (Path(__file__).parents[4] / "services/web/static/drawings.css").read_text(encoding="utf-8")


def svgs(markup: str) -> list[etree._Element]:
    """The images of a drawing, parsed strictly as XML: anything unescaped would not parse."""
    root = etree.fromstring(f"<body>{markup}</body>".encode(), etree.XMLParser(resolve_entities=False))
    return [one for one in root.iter("svg") if one.get("role") == "img"]


def texts(svg: etree._Element) -> list[str]:
    return ["".join(one.itertext()) for one in svg.iter("text", "title", "desc")]


def widths(svg: etree._Element, condition: Condition) -> list[tuple[float, float]]:
    """Left edge and width of each filled stretch of a strip."""
    boxes = svg.xpath(f'.//path[@fill="url(#on-{condition.value})"]/@d')
    found = [re.match(r"M(-?[\d.]+) -?[\d.]+h(-?[\d.]+)", box) for box in boxes]
    return [(float(m.group(1)), float(m.group(2))) for m in found if m]


def storm_ride():  # type: ignore[no-untyped-def]
    outing = ride(7, NOW - timedelta(hours=3), 0.0, 1.0, 0.3)
    return outing, drawn_hours(outing, [exposure(h, 0.0, None, RULEBOOK.weights) for h in outing.hours])


def points(seconds: int = 10_800) -> list[TrackPoint]:
    return [TrackPoint(s, 40.0 + s / 1e5, 10.0, 7.0, 80) for s in range(0, seconds, 600)]


def evidence() -> str:
    clue = {"clue": "gearing", "bike": 1, "weight": 2.3, "sentence": f"It fits {EVIL}."}
    against = {"clue": "habit", "bike": 2, "weight": -1.2, "sentence": "Never ridden."}
    return json.dumps({"probabilities": [[1, 0.97], [2, 0.03]], "clues": [clue, against]})


def comparison() -> Comparison:
    def wear(number: int, regime: Regime, middle: float) -> ChainWear:
        rate = (middle / 2, middle, middle * 2)
        return ChainWear(ChainId(number), EVIL, regime, BikeId(1), 3, 90.0, rate, (0.0,) * 4)

    arms = (wear(1, Regime.WAXED, 0.002),), (wear(2, Regime.WET_LUBE, 0.006),)
    ratio = Span(0.38, 0.16, 0.87)
    words = "Slower. Descriptive only: too few.", "More."
    return Comparison(*arms, (), ratio, None, True, False, *words, (), (), 2)


def ways() -> list[Lived]:
    own = Way("by your limits", 12.0, 40.0, 0.5, 3.0, 1.0)
    dear = replace(own, name=EVIL * 9)
    return [
        Lived(own, {}, (230.0, 240.0, 260.0), (1.0, 1.0, 1.0)),
        Lived(dear, {}, (110.0, 120.0, 150.0), (0.8, 1.5, 9.0)),
    ]


def every_drawing() -> dict[str, str]:
    outing, hours = storm_ride()
    past = three_years()
    readings = [e.fact for e in past.entries if type(e.fact).__name__ == "Reading"]
    refusal = Refusal(ChainId(1), EVIL, EVIL, 0.0)
    marks = [WearPoint(reading, 50.0 * i) for i, reading in enumerate(readings)]
    bike = Bike(BikeId(1), EVIL, RiderId(1), chainrings=(40,), cogs=(11, 13, 15, 19, 25, 34))
    same = {"started_at": outing.started_at, "name": EVIL}
    return {
        "strip": chain_strip(past, 16.0, uid="a", name=EVIL),
        "sign": bike_sign(bike, uid="b"),
        "life": chain_life(
            past, uid="c", bikes={BikeId(1): EVIL}, now=NOW, limit_pct=0.5, forecast=refusal, name=EVIL
        ),
        "track": ride_track(points(), hours, uid="d", **same),
        "speed": ride_speed(points(), hours, uid="e", **same),
        "hours": hours_bars(hours, uid="f", name=EVIL),
        "clues": clue_waterfall(evidence(), {BikeId(1): EVIL, BikeId(2): "Crake"}, uid="g"),
        "gears": gear_comb(GEARS, [bike], uid="h"),
        "wear": wear_plot(marks, refusal, uid="i", limit_pct=0.5, name=EVIL),
        "regimes": regime_comparison(comparison(), uid="j"),
        "ways": ways_of_a_year(ways(), uid="k", name=EVIL),
        "legend": legend(),
        "textures": textures(),
    }


@pytest.mark.parametrize("name", sorted(every_drawing()))
def test_a_drawing_is_safe_to_embed_and_has_a_name(name: str) -> None:
    markup = every_drawing()[name]
    root = html.fromstring(f"<div>{markup}</div>")
    assert not root.xpath("//script | //style | //*[@style] | //@*[starts-with(name(), 'on')]")
    ids = root.xpath("//@id")
    assert len(ids) == len(set(ids))
    for svg in svgs(markup):
        assert svg.get("viewBox")
        assert svg[0].tag == "title"
        assert svg[0].text
        assert svg[1].tag == "desc"
        assert {svg[0].get("id"), svg[1].get("id")} == {
            svg.get("aria-labelledby"),
            svg.get("aria-describedby"),
        }
    if EVIL[:8] in "".join(root.itertext()):
        assert "&lt;script&gt;" in markup


def test_ids_of_two_drawings_on_one_page_differ() -> None:
    page = "".join(every_drawing().values())
    ids = html.fromstring(f"<div>{page}</div>").xpath("//@id")
    assert len(ids) == len(set(ids))
    for wanted in re.findall(r"url\(#([^)]+)\)|href=\"#([^\"]+)\"", page):
        assert "".join(wanted) in ids


@pytest.mark.parametrize("uid", ["", "1a", "a b", 'a"b', "a<b"])
def test_a_uid_that_cannot_be_an_id_is_refused(uid: str) -> None:
    with pytest.raises(ValueError, match="cannot start an id"):
        chain_strip(storm(), 9.0, uid=uid)


def test_a_storm_hour_is_hatched_at_its_place_and_as_wide_as_it_weighed() -> None:
    wide = svgs(chain_strip(storm(), 12.0, uid="x"))[0]
    full = 23 * 26 + 20.0  # 23 links of 26, and half a plate at either end
    (left, width), *more = widths(wide, Condition.WET)
    assert not more
    assert left == pytest.approx(2.0 / 12.0 * full - 10.0, abs=0.06)
    assert width == pytest.approx(3.0 / 12.0 * full, abs=0.11)
    dry = widths(wide, Condition.DRY)
    assert [round(one[1] / full * 12.0, 1) for one in dry] == [2.0, 1.0]


def test_the_strip_holds_as_much_as_the_history() -> None:
    past = storm()
    wide, narrow = svgs(chain_strip(past, 12.0, uid="x"))
    assert past.since_immersion.grit_h == pytest.approx(6.0)
    assert "6 of 12 grit-hours" in wide[0].text
    assert wide[1].text == narrow[1].text
    assert wide[1].text.startswith("In order: 2 dry, then drip on 24 November 2026, then 3 wet, then 1 dry")


def test_a_drop_hangs_over_the_place_of_its_drip() -> None:
    wide = svgs(chain_strip(storm(), 12.0, uid="x"))[0]
    drops = wide.xpath('.//g[@class="mark"][use/@href="#mark-drip"]/@transform')
    assert drops == [f"translate({2 / 12 * 618 - 10:.0f} -18)"]


def test_an_overfull_strip_runs_past_its_tick() -> None:
    wide = svgs(chain_strip(storm(), 5.5, uid="x"))[0]
    right = max(left + width for c in CONDITIONS for left, width in widths(wide, c))
    tick = float(re.match(r"M([\d.]+)", wide.xpath('.//path[@class="limit"]/@d')[0]).group(1))  # type: ignore[union-attr]
    assert right == pytest.approx(6.0 / 5.5 * 618 - 10, abs=0.1)
    assert right > tick
    huge = svgs(chain_strip(storm(), 1.0, uid="x"))[0]
    assert any("→" in text for text in texts(huge))


@pytest.mark.parametrize(
    "draw",
    [
        lambda: chain_strip(storm(), 0.0, uid="x"),
        lambda: chain_strip(storm(), float("nan"), uid="x"),
    ],
)
def test_a_limit_of_nothing_is_refused(draw: Callable[[], str]) -> None:
    with pytest.raises(ValueError, match="limit above 0"):
        draw()


def test_a_life_adds_up_to_the_history() -> None:
    past = three_years()
    markup = chain_life(past, uid="c", bikes=BIKES, now=NOW, limit_pct=0.5)
    weeks = [float(v) for svg in svgs(markup) for v in svg.xpath('.//g[@class="weeks"]/path/@data-value')]
    assert len(weeks) == 157
    assert sum(weeks) == pytest.approx(past.over_life.grit_h, abs=0.01 * len(weeks))
    table = chain_life_table(past, bikes=BIKES, zone=UTC)
    assert sum(row.grit_h or 0.0 for row in table) == pytest.approx(past.over_life.grit_h)
    assert [row.words for row in table if row.what == "wipe test"] == ["3 of 4"]
    drawn_readings = sum(len(svg.xpath('.//g[@class="reading"]')) for svg in svgs(markup))
    assert drawn_readings == sum(row.what == "reading" for row in table) == 12


def test_three_years_of_life_are_drawn_small() -> None:
    markup = chain_life(three_years(), uid="c", bikes=BIKES, now=NOW, limit_pct=0.5)
    assert len(markup.encode()) < 64_000  # every week ridden under three conditions, care every fortnight
    assert len(gzip.compress(markup.encode())) < 12_000


def test_an_hour_is_as_wide_as_it_was_driven_and_as_high_as_it_weighed() -> None:
    _, hours = storm_ride()
    wide = svgs(hours_bars(hours, uid="f"))[0]
    boxes = [re.match(r"M[\d.]+ [\d.]+h([\d.]+)v([\d.]+)", d) for d in wide.xpath('.//path[@class="bar"]/@d')]
    areas = [(float(m.group(1)) + 1.2) * float(m.group(2)) for m in boxes if m]
    grit = [hour.exposure.grit_h for hour in hours]
    assert [area / areas[0] for area in areas] == pytest.approx([g / grit[0] for g in grit], rel=0.01)
    assert sum(float(v) for v in wide.xpath(".//@data-value")) == pytest.approx(sum(grit), abs=0.01)


def test_a_track_changes_texture_where_the_hour_changes() -> None:
    outing, hours = storm_ride()
    wide = svgs(ride_track(points(), hours, uid="d", started_at=outing.started_at))[0]
    assert wide.xpath('.//g[@class="stretch"]/@data-value') == ["dry", "wet", "damp"]
    assert wide.xpath('.//g[@class="stretch"]/title')[1].text == "wet, 18:00 to 19:00"


def test_a_track_is_to_scale() -> None:
    outing, hours = storm_ride()
    square = [TrackPoint(0, 60.0, 10.0, 5.0, 80), TrackPoint(60, 60.01, 10.02, 5.0, 80)]
    wide = svgs(ride_track(square, hours, uid="d", started_at=outing.started_at))[0]
    (step,) = re.findall(r"l(-?[\d.]+) ?(-?[\d.]+)", wide.xpath('.//path[@class="ribbon"]/@d')[0])
    # at 60° north a degree of longitude is half as long as one of latitude: cos 60° = 1/2
    assert abs(float(step[0])) == pytest.approx(abs(float(step[1])), rel=0.002)
    assert float(step[0]) > 0.0 > float(step[1])  # to the north-east


def test_a_line_is_told_from_place_to_place_and_does_not_drift() -> None:
    places = [(10.04, 5.0), (10.08, 4.96), (30.0, 4.96), None, (31.26, 0.0), (31.26, 2.25)]
    assert joined(places) == "M10 5l0.1 0l19.9 0M31.3 0l0 2.2"
    wave = [(n * 1.06, 50.0 + 49.0 * math.sin(n / 7)) for n in range(400)]
    x, y = 0.0, 0.0
    for (across, down), place in zip(
        re.findall(r"[Ml](-?[\d.]+) ?(-?[\d.]+)", joined(wave)), wave, strict=True
    ):
        x, y = x + float(across), y + float(down)
        assert (x, y) == pytest.approx(place, abs=0.051)


def test_clues_add_up_to_what_is_written() -> None:
    wide = svgs(clue_waterfall(evidence(), {BikeId(1): "Plover", BikeId(2): "Crake"}, uid="g"))[0]
    said = texts(wide)
    assert "Plover, 97 %" in said
    assert "+2.3 in all" in said
    assert "−1.2 in all" in said
    assert clue_waterfall("", {}, uid="g").startswith('<p class="drawing-note">No clues')


def test_too_few_chains_are_called_descriptive_only() -> None:
    markup = regime_comparison(comparison(), uid="j")
    assert "Descriptive only" in re.sub("<svg.*</svg>", "", markup)
    wide, narrow = svgs(markup)
    for svg in (wide, narrow):  # a phone's drawing is no surer than a desk's
        assert texts(svg).count("descriptive only") == 1
        heights = {"".join(one.itertext()): float(one.get("y")) for one in svg.iter("text")}
        below = heights["descriptive only"] - heights["waxed wears 0.38 times as fast (90 %: 0.16 to 0.87)"]
        assert below == (0.0 if svg is wide else 16.0)
        assert max(heights.values()) < float(svg.get("viewBox").split()[3])
    many = replace(comparison(), waxed=comparison().waxed * 3, control=comparison().control * 3)
    assert all("descriptive only" not in texts(svg) for svg in svgs(regime_comparison(many, uid="j")))


def test_what_a_retired_chain_would_come_to_is_not_told_as_if_it_were_ridden() -> None:
    points = [WearPoint(e.fact, 60.0) for e in three_years().entries if type(e.fact).__name__ == "Reading"]
    middle = (0.2, 0.25, 0.3)
    rest = (0.01,) * 3, (100.0, 120.0, 150.0), (40.0, 60.0, 90.0), None, 0.01, 3, "", "It reaches 0.5 %."
    known = Forecast(ChainId(1), Measure.DRIVE_HOURS, 0.5, 60.0, middle, *rest)
    worn = replace(known, left=(0.0, 0.0, 0.0), sentence="It is at its limit.")
    refusal = Refusal(ChainId(1), "Nobody can say.", "Measure it again.", 0.0)
    for answer, retired, note, mark in (
        (known, False, "It reaches 0.5 %.", "now"),
        (known, True, "Retired. Had it been ridden on: It reaches 0.5 %.", "retired"),
        (worn, True, "It is at its limit.", "retired"),
        (refusal, False, "Nobody can say. Measure it again.", None),
        (refusal, True, "Nobody can say.", None),
    ):
        markup = wear_plot(points, answer, uid="i", limit_pct=0.5, retired=retired)
        assert markup.endswith(f'<p class="drawing-note">{note}</p>')
        for svg in svgs(markup):
            assert [one for one in texts(svg) if one in ("now", "retired")] == ([mark] if mark else [])


def test_half_the_hands_stand_at_half_their_place_and_an_interval_past_the_axis_says_where_it_ends() -> None:
    wide, narrow = svgs(ways_of_a_year(ways(), uid="k", name="Plover"))
    for svg in (wide, narrow):
        points = [float(d.split()[0][1:]) for d in svg.xpath('.//path[@class="point"]/@d')]
        nought = float(svg.xpath('.//path[@class="axis"]/@d')[0].split()[0][1:])
        assert points[1] - nought == pytest.approx((points[0] - nought) / 2, abs=0.2)
    assert float(wide.get("viewBox").split()[2]) >= max(
        float(d.split("L")[1].split()[0]) for d in wide.xpath('.//path[@class="interval"]/@d')
    )
    assert any("80 to 900 % of the wear" in said for said in texts(narrow))


def test_nothing_to_draw_is_a_sentence() -> None:
    _, hours = storm_ride()
    for markup in (
        ride_track([], hours, uid="d", started_at=NOW),
        ride_speed([], hours, uid="d", started_at=NOW),
        hours_bars([], uid="d"),
        gear_comb(None, [], uid="d"),
    ):
        assert markup.startswith('<p class="drawing-note">')


def colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"(--d-[\w-]+): (#[0-9a-f]{6})", block))


LIGHT, DARK = (colours(block) for block in SHEET.split("@media (prefers-color-scheme: dark)")[:2])


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, 'contrast ratio' and 'relative luminance' (https://www.w3.org/TR/WCAG21/#dfn-contrast-ratio)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_words_and_textures_can_be_told_from_their_ground(scheme: dict[str, str]) -> None:
    for ground in ("--d-paper", "--d-card"):
        for words in ("--d-ink", "--d-soft"):
            assert contrast(scheme[words], scheme[ground]) >= 4.5  # WCAG 2.1, 1.4.3
    for mark, ground in (
        ("--d-dust", "--d-dust-ground"),
        ("--d-water", "--d-water-ground"),
        ("--d-water", "--d-damp-ground"),
        ("--d-earth", "--d-earth-ground"),
    ):
        assert contrast(scheme[mark], scheme[ground]) >= 3.0  # WCAG 2.1, 1.4.11


def test_a_bikes_sign_has_a_stroke_a_gear_and_none_without_teeth() -> None:
    bike = Bike(BikeId(1), "Plover", RiderId(1), chainrings=(40,), cogs=(10, 20, 40))
    (svg,) = svgs(bike_sign(bike, uid="s"))
    # 40 over 10, 20 and 40 with 2.13 m of wheel: 8.5, 4.3 and 2.1 m a turn: evenly apart in logarithms.
    assert svg[1].text == "3 gears, 2.1 to 8.5 m a turn"
    first, second, third = (float(x) for x in re.findall(r"M([\d.]+) 1v12", svg.xpath(".//path/@d")[0]))
    assert second - first == pytest.approx(third - second, abs=0.11)
    assert bike_sign(Bike(BikeId(2), "Dunlin", RiderId(1)), uid="s") == ""
