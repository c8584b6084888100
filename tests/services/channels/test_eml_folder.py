"""A folder of mails that any mail program opens."""

from __future__ import annotations

import email
import email.policy
from datetime import UTC, datetime
from pathlib import Path

import pytest

from rules.vocabulary import ReminderId, RiderId
from services.channels import ChannelError
from services.channels.eml_folder import EmlFolder
from services.queued_letter import Letter

LETTER = Letter(
    id=1,
    rider=RiderId(1),
    channel="mail folder",
    to="ines@plateau.example",
    subject="Wipe and drip the chain on Plover tonight",
    text="Left wet, it rusts by morning.\n",
    html="<p>Left wet, it rusts by morning.</p>",
    message_id="<r12.0@gritledger.invalid>",
    reminders=(ReminderId(12),),
    queued_at=datetime(2025, 6, 3, 18, 52, tzinfo=UTC),
)


def test_a_letter_is_one_mail_and_a_repeat_is_the_same_one(tmp_path: Path) -> None:
    folder = EmlFolder(tmp_path / "mail")
    assert folder.check() == []
    folder.send(LETTER)
    folder.send(LETTER)

    (file,) = (tmp_path / "mail").iterdir()
    mail = email.message_from_bytes(file.read_bytes(), policy=email.policy.default)
    assert file.name.startswith("2025-06-03-185200-")
    assert file.suffix == ".eml"
    assert mail["Message-ID"] == "<r12.0@gritledger.invalid>"
    assert mail["Subject"] == LETTER.subject
    assert [part.get_content_type() for part in mail.walk()] == [
        "multipart/alternative",
        "text/plain",
        "text/html",
    ]


def test_a_message_id_never_becomes_a_path(tmp_path: Path) -> None:
    folder = EmlFolder(tmp_path / "mail")
    forged = Letter(1, RiderId(1), "mail folder", "a@b.example", "s", "t", "", "<../../out@x.example>")
    folder.send(forged)

    assert folder.path_of(forged).parent == tmp_path / "mail"
    assert [p.name for p in tmp_path.iterdir()] == ["mail"]


def test_a_place_that_cannot_be_written_is_a_passing_failure_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    folder = EmlFolder(tmp_path / "file" / "mail")

    with pytest.raises(ChannelError, match=r"cannot be written: (Not a directory|File exists)") as trouble:
        folder.send(LETTER)

    assert not trouble.value.permanent
    assert "is a file" in folder.check()[0]
