"""How it judges: what every judgement does, how often it was right, and what it cannot know."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from ingest.ground.confidence import ROAD_STATES
from services.views import accuracy
from services.views.accuracy import Measured
from tests.services.web.test_pages import PAGES

PARTS = ("bike", "ground", "dirt", "wear", "comparison", "trial", "year")
TABLES = [one for one in vars(accuracy).values() if isinstance(one, Measured)]
STATED = re.compile(r"\d+ ?% sure|\bchance of|\bchance that|four times out of five|probability of \d")


def section(html: str, part: str) -> str:
    return html.partition(f'<section id="{part}">')[2].partition("</section>")[0]


@pytest.mark.parametrize("part", PARTS)
def test_every_judgement_says_what_it_cannot_know_and_what_was_found(look: TestClient, part: str) -> None:
    said = section(look.get("/how-it-judges").text, part)

    assert "It cannot know" in said or part == "trial"
    assert "<table" in said or "never" in said


@pytest.mark.parametrize("table", TABLES, ids=lambda one: one.command)
def test_every_figure_stands_on_the_page_with_its_data_and_a_command_that_is_there(
    look: TestClient, table: Measured
) -> None:
    html = look.get("/how-it-judges").text

    for row in table.rows:
        assert len(row) == len(table.columns)
        assert all(cell in html for cell in row)
    assert table.command in html
    assert table.short
    script = re.search(r"tests[./]benchmarks[./](\w+)", table.command)
    assert script is not None
    assert Path(f"tests/benchmarks/{script[1]}.py").exists()


def test_the_readme_says_of_the_street_what_the_page_says() -> None:
    (_, *whole), (_, *summer) = accuracy.STREET.rows[:2]
    wet, dry, wet_in_summer, dry_in_summer = (round(float(cell.split()[0])) for cell in (*whole, *summer))
    said = " ".join(Path("README.md").read_text(encoding="utf-8").split())

    assert f"finds {wet} % of wet and {dry} % of dry hours" in said
    assert f"(in summer {wet_in_summer} and {dry_in_summer} %)" in said


def test_what_the_code_counts_by_is_read_from_the_code(look: TestClient) -> None:
    said = section(look.get("/how-it-judges").text, "ground")

    for name, (wet, hours) in ROAD_STATES.items():
        row = re.search(rf'<th scope="row">{name}</th>.*?</tr>', said, re.DOTALL)
        assert row is not None
        assert f">{hours}<" in row[0]
        assert f"{100 * wet / hours:.0f} %" in row[0]


@pytest.mark.parametrize("path", [path for path in PAGES if path != "/how-it-judges"])
def test_a_page_that_states_a_chance_leads_there(look: TestClient, path: str) -> None:
    html = look.get(path).text
    if STATED.search(html):
        assert re.search(r'href="/how-it-judges#\w+"', html)
    assert 'href="/how-it-judges"' in html
    assert set(re.findall(r'href="/how-it-judges#(\w+)"', html)) <= set(PARTS)
