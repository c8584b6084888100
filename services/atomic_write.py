"""Files that other programs read while we write them: always whole, the old one or the new one."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(path: Path, content: bytes, *, mode: int = 0o644) -> None:
    """Put `content` at `path` in one step; missing folders are made.

    A reader, a crash or a full disk never meets half of it. Raises OSError and leaves the old file as it was.
    """
    path.parent.mkdir(mode=0o777 if mode & 0o077 else 0o700, parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, mode)  # mkstemp gives 0600; a calendar program may run as somebody else
        os.replace(name, path)
    except BaseException:
        os.unlink(name)
        raise
