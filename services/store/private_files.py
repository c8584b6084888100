"""Files that hold where somebody rides and what they set: for their owner alone, old ones too."""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path

from services.atomic_write import write_whole

FOLDER, FILE = 0o700, 0o600
_OTHERS = 0o077


def make_private(path: Path) -> None:
    """Take everybody else's rights from a file or folder of ours; one that is not ours is left as it is.

    Where the system knows no such rights, nothing happens.
    """
    try:
        status = path.lstat()
        if status.st_mode & _OTHERS and not stat.S_ISLNK(status.st_mode):
            path.chmod(FOLDER if stat.S_ISDIR(status.st_mode) else FILE)
    except OSError:
        return  # not there, or another user's: health names what cannot be read or written


def own_secret(path: Path, size: int) -> bytes:
    """Random bytes in a file for its owner alone, drawn when first asked for. Raises OSError, ValueError."""
    if not path.exists():
        write_whole(path, secrets.token_bytes(size), mode=FILE)
    make_private(path)
    secret = path.read_bytes()
    if len(secret) != size:
        raise ValueError(f"{len(secret)} bytes instead of {size}")
    return secret


def touch_private(path: Path) -> None:
    """Make an empty file for its owner alone, if there is none yet. Raises OSError."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE))
    except FileExistsError:
        return
