"""Every page opens, says what it must, and takes its forms; trouble is a sentence."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest
from starlette.testclient import TestClient

from rules.reminder import ReminderKind, Step
from rules.units import SI, said
from rules.vocabulary import Condition, ReadingTool, Regime, RideId, TreatmentKind
from services.app import App
from services.running.round import one_round
from services.use_cases.find_by_name import the_chain_named
from services.use_cases.index_conditions import anything_to_index, index_conditions, kept_otherwise
from services.use_cases.update_reminders import reckon
from tests.put_into import into
from tests.services.web.small_household import NOW, QUESTIONS, SCRIPT

Token = Callable[[], str]

PAGES = (
    "/",
    "/rides",
    "/rides/answer",
    "/rides/1",
    "/chains",
    "/chains/1",
    "/chains/3",
    "/why",
    "/why/1",
    "/care",
    "/care?did=oil",
    "/care/reading",
    "/care/wipe-test",
    "/care/log",
    "/care/sheet",
    "/wear",
    "/wear/compare",
    "/wax-night",
    "/year",
    "/how-it-judges",
    "/files",
    "/corrections",
    "/settings",
    "/settings/riders",
    "/settings/bikes",
    "/settings/chains",
    "/settings/sensors",
    "/settings/limits",
    "/settings/channels",
    "/settings/quiet",
    "/settings/folders",
    "/settings/more",
    "/begin/riders",
    "/begin/files",
    "/begin/bikes",
    "/begin/chains",
    "/begin/reminders",
)


@pytest.fixture(scope="module")
def weighs(look: TestClient) -> Callable[[str], int]:
    """How many bytes a style sheet or script has."""
    return cache(lambda address: len(look.get(address).content))


@pytest.mark.parametrize("path", PAGES)
def test_page_is_small_has_a_heading_and_no_style_or_script_of_its_own_and_credits_the_weather(
    look: TestClient, weighs: Callable[[str], int], path: str
) -> None:
    answer = look.get(path)
    html = answer.text
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert len(answer.content) + sum(map(weighs, re.findall(r'"(/static/[^"]+)"', html))) < 150_000
    assert len(re.findall(r"<h1[ >]", html)) == 1
    assert re.search(r"<title>[^<]+gritledger</title>", html)
    assert not re.search(r"<[^>]+\sstyle=", html)
    assert "<style" not in html
    assert re.findall(r"<script(?! src=\"/static/)", html) == []
    assert not re.search(r"<[^>]+\son[a-z]+=", html)
    assert "Weather from the file weather.csv." in html


def test_credit_of_the_open_archive_is_a_link() -> None:
    from ingest.weather.open_meteo import OpenMeteoArchive
    from services.web.rendering import linked

    credit = str(linked(OpenMeteoArchive().attribution))
    assert '<a href="https://open-meteo.com/" rel="noreferrer">https://open-meteo.com/</a>' in credit
    assert "CC BY 4.0" in credit


def standing(shop: App, kind: ReminderKind) -> int:
    with shop.store.reading() as tx:
        return next(one.id for one in tx.reminders.standing() if one.reminder.kind is kind)


def test_bench_says_what_needs_hands_with_the_caution_and_the_way_to_ask_why(
    look: TestClient, shared_shop: App
) -> None:
    html = look.get("/").text
    number = standing(shared_shop, ReminderKind.WIPE_AND_DRIP)
    assert re.search(r"<h1>(One chain wants|Two chains want) hands</h1>", html)
    assert ">Wiped and dripped</button>" in html
    assert f'href="/why/{number}"' in html
    assert html.count("Keep fingers, hair and sleeves away from a turning chain") == 1
    assert ": which bike?" in html


def test_no_bar_runs_to_a_limit_and_the_film_is_told_in_words(look: TestClient) -> None:
    for path in ("/", "/chains/1", "/why/1"):
        html = look.get(path).text
        assert "film-" not in html
        assert "<progress" not in html
        assert "<meter" not in html
    assert re.search(r"film (good for about \d+ km|is used up)", look.get("/").text)


def test_a_worn_chain_is_swapped_for_one_that_fits_in_one_press(
    page: TestClient, shop: App, token: Token
) -> None:
    with shop.store.writing() as tx:
        bike = tx.equipment.find_bike("Plover")
        worn = tx.ledger().chain_on(bike.id, NOW)
        assert worn is not None
        into(tx).log_reading(worn.id, ReadingTool.CALIPER, NOW, exact_pct=0.8)
        spare = into(tx).add_chain("Gabbro", speeds=11, links=114)
        other = into(tx).add_chain("Tuff", speeds=9, links=100)
        into(tx).fit_chain(spare.id, bike.id, NOW - timedelta(days=300), NOW - timedelta(days=299))
    one_round(shop, now=NOW)
    html = page.get("/").text
    (form,) = re.findall(
        r'<form method="post" action="/settings/fit" class="swap">.*?</form>', html, re.DOTALL
    )
    assert f'<option value="{spare.id}">Gabbro</option>' in form
    assert f'value="{other.id}"' not in form
    assert " selected" not in form  # nobody guesses which one went on
    said = page.post(
        "/settings/fit", data={"the_page": token(), "bike": str(bike.id), "chain": str(spare.id), "back": "/"}
    )
    assert "Gabbro fitted to Plover" in said.text
    assert said.url.path == "/"


def test_done_logs_the_treatment_closes_the_reminder_and_can_be_undone(
    page: TestClient, shop: App, token: Token
) -> None:
    number = standing(shop, ReminderKind.WIPE_AND_DRIP)
    html = page.post(f"/why/{number}/done", data={"the_page": token(), "back": "/"}).text
    assert "Drip logged on" in html
    assert "Undo this" in html
    with shop.store.reading() as tx:
        assert tx.reminders.get(number).state is Step.DONE
        last = tx.changes.last()
        newest = tx.care.treatments()[-1]
    assert last is not None
    assert (newest.kind, newest.done_at) == (TreatmentKind.DRIP, NOW)
    undone = page.post(f"/corrections/{last.number}/undo", data={"the_page": token(), "back": "/"}).text
    assert "Undone: drip logged" in undone
    with shop.store.reading() as tx:
        assert newest not in tx.care.treatments()
        assert any(one.reminder.kind is ReminderKind.WIPE_AND_DRIP for one in tx.reminders.standing())


def test_reminder_page_adds_up_line_by_line_to_its_total(look: TestClient, shared_shop: App) -> None:
    number = standing(shared_shop, ReminderKind.WIPE_AND_DRIP)
    with shared_shop.store.reading() as tx:
        due = tx.reminders.get(number).reminder
    html = look.get(f"/why/{number}").text
    assert said(due.sentence, SI).replace("'", "&#39;") in html
    assert html.count('class="crossing"') == 1
    for line in due.reasons:
        assert said(line.weather, SI) in html
    assert due.rulebook_version in html


def test_what_if_on_the_reminder_page_shows_and_keeps_nothing(page: TestClient, shop: App) -> None:
    number = standing(shop, ReminderKind.WIPE_AND_DRIP)
    with shop.store.reading() as tx:
        before = tx.writes()
        ride = next(r.ride for r in tx.reminders.get(number).reminder.reasons if r.ride)
    html = page.get(f"/why/{number}", params={"ride": ride, "word": "dry"}).text
    assert "Withdrawn: Wipe, dry and drip" in html
    assert "Only supposed" in html
    over = page.get(f"/why/{number}", params={"limit": "0.9"}).text
    assert "Withdrawn: Wipe, dry and drip" in over
    with shop.store.reading() as tx:
        assert tx.writes() == before


def test_put_off_and_dismissed_reminders_say_so(page: TestClient, shop: App, token: Token) -> None:
    number = standing(shop, ReminderKind.WIPE_AND_DRIP)
    html = page.post(f"/why/{number}/put-off", data={"the_page": token(), "days": "3", "back": "/"}).text
    assert "put off until 17 January 2025, 18:00" in html
    html = page.post(f"/why/{number}/dismiss", data={"the_page": token(), "because": "bike sold"}).text
    assert "dismissed" in html
    assert "bike sold" in html
    assert f'action="/why/{number}/again"' in html
    html = page.post(f"/why/{number}/again", data={"the_page": token()}).text
    assert "asked for again" in html
    assert "not dismissed after all" in html.lower()


def test_correcting_the_bike_shows_what_changes_then_withdraws_the_reminder_then_undoes(
    page: TestClient, shop: App, token: Token
) -> None:
    number = standing(shop, ReminderKind.WIPE_AND_DRIP)
    with shop.store.reading() as tx:
        ride = tx.rides.ride(next(r.ride for r in tx.reminders.get(number).reminder.reasons if r.ride))
    preview = page.get(f"/rides/{ride.id}", params={"bike": "none"}).text
    assert "Withdrawn: Wipe, dry and drip" in preview
    with shop.store.reading() as tx:
        assert tx.rides.ride(ride.id).bike == ride.bike
    done = page.post(f"/rides/{ride.id}/bike", data={"the_page": token(), "bike": "none"}).text
    assert "On none of ours" in done
    with shop.store.reading() as tx:
        assert tx.reminders.get(number).state is Step.WITHDRAWN
        last = tx.changes.last()
    assert last is not None
    page.post(f"/corrections/{last.number}/undo", data={"the_page": token()})
    with shop.store.reading() as tx:
        assert tx.rides.ride(ride.id).bike == ride.bike


def test_the_riders_word_on_conditions_and_ground_is_kept_and_shown(
    page: TestClient, shop: App, token: Token
) -> None:
    html = page.post("/rides/1/conditions", data={"the_page": token(), "word": "muddy"}).text
    assert "By your word, the whole ride was muddy." in html
    html = page.post("/rides/1/conditions", data={"the_page": token(), "word": "archive"}).text
    assert "By your word" not in html
    html = page.post("/rides/1/ground", data={"the_page": token(), "unpaved": "35"}).text
    assert "About 35 % unpaved" in html
    html = page.post("/rides/1/no-ride", data={"the_page": token(), "because": "car roof"}).text
    assert "This ride counts no more: car roof" in html


def test_a_week_is_answered_in_one_form_and_undone_in_one_gesture(
    page: TestClient, shop: App, token: Token
) -> None:
    with shop.store.reading() as tx:
        asked = [ride.id for ride in tx.rides.confirm_list()]
        plover = tx.equipment.find_bike("Plover").id
    assert len(asked) == QUESTIONS + 2
    form = {"the_page": token(), **{f"on-{ride}": str(plover) for ride in asked[:-1]}}
    html = page.post("/rides/answer", data={**form, f"on-{asked[-1]}": "none"}).text
    assert f"{len(asked)} rides on Plover and none of ours" in html
    with shop.store.reading() as tx:
        # The evening after a morning on none of ours may now be a question; what was answered is none.
        assert not {ride.id for ride in tx.rides.confirm_list()} & set(asked)
        last = tx.changes.last()
    assert last is not None
    page.post(f"/corrections/{last.number}/undo", data={"the_page": token()})
    with shop.store.reading() as tx:
        assert [ride.id for ride in tx.rides.confirm_list()] == asked


def test_rides_are_found_by_words_bike_conditions_and_days(look: TestClient) -> None:
    def count(**query: str) -> int:
        found = re.search(r"(\d+) rides?, [\d.]+ km", look.get("/rides", params=query).text)
        assert found is not None
        return int(found[1])

    every = count()
    assert every == 14 + QUESTIONS + 2
    assert count(text="whose") == QUESTIONS
    assert count(bike="open") == QUESTIONS + 2
    assert count(bike="1") + count(bike="2") == 14
    assert 0 < count(like="wet") < every
    assert count(**{"from": "2025-01-03", "until": "2025-01-03"}) == 2
    assert count(text="no such ride") == 0


def test_rides_of_a_kind_are_the_same_before_and_after_it_is_kept_of_them(
    page: TestClient, shop: App
) -> None:
    def found() -> dict[str, object]:
        return {
            f"{one} {on}": page.get("/api/rides", params={"like": one, "bike": on, "limit": 3}).json()
            for one in (*Condition, "soup")
            for on in ("", "1", "open", "none")
        }

    with shop.store.reading() as tx:
        assert not tx.rides.unnamed()
    kept = found()
    with shop.store.writing() as tx:
        tx.rides.forget_likes()
    assert found() == kept
    assert len({str(one) for one in kept.values()}) > 5
    with shop.store.writing() as tx:
        reckon(tx, shop, now=NOW)
        assert not tx.rides.unnamed()
    assert found() == kept


def test_what_rides_were_like_is_told_anew_by_other_weights(shop: App) -> None:
    def likes() -> dict[RideId, frozenset[Condition]]:
        with shop.store.writing() as tx:
            index_conditions(tx, shop, now=NOW)
            return tx.rides.likes()

    before = likes()
    assert {Condition.WET} <= frozenset().union(*before.values())
    with (shop.settings.home / "own.toml").open("a") as own:
        own.write("\n[threshold]\nwet = 0.1\n")
    other = replace(
        shop, settings=shop.settings.model_copy(update={"rulebook": shop.settings.home / "own.toml"})
    )
    with other.store.writing() as tx:
        tx.rides.set_likes(dict.fromkeys(before, ()))
        assert len(kept_otherwise(tx, tx.ledger(), other.rulebook_in(tx))) == len(before)
        assert anything_to_index(tx, other.rulebook_in(tx))
        index_conditions(tx, other, now=NOW)
        assert not anything_to_index(tx, other.rulebook_in(tx))
        assert kept_otherwise(tx, tx.ledger(), other.rulebook_in(tx)) == ()


def test_all_rides_of_a_narrowed_list_are_mended_at_once(page: TestClient, shop: App, token: Token) -> None:
    query = {"text": "whose"}
    assert "Only supposed so far" in page.get("/rides", params={**query, "put": "1"}).text
    wide = page.post("/rides/put", data={"the_page": token(), "put": "1", "count": "23"})
    assert wide.status_code == 422
    stale = page.post("/rides/put", data={"the_page": token(), **query, "put": "1", "count": "3"})
    assert stale.status_code == 409
    page.post("/rides/put", data={"the_page": token(), **query, "put": "1", "count": str(QUESTIONS)})
    with shop.store.reading() as tx:
        assert {ride.bike for ride in tx.rides.rides(text="whose")} == {1}


def test_care_is_logged_for_another_day_and_taken_back(page: TestClient, shop: App, token: Token) -> None:
    form = {
        "the_page": token(),
        "chain": "1",
        "kind": "immersion",
        "at": "2025-01-10T20:30",
        "minutes": "12,5",
    }
    html = page.post("/care/treatment", data=form).text
    assert "Immersion logged on" in html
    with shop.store.reading() as tx:
        newest = max(tx.care.treatments(), key=lambda one: one.id)
    assert (f"{newest.done_at:%Y-%m-%d %H:%M}", newest.minutes) == ("2025-01-10 20:30", 12.5)
    page.post("/care/take-back", data={"the_page": token(), "fact": "treatment", "number": str(newest.id)})
    with shop.store.reading() as tx:
        assert newest not in tx.care.treatments()


def test_readings_by_gauge_and_by_length_and_wipe_tests_are_logged(
    page: TestClient, shop: App, token: Token
) -> None:
    gauge = {"the_page": token(), "chain": "1", "tool": "gauge", "over": "0,25", "under": "0.5 %"}
    assert "Reading of" in page.post("/care/reading", data=gauge).text
    ruler = {"the_page": token(), "chain": "2", "tool": "ruler", "length": "306.3", "pitches": "24"}
    page.post("/care/reading", data=ruler)
    page.post("/care/wipe-test", data={"the_page": token(), "chain": "2", "grade": "2"})
    with shop.store.reading() as tx:
        newest = sorted(tx.care.readings(), key=lambda one: one.id)[-2:]
        test = max(tx.care.wipe_tests(), key=lambda one: one.id)
    assert (newest[0].over_pct, newest[0].under_pct) == (0.25, 0.5)
    assert newest[1].tool is ReadingTool.RULER
    # 24 pitches of 12.7 mm are 304.8 mm (ISO 606, from memory); 306.3 mm is 0.492 % more.
    assert newest[1].exact_pct == pytest.approx(0.4921, abs=1e-3)
    assert test.grade == 2


@pytest.mark.parametrize(
    ("path", "form", "sentence"),
    [
        ("/care/treatment", {"chain": "1", "kind": "polish"}, "Choose what was done"),
        ("/care/treatment", {"kind": "drip"}, "Choose a chain."),
        ("/care/treatment", {"chain": "99", "kind": "drip"}, "There is no chain 99"),
        ("/care/treatment", {"chain": "1", "kind": "drip", "minutes": "ten"}, "Minutes: “ten” is no number"),
        ("/care/treatment", {"chain": "1", "kind": "drip", "at": "2031-01-01T10:00"}, "has not come yet"),
        ("/care/treatment", {"chain": "1", "kind": "drip", "at": "yesterday-ish"}, "is no time"),
        ("/care/reading", {"chain": "1", "tool": "ruler"}, "Give the elongation"),
        (
            "/care/reading",
            {"chain": "1", "tool": "ruler", "length": "400", "pitches": "24"},
            "Count the pitches",
        ),
        *(
            ("/care/reading", {"chain": "1", "tool": tool, "pitches": "24", **typed}, sentence)
            for tool, typed, sentence in (
                ("ruler", {"exact": "0.4", "length": "306 mm"}, "the one follows from the other"),
                ("gauge", {"over": "0.5", "exact": "0.6"}, "exact figure is a ruler"),
                ("caliper", {"exact": "0.6", "over": "0.5"}, "A caliper gives one exact figure"),
                ("caliper", {"length": "-3 mm"}, "is no length: write it as"),
                ("caliper", {"length": "12 1/16"}, "fractions are of inches"),
                ("caliper", {"length": "306", "pitches": ""}, "over how many pitches"),
                ("caliper", {"exact": "about 0.5"}, "is no number; write it as 6 or 6.5"),
                ("caliper", {"exact": "305.9"}, "-0.99 to 4.99; write it as 0.3, or give a length"),
                ("ruler", {"exact": "-2"}, "-0.99 to 4.99; write it as 0.3, or give a length"),
                ("gauge", {"over": "nan"}, "step that dropped in"),
            )
        ),
        ("/care/wipe-test", {"chain": "1", "grade": "7"}, "is graded 0, clean, to 4"),
        ("/rides/1/bike", {"bike": "77"}, "Choose a bike of the household"),
        ("/rides/1/conditions", {"word": "soggy"}, "Choose what it was like"),
        ("/rides/999/bike", {"bike": "1"}, "Ride 999 does not count"),
        ("/rides/answer", {}, "No answer was picked"),
        ("/why/1/dismiss", {}, "Say why it is dismissed"),
        ("/settings/riders", {"name": "Jon", "time_zone": "Mars/Olympus"}, "There is no time zone"),
        ("/settings/bikes", {"name": "plover", "owner": "1"}, "There is a bike “Plover” already"),
        (
            "/settings/bikes",
            {"name": "New", "owner": "1", "cogs": "11-x"},
            "is no list of teeth; write every one",
        ),
        ("/settings/fit", {"chain": "1", "bike": "2", "at": "2031-01-01T10:00"}, "has not come yet"),
        ("/settings/channels/try", {"channel": "pigeon"}, "No channel “pigeon”"),
        ("/corrections/999/undo", {}, "No change “999”"),
    ],
)
def test_bad_input_is_answered_with_a_sentence_and_changes_nothing(
    page: TestClient, shop: App, token: Token, path: str, form: dict[str, str], sentence: str
) -> None:
    with shop.store.reading() as tx:
        before = tx.writes()
    answer = page.post(path, data={"the_page": token(), **form})
    assert 400 <= answer.status_code < 500
    assert sentence in answer.text
    with shop.store.reading() as tx:
        assert tx.writes() == before


def test_the_garage_is_kept_from_the_page(page: TestClient, shop: App, token: Token) -> None:
    page.post("/settings/riders", data={"the_page": token(), "name": "Tilo", "time_zone": "America/La_Paz"})
    with shop.store.reading() as tx:
        tilo = tx.equipment.find_rider("Tilo")
    bike = {
        "the_page": token(),
        "name": "Curlew",
        "owner": str(tilo.id),
        "unpaved": "40",
        "cogs": "11-13,15/17",
    }
    page.post("/settings/bikes", data=bike)
    chain = {"the_page": token(), "name": "Mica", "regime": "waxed", "speeds": "12", "price": "41.50"}
    page.post("/settings/chains", data=chain)
    with shop.store.reading() as tx:
        curlew, mica = tx.equipment.find_bike("Curlew"), the_chain_named(tx.garage(), "Mica")
    assert (curlew.unpaved_share, curlew.cogs, mica.price) == (0.4, (11, 13, 15, 17), 41.5)
    fit = {"the_page": token(), "chain": str(mica.id), "bike": str(curlew.id), "at": "2025-01-13T08:00"}
    assert "Mica fitted to Curlew on 13 January 2025" in page.post("/settings/fit", data=fit).text
    off = {"the_page": token(), "chain": str(mica.id), "retire": "yes"}
    assert "Mica retired on" in page.post("/settings/take-off", data=off).text
    sensor = {"the_page": token(), "identity": "serial 4711", "kind": "power meter", "bike": str(curlew.id)}
    moved = page.post("/settings/sensors", data={**sensor, "since": "2025-01-12"}).text
    assert "Undo this" in moved


def test_a_channel_is_tried_from_the_page(
    shop: App, token: Token, tmp_path: object, page: TestClient
) -> None:
    home = shop.settings.home
    (home / "settings.toml").write_text(
        (home / "settings.toml").read_text() + '\n[channels]\nmail_folder = "letters"\n'
    )
    from services.web.app import create_app
    from services.wiring import open_app
    from tests.services.web.conftest import HERE, token_in

    again = TestClient(create_app(open_app(home), clock=lambda: NOW), base_url=HERE)
    html = again.get("/settings/channels").text
    told = again.post("/settings/channels/try", data={"the_page": token_in(html), "channel": "mail folder"})
    assert "mail folder: the test message was taken." in told.text
    assert len(list((home / "letters").iterdir())) == 1


def test_a_title_with_a_script_is_only_ever_text(look: TestClient, shared_shop: App) -> None:
    with shared_shop.store.reading() as tx:
        ride = next(one for one in tx.rides.rides() if one.title == SCRIPT)
    for path in ("/rides", f"/rides/{ride.id}", "/rides/answer", "/rides?text=%3Cscript%3E"):
        html = look.get(path).text
        assert SCRIPT not in html
        assert "&lt;script&gt;alert(" in html
    assert "torn <b>" not in look.get("/files").text


def test_two_recordings_are_split_from_the_page_and_put_together_again(
    page: TestClient, shop: App, token: Token
) -> None:
    with shop.store.reading() as tx:
        kept = next(one for one in tx.rides.rides() if tx.rides.details(one.id).second_recordings)
        second = tx.rides.details(kept.id).second_recordings[0]
        before = tx.rides.count()
    assert f'href="/rides/{second}"' in page.get(f"/rides/{kept.id}").text
    assert "It was an outing of its own" in page.get(f"/rides/{second}").text
    html = page.post(f"/rides/{second}/own-outing", data={"the_page": token()}).text
    assert "both count" in html
    with shop.store.reading() as tx:
        assert tx.rides.count() == before + 1
        last = tx.changes.last()
    assert last is not None
    page.post(f"/corrections/{last.number}/undo", data={"the_page": token()})
    with shop.store.reading() as tx:
        assert tx.rides.count() == before


EXPORTS = (
    *("rides", "chains", "care", "reminders", "files", "wear", "bikes"),
    *("riders", "fittings", "sensors", "limits", "changes"),
)


@pytest.mark.parametrize("name", EXPORTS)
def test_a_list_says_the_same_as_csv_and_as_json(look: TestClient, name: str) -> None:
    answer = look.get(f"/export/{name}.csv")
    assert answer.headers["content-disposition"] == f'attachment; filename="gritledger-{name}.csv"'
    table = list(csv.DictReader(io.StringIO(answer.text)))
    rows = look.get(f"/export/{name}.json").json()
    assert rows
    assert len(table) == len(rows)
    for line, row in zip(table, rows, strict=True):
        assert list(line) == list(row)
        for key, value in row.items():
            if isinstance(value, (int, float)) and not isinstance(value, bool):
                assert float(line[key]) == value


def test_every_export_is_linked_from_a_page(look: TestClient) -> None:
    linked = {name for path in PAGES for name in re.findall(r"/export/([a-z]+).csv", look.get(path).text)}
    assert linked == set(EXPORTS)


def test_an_export_of_rides_holds_what_the_list_holds(look: TestClient) -> None:
    rows = look.get("/export/rides.json", params={"text": "whose"}).json()
    assert len(rows) == QUESTIONS
    assert all("whose" in row["file"] and not row["title"] for row in rows)


def test_a_ride_without_a_title_is_named_by_its_facts_and_no_date_stands_twice(look: TestClient) -> None:
    row = look.get("/export/rides.json", params={"text": "whose"}).json()[0]
    page = look.get(f"/rides/{row['ride']}").text
    heading = re.search(r"<h1>(.*?)</h1>.*?<p class=\"lead\">(.*?)</p>", page, re.DOTALL)
    assert heading is not None
    assert re.fullmatch(r"[A-Z][a-z]{2} \d+ [A-Z][a-z]{2}( \d{4})? \d\d:\d\d, [\d.]+ km(, \w+)?", heading[1])
    assert "whose" not in heading[1]
    assert "home at" in heading[2]
    assert not re.search(r"\b20\d\d\b", heading[2])
    assert "whose" in page[page.index("Where it comes from") :]
    assert "whose" not in look.get("/rides?text=whose").text.partition("<table")[2].partition("</table>")[0]


def test_the_calendar_feed_is_served(look: TestClient) -> None:
    answer = look.get("/chains.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    assert answer.text.startswith("BEGIN:VCALENDAR")
    assert "Wipe\\, dry and drip" in answer.text.replace("\r\n ", "")


def test_what_is_not_there_is_said_in_words(look: TestClient) -> None:
    for path in ("/rides/4711", "/chains/99", "/why/99", "/export/nothing.csv"):
        answer = look.get(path)
        assert answer.status_code == 404
        assert "No " in answer.text
    assert look.get("/no/such/page").status_code == 404
    assert look.get("/rides/not-a-number").status_code == 404


def test_an_empty_household_has_pages_too(tmp_path: object) -> None:
    from pathlib import Path

    from services.web.app import create_app
    from services.wiring import open_app
    from tests.services.web.conftest import HERE

    with open_app(Path(str(tmp_path))).store as store:
        assert store
    shop = open_app(Path(str(tmp_path)))
    client = TestClient(create_app(shop, clock=lambda: NOW), base_url=HERE)
    for path in PAGES:
        status = client.get(path).status_code
        assert status == (404 if path in ("/rides/1", "/chains/1", "/chains/3", "/why/1") else 200), path
    for name in EXPORTS:
        assert client.get(f"/export/{name}.csv").status_code == 200
    assert "The ledger is new" in client.get("/").text
    shop.store.close()


def test_a_trial_begins_and_ends_on_the_wear_page(page: TestClient, shop: App, token: Token) -> None:
    with shop.store.reading() as tx:
        chains = tx.ledger().chains
    waxed = next(one for one in chains if one.regime is Regime.WAXED)
    lubed = next(one for one in chains if one.regime is Regime.WET_LUBE)
    said = {"bike": "1", "waxed": str(waxed.id), "lubed": str(lubed.id), "every_km": "300"}
    asked = page.post("/wear/trial", data={"the_page": token(), **said}).text
    assert "Begin all the same?" in asked  # one of them was never measured
    begun = page.post("/wear/trial", data={"the_page": token(), **said, "yes": "yes"}).text
    assert "km of turn 1" in begun
    assert "No pair has two readings on each side since it began." in begun
    ended = page.post("/wear/trial/end", data={"the_page": token(), "trial": "1"}).text
    assert "ended in its turn 1" in ended
    assert "under way" not in ended


def test_a_long_life_is_drawn_in_part_at_first_and_whole_on_asking(page: TestClient, shop: App) -> None:
    assert "Draw the years before" not in page.get("/chains/1").text
    with shop.store.writing() as tx:
        old = into(tx).add_chain("Feldspar")
        bike = tx.equipment.find_bike("Plover").id
        years = NOW - timedelta(days=1300)
        into(tx).fit_chain(old.id, bike, years, years + timedelta(days=20))
        into(tx).log_reading(old.id, ReadingTool.CALIPER, NOW - timedelta(days=2), exact_pct=0.2)
    part = page.get(f"/chains/{old.id}").text
    whole = page.get(f"/chains/{old.id}?whole=yes").text
    assert part.count('class="half"') == 4
    assert whole.count('class="half"') > 7
    assert f'href="/chains/{old.id}?whole=yes"' in part
    assert "Draw the years before" not in whole
