"""Ride files out of .gz and .zip: known by content, bounded in bytes, members and ratio, never on disk."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from ingest.errors import UnreadableFile
from ingest.files.folder import is_passing

CHUNK = 1 << 16
_ZIP_MARKS = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")
_GZIP_MARK = b"\x1f\x8b"
_OTHER_ARCHIVES = {
    b"7z\xbc\xaf\x27\x1c": "7z",
    b"Rar!": "rar",
    b"\xfd7zXZ\x00": "xz",
    b"BZh": "bzip2",
    b"\x28\xb5\x2f\xfd": "zstandard",
}


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much an archive may hold. The defaults fit years of rides and refuse bombs."""

    file_bytes: int = 64 << 20  # one ride, or one archive inside an archive
    total_bytes: int = 16 << 30
    members: int = 50_000
    directory_bytes: int = 8 << 20  # a zip's table of contents, read whole before the first member
    ratio: int = 250  # unpacked to packed, of each member and of everything; ride files stay under 30
    ratio_free_bytes: int = 1 << 20  # little files may pack as well as they like
    depth: int = 3  # a .gz in a .zip in a .zip


class _Spent(UnreadableFile):
    """The archive as a whole holds too much: its other members are not tried."""


def members(
    source: Path | bytes,
    name: str,
    *,
    bounds: Bounds | None = None,
    on_trouble: Callable[[UnreadableFile], None] | None = None,
) -> Iterator[tuple[str, bytes]]:
    """The files in an archive, one at a time, in its order; a file that is no archive yields itself.

    source: where the file is, or its bytes.  name: the file as the rider knows it. A zip's members are called
    "name > folder/member": a name to show, never a path to open.
    on_trouble: told of each member that cannot be had. Without it, the good members come first and the first
    trouble is raised at the end.
    Raises UnreadableFile when the file as a whole cannot be had, OSError when it cannot be opened.
    """
    troubles: list[UnreadableFile] = []
    unpacker = _Unpacker(bounds or Bounds(), on_trouble or troubles.append)
    with _opened(source) as file:
        yield from unpacker.unpack(file, name, 0)
    if troubles:
        first, more = troubles[0], len(troubles) - 1
        why = f"{first.why} (and {more} more of its members cannot be had)" if more else first.why
        raise UnreadableFile(first.path, why, first.try_this)


@contextmanager
def _opened(source: Path | bytes) -> Iterator[IO[bytes]]:
    if isinstance(source, bytes):
        yield io.BytesIO(source)
    else:
        with source.open("rb") as file:
            yield file


@dataclass(slots=True)
class _Unpacker:
    bounds: Bounds
    on_trouble: Callable[[UnreadableFile], None]
    members_left: int = -1
    bytes_left: int = -1

    def unpack(self, file: IO[bytes], name: str, depth: int) -> Iterator[tuple[str, bytes]]:
        head = file.read(262)
        size = file.seek(0, io.SEEK_END)
        file.seek(0)
        if self.members_left < 0:
            self.members_left = self.bounds.members
            swollen = max(self.bounds.ratio * size, self.bounds.file_bytes)
            self.bytes_left = min(self.bounds.total_bytes, swollen)
        is_gzip, is_zip = head.startswith(_GZIP_MARK), head.startswith(_ZIP_MARKS)
        if (is_gzip or is_zip) and depth >= self.bounds.depth:
            raise UnreadableFile(
                name, f"is packed more than {self.bounds.depth} times over", "unpack it first"
            )
        if is_gzip:
            data = self._gunzip(file, name, size)
            yield from self.unpack(io.BytesIO(data), name, depth + 1)
        elif is_zip:
            yield from self._unzip(file, name, size, depth)
        else:
            _refuse_other_archives(head, name)
            if size > self.bounds.file_bytes:
                raise self._too_large(name)
            yield name, file.read()

    def _gunzip(self, file: IO[bytes], name: str, size: int) -> bytes:
        parts = io.BytesIO()
        try:
            self._copy(_inflated(file), parts, name, size)
        except zlib.error as error:
            raise UnreadableFile(name, "is damaged and cannot be unpacked", "copy it again") from error
        # Cut short, it yields what came out: the reader of what is inside finds the end missing and says so.
        if not parts.tell():
            raise UnreadableFile(name, "ends before any of it can be unpacked", "copy it again")
        return parts.getvalue()

    def _unzip(self, file: IO[bytes], name: str, size: int, depth: int) -> Iterator[tuple[str, bytes]]:
        if _directory_bytes(file, size) > self.bounds.directory_bytes:
            raise self._too_many(name)
        file.seek(0)
        try:
            archive = zipfile.ZipFile(file)
        except (zipfile.BadZipFile, NotImplementedError, ValueError, struct.error, OverflowError) as error:
            why = "is a damaged zip archive: its table of contents cannot be read"
            raise UnreadableFile(name, why, "copy or download it again") from error
        with archive:
            infos = [info for info in archive.infolist() if not _is_beside_the_point(info.filename)]
            if not infos:
                raise UnreadableFile(name, "is an archive without files", "pack the ride files again")
            if len(infos) > self.members_left:
                raise self._too_many(name)
            self.members_left -= len(infos)
            if sum(info.compress_size for info in infos) > size:
                why = "holds members that overlap, as no honest archive does"
                raise UnreadableFile(name, why, "pack the ride files again")
            for info in infos:
                member = f"{name} > {info.filename}"
                try:
                    data = self._member(archive, info, member)
                    yield from self.unpack(io.BytesIO(data), member, depth + 1)
                except _Spent:
                    raise
                except UnreadableFile as trouble:
                    self.on_trouble(trouble)

    def _member(self, archive: zipfile.ZipFile, info: zipfile.ZipInfo, member: str) -> bytes:
        if info.flag_bits & 0x1:
            raise UnreadableFile(member, "is locked with a password", "unpack it yourself and drop the files")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise UnreadableFile(
                member, "is packed in a way that is not supported", "unpack it and drop the files"
            )
        parts = io.BytesIO()
        try:
            with archive.open(info) as stream:
                self._copy(iter(lambda: stream.read(CHUNK), b""), parts, member, info.compress_size)
        except (
            zipfile.BadZipFile,
            zlib.error,
            EOFError,
            NotImplementedError,
            RuntimeError,
            ValueError,
        ) as error:
            raise UnreadableFile(
                member, "is damaged inside its archive", "copy or download it again"
            ) from error
        except (OSError, struct.error, OverflowError) as error:
            raise UnreadableFile(
                member, "cannot be read from its archive", "copy or download it again"
            ) from error
        return parts.getvalue()

    def _copy(self, chunks: Iterator[bytes], parts: io.BytesIO, name: str, packed: int) -> None:
        for chunk in chunks:
            parts.write(chunk)
            unpacked = parts.tell()
            self.bytes_left -= len(chunk)
            if self.bytes_left < 0:
                why = "holds far more than its size allows, as no archive of rides does"
                raise _Spent(name, why, "unpack it first")
            if unpacked > self.bounds.file_bytes:
                raise self._too_large(name)
            if unpacked > self.bounds.ratio_free_bytes and unpacked > self.bounds.ratio * packed:
                why = f"swells to more than {self.bounds.ratio} times its size, as no ride does"
                raise UnreadableFile(name, why, "export the ride again")

    def _too_large(self, name: str) -> UnreadableFile:
        why = f"is larger than {self.bounds.file_bytes >> 20} MB, more than a ride can be"
        return UnreadableFile(name, why, "if it is an archive of rides, unpack it first")

    def _too_many(self, name: str) -> UnreadableFile:
        return _Spent(name, f"holds more than {self.bounds.members} files", "split it, or unpack it first")


def _inflated(file: IO[bytes]) -> Iterator[bytes]:
    """What gzip data holds, in chunks, to the end or as far as it goes; padding after it is left alone."""
    inflater = zlib.decompressobj(wbits=31)
    packed = b""
    while packed := packed or file.read(CHUNK):
        yield inflater.decompress(packed, CHUNK)
        packed = inflater.unconsumed_tail
        if inflater.eof:
            packed = inflater.unused_data or file.read(CHUNK)
            if not packed.startswith(_GZIP_MARK):
                return
            inflater = zlib.decompressobj(wbits=31)


def _refuse_other_archives(head: bytes, name: str) -> None:
    kind = next((kind for mark, kind in _OTHER_ARCHIVES.items() if head.startswith(mark)), None)
    if kind is None and head[257:262] == b"ustar":
        kind = "tar"
    if kind:
        raise UnreadableFile(name, f"is a {kind} archive", "unpack it, or pack the files as .zip")


def _is_beside_the_point(member: str) -> bool:
    parts = [part for part in member.replace("\\", "/").split("/") if part not in ("", ".", "..")]
    return member.endswith(("/", "\\")) or not parts or any(is_passing(part) for part in parts)


def _directory_bytes(file: IO[bytes], size: int) -> int:
    """How large a zip says its table of contents is, before anybody reads it whole."""
    tail_bytes = min(size, (1 << 16) + 22 + 20 + 56)
    file.seek(size - tail_bytes)
    tail = file.read(tail_bytes)
    end = tail.rfind(b"PK\x05\x06")
    if end < 0 or end + 16 > len(tail):
        return 0
    claimed = int(struct.unpack_from("<I", tail, end + 12)[0])
    wide = end - 20 - 56  # the 64-bit record and its locator stand right before, if at all
    if wide >= 0 and tail[end - 20 : end - 16] == b"PK\x06\x07":
        claimed = max(
            claimed if claimed != 0xFFFF_FFFF else 0, int(struct.unpack_from("<Q", tail, wide + 40)[0])
        )
    return claimed
