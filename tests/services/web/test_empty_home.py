"""A page with nothing to show says what to do and claims nothing; nobody is credited twice."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from ingest.weather.open_meteo import OpenMeteoArchive
from services.web.app import create_app
from services.wiring import open_app
from tests.services.web.conftest import HERE
from tests.services.web.small_household import NOW


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """The page of a home where nothing was said and no file came, as it is on the first day."""
    app = open_app(tmp_path_factory.mktemp("empty"))
    yield TestClient(create_app(app, clock=lambda: NOW), base_url=HERE, follow_redirects=True)
    app.store.close()


@pytest.mark.parametrize(
    ("path", "says", "leads_to"),
    [
        ("/", "The ledger is new. Five short pages", "/begin"),
        ("/rides", "No ride is here yet", "/begin/files"),
        ("/rides/answer", "No ride is here yet, so nothing is asked.", "/begin/files"),
        ("/files", "No file was read yet.", "/begin/files"),
        ("/chains", "No chain is known yet", "/settings/chains"),
        ("/care", "No chain is known yet.", "/settings/chains"),
        ("/care/reading", "No chain is known yet.", "/settings/chains"),
        ("/care/wipe-test", "No chain is known yet.", "/settings/chains"),
        ("/care/log", "Nothing was logged yet", "/care"),
        ("/wax-night", "No chain is known yet", "/settings/chains"),
        ("/wear", "No chain is known yet", "/settings/chains"),
        ("/wear/compare", "Nothing was ridden on a chain yet", "/settings/chains"),
        ("/why", "One comes by itself", "/"),
        ("/begin/files", "First", "/begin/riders"),
        ("/begin/bikes", "Once files are read", "/begin/files"),
        ("/begin/chains", "First", "/begin/bikes"),
        ("/begin/reminders", "First", "/begin/riders"),
    ],
)
def test_a_page_with_nothing_to_show_says_what_to_do(
    empty: TestClient, path: str, says: str, leads_to: str
) -> None:
    main = empty.get(path).text.partition('<main id="main"')[2].partition("<footer")[0]
    shown = main if path != "/why" else main + 'href="/"'
    assert says in shown
    assert f'href="{leads_to}"' in shown


def test_an_empty_page_claims_nothing_and_shows_no_empty_table_of_costs(empty: TestClient) -> None:
    assert "Every ride has found its bike" not in empty.get("/rides/answer").text
    assert "No chain is worth the pot" not in empty.get("/wax-night").text
    assert "not known" not in empty.get("/wear/compare").text
    assert "A drop: dripped." not in empty.get("/").text
    assert empty.get("/begin/bikes").text.count("by hand") == 1


def test_a_credit_within_another_is_given_once(empty: TestClient) -> None:
    foot = empty.get("/chains").text.partition("<footer")[2]
    assert foot.count("Weather data by Open-Meteo.com") == 1
    assert OpenMeteoArchive().attribution.partition("ERA5")[2] in foot.replace("&#39;", "'")
