"""What is set for somebody stays set when they are called otherwise."""

from __future__ import annotations

import tomllib

import pytest

from rules.rulebook_names import renamed

TEXT = """\
version = "mine-1"   # of May

[limit]
drip = 12

[bike."Plover"]  # the old one
drip = 8
# [bike."Plover"] is mine
[bike . 'Night Harrier']
drip = 9

[rider."Plover"]
immersion = 20
"""


def test_only_the_header_meant_is_changed() -> None:
    found = renamed(TEXT, "bike", "Plover", "Old Plover")

    assert found == TEXT.replace('[bike."Plover"]  # the old one', '[bike."Old Plover"]  # the old one')


@pytest.mark.parametrize(
    ("header", "old"),
    [
        ("[bike.Plover]", "Plover"),
        ("[bike.'Night Harrier']", "Night Harrier"),
        ('[ bike . "Night Harrier" ]', "Night Harrier"),
        ('[bike."a.b"]', "a.b"),
        (r'[bike."the \"quick\" one"]', 'the "quick" one'),
    ],
)
def test_a_name_is_known_however_it_is_quoted(header: str, old: str) -> None:
    text = f"{header}\ndrip = 8\n"
    assert tomllib.loads(text) == {"bike": {old: {"drip": 8}}}

    assert tomllib.loads(renamed(text, "bike", old, 'new "name" \\ .')) == {
        "bike": {'new "name" \\ .': {"drip": 8}}
    }


def test_another_name_or_no_header_is_left_alone() -> None:
    for text in (
        "drip = 8\n",
        "[limit]\ndrip = 8\n",
        '[bike."Heron"]\ndrip = 8\r\n',
        "[[bike]]\n",
        "bike = 1",
    ):
        assert renamed(text, "bike", "Plover", "Rook") == text
