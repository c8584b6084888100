"""A club from the command line: prepared by its owner, households added, one of them used as at home."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path

from starlette.testclient import TestClient

from services.cli.program import run
from services.web.serve import page_server
from services.wiring import open_app
from tests.services.conftest import with_database
from tests.services.web.small_household import with_page


def typed(*words: str) -> tuple[int, str]:
    """Status and everything said."""
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        status = run(words)
    return status, said.getvalue()


def a_home(folder: Path, database: str) -> str:
    folder.mkdir()
    (folder / "settings.toml").write_text(f'database = "{database}"\n')
    return str(folder)


def test_a_household_of_a_club_is_used_as_at_home(
    club_url: str, postgresql_server: str, tmp_path: Path
) -> None:
    status, said = typed("club", "prepare", with_database(postgresql_server, "club"))
    assert (status, "every table shows “gritledger” one household at a time" in said) == (0, True), said
    desk = a_home(tmp_path / "desk", club_url)
    numbers = []
    for name in (f"Mill {tmp_path}", f"Quay {tmp_path}"):
        status, said = typed("club", "add", name, "--home", desk)
        assert status == 0, said
        numbers.append(said.split(":")[0].removeprefix("Household "))
    _, said = typed("club", "list", "--home", desk)
    assert f"Mill {tmp_path}" in said.replace("\n", "")
    listed = json.loads(typed("club", "list", "--json", "--home", desk)[1])
    assert {"number": int(numbers[0]), "name": f"Mill {tmp_path}"} in listed

    mill, quay = (a_home(tmp_path / n, f"{club_url}&household={n}") for n in numbers)
    assert typed("add", "rider", "Ines", "--home", mill)[0] == 0
    assert typed("add", "bike", "Plover", "--home", mill)[0] == 0
    assert "Plover" in typed("list", "bikes", "--home", mill)[1]
    assert "Plover" not in typed("list", "bikes", "--home", quay)[1]

    status, said = typed("list", "bikes", "--home", desk)
    assert (status, "is kept for a club; name the household" in said) == (1, True), said


def test_its_first_owner_is_invited_from_the_command_line_and_the_page_is_the_clubs(
    club_url: str, tmp_path: Path
) -> None:
    desk = a_home(tmp_path / "desk", club_url)
    status, said = typed("club", "add", f"Mill {tmp_path}", "--home", desk)
    number = said.split(":")[0].removeprefix("Household ")
    invite = ("club", "invite", "iva@plateau.example", "--household", number, "--home", desk)
    status, said = typed(*invite)
    assert (status, "hand this over yourself" in said) == (0, True), said
    (token,) = re.findall(r"/invited/([\w-]+)", said.replace("\n", ""))
    pages = page_server(with_page(open_app(Path(desk)), port=0)).config.app
    client = TestClient(pages, base_url="http://127.0.0.1:8765", follow_redirects=False)  # type: ignore[arg-type]
    assert client.get("/").status_code == 401
    assert client.get(f"/invited/{token}").status_code == 200
    renew = ("club", "new-password", "iva@plateau.example", "--home", desk)
    status, said = typed(*renew)
    assert (status, "nobody signs in by iva@plateau.example" in said.replace("\n", " ")) == (2, True), said
    form = {"name": "Iva", "password": "four dry words"}
    assert client.post(f"/invited/{token}", data=form).status_code == 303
    status, said = typed(*renew)
    assert (status, "hand this over yourself" in said) == (0, True), said
    (token,) = re.findall(r"/forgotten/([\w.-]+)", said.replace("\n", ""))
    assert TestClient(pages, base_url="http://127.0.0.1:8765").get(f"/forgotten/{token}").status_code == 200  # type: ignore[arg-type]
    assert typed("club", "invite", "nowhere", "--household", number, "--home", desk)[0] == 1
