"""Zip archives, distrusted: the directory is checked against the bytes before anything is unpacked.

An archive is taken only if it is exactly what an ordinary program writes: one directory at the end, entries one after
the other from the first byte, each described alike in both places, stored or deflated, not encrypted, plain names.

Source of the layout: PKWARE APPNOTE 6.3 (from memory): sections 4.3.7, 4.3.12, 4.3.16.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePosixPath

from server.metrology.readers.reasons import Reason

MAX_ENTRIES = 2_000
MAX_TOTAL_BYTES = 2 * 1024**3
MAX_RATIO = 200
"""Scans deflate to a half or a third; text to a tenth. A thousandfold is a bomb."""
RATIO_FROM_BYTES = 1024**2
NAME_CHARS = 255

_END = struct.Struct("<4s4H2LH")
_ENTRY = struct.Struct("<4s6H3L5H2L")
_LOCAL = struct.Struct("<4s5H3L2H")
_IGNORED = re.compile(r"(^|/)(__MACOSX/.*|\.DS_Store|Thumbs\.db)$")
_RESERVED = re.compile(r"^(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Entry:
    """A file of the archive, as its directory describes it. begin: of its deflated bytes in the archive."""

    name: str
    size_bytes: int
    packed_bytes: int
    crc: int
    method: int
    begin: int
    local_at: int


def open_bundle(data: bytes) -> Iterator[tuple[str, bytes]]:
    """The files of an archive, one after the other: name and bytes. Nothing is written anywhere.

    What operating systems add by themselves is left out. Raises Unreadable: everything that the directory can show is
    checked before the first file is unpacked, sizes and checksums as each one is.
    """
    entries = entries_of(data)
    if not entries:
        raise Reason.ARCHIVE_EMPTY.refusal()
    nested = [e.name for e in entries if _starts_an_archive(data, e)]
    if nested:
        raise Reason.ARCHIVE_NESTED.refusal(f"The archive holds another archive: {nested[0][:80]}.")
    for entry in entries:
        yield entry.name, unpacked(data, entry)


def entries_of(data: bytes) -> list[Entry]:
    """The files of an archive, checked but not unpacked. Raises Unreadable."""
    entries = _directory(data)
    _check_layout(data, entries)
    files = [e for e in entries if not e.name.endswith("/")]
    names = [e.name.casefold() for e in files]
    if len(set(names)) < len(names):
        raise Reason.ARCHIVE_NAMES.refusal("Two files of the archive have the same name.")
    wanted = [e for e in files if not _IGNORED.search(e.name)]
    for entry in wanted:
        _check_size(entry)
    total = sum(e.size_bytes for e in wanted)
    if total > MAX_TOTAL_BYTES:
        raise Reason.ARCHIVE_TOO_LARGE.refusal(f"The archive would unpack to {total // 1024**2:,} MB.")
    return wanted


def unpacked(data: bytes, entry: Entry) -> bytes:
    """The bytes of one entry; never more than it declares. Raises Unreadable where size or checksum differ."""
    packed = data[entry.begin : entry.begin + entry.packed_bytes]
    plain = packed if entry.method == 0 else _inflated(packed, entry.size_bytes)
    if len(plain) != entry.size_bytes or zlib.crc32(plain) != entry.crc:
        raise Reason.ARCHIVE_DAMAGED.refusal(f"{entry.name[:80]} is damaged in the archive.")
    return plain


def _inflated(packed: bytes, size_bytes: int) -> bytes:
    inflater = zlib.decompressobj(-15)
    try:
        plain = inflater.decompress(packed, size_bytes + 1)
    except zlib.error as error:
        raise Reason.ARCHIVE_DAMAGED.refusal() from error
    if inflater.unconsumed_tail or not inflater.eof or inflater.unused_data:
        raise Reason.ARCHIVE_DAMAGED.refusal("A file of the archive does not unpack to the size it declares.")
    return plain


def _directory(data: bytes) -> list[Entry]:
    at = data.rfind(b"PK\5\6")
    if at < 0 or at + _END.size > len(data):
        raise Reason.ARCHIVE_DAMAGED.refusal("The archive has no directory; it is damaged or cut short.")
    _, disk, start_disk, here, count, size, offset, comment = _END.unpack_from(data, at)
    if at + _END.size + comment != len(data) or offset + size != at:
        raise Reason.ARCHIVE_ODD.refusal("Something stands before or behind the archive in the same file.")
    if disk or start_disk or here != count or 0xFFFF in (here, count) or 0xFFFFFFFF in (size, offset):
        raise Reason.ARCHIVE_ODD.refusal("The archive is split or of the 64-bit kind.")
    if count > MAX_ENTRIES:
        raise Reason.ARCHIVE_TOO_LARGE.refusal(
            f"The archive holds {count:,} files; {MAX_ENTRIES:,} are the most."
        )
    entries = []
    for _ in range(count):
        entry, offset = _entry(data, offset, at)
        entries.append(entry)
    if offset != at:
        raise Reason.ARCHIVE_DAMAGED.refusal("The archive's directory does not hold what it counts.")
    return entries


def _entry(data: bytes, at: int, end: int) -> tuple[Entry, int]:
    if at + _ENTRY.size > end or data[at : at + 4] != b"PK\1\2":
        raise Reason.ARCHIVE_DAMAGED.refusal("The archive's directory is damaged.")
    fields = _ENTRY.unpack_from(data, at)
    flags, method, crc, packed, size = fields[3], fields[4], fields[7], fields[8], fields[9]
    name_size, extra, comment, mode, local_at = (
        fields[10],
        fields[11],
        fields[12],
        fields[15] >> 16,
        fields[16],
    )
    if flags & 0x41:
        raise Reason.ARCHIVE_ENCRYPTED.refusal()
    if method not in (0, 8) or 0xFFFFFFFF in (packed, size, local_at):
        raise Reason.ARCHIVE_ODD.refusal("A file of the archive is packed by a method that is not read here.")
    if mode & 0o170000 not in (0, 0o100000, 0o040000):
        raise Reason.ARCHIVE_NAMES.refusal("The archive holds a link or a device.")
    raw = data[at + _ENTRY.size : at + _ENTRY.size + name_size]
    begin = _checked_local(data, local_at, raw, (flags, method, crc, packed, size))
    entry = Entry(_name(raw), size, packed, crc, method, begin, local_at)
    return entry, at + _ENTRY.size + name_size + extra + comment


def _checked_local(data: bytes, at: int, name: bytes, told: tuple[int, int, int, int, int]) -> int:
    """Where the packed bytes begin. Raises Unreadable where the header beside them tells another story."""
    if at + _LOCAL.size > len(data) or data[at : at + 4] != b"PK\3\4":
        raise Reason.ARCHIVE_DAMAGED.refusal("A file of the archive is not where its directory says.")
    fields = _LOCAL.unpack_from(data, at)
    flags, method, crc, packed, size, name_size, extra = (fields[i] for i in (2, 3, 6, 7, 8, 9, 10))
    is_streamed = bool(flags & 8) and (crc, packed, size) == (0, 0, 0)
    same = (crc, packed, size) == told[2:] or is_streamed
    if not same or method != told[1] or flags & 0x49 != told[0] & 0x49:
        raise Reason.ARCHIVE_ODD.refusal("The archive describes a file in two different ways.")
    begin = at + _LOCAL.size
    if data[begin : begin + name_size] != name:
        raise Reason.ARCHIVE_ODD.refusal("The archive gives a file two different names.")
    return begin + int(name_size) + int(extra)


def _name(raw: bytes) -> str:
    try:
        name = raw.decode("utf-8").replace("\\", "/")
    except UnicodeDecodeError:
        name = raw.decode("cp437").replace("\\", "/")
    path = PurePosixPath(name)
    bad = not name or len(name) > NAME_CHARS or path.is_absolute() or ".." in path.parts or name[1:2] == ":"
    if bad or any(ord(c) < 32 or ord(c) == 127 for c in name) or any(_RESERVED.match(p) for p in path.parts):
        raise Reason.ARCHIVE_NAMES.refusal(
            "A file of the archive has a name that points elsewhere or is reserved."
        )
    return name


def _check_layout(data: bytes, entries: list[Entry]) -> None:
    """Entries follow one another from the first byte and do not overlap; a descriptor may stand between them."""
    ordered = sorted(entries, key=lambda e: e.local_at)
    if ordered and ordered[0].local_at != 0:
        raise Reason.ARCHIVE_ODD.refusal("Something stands before the archive in the same file.")
    for entry, following in pairwise(ordered):
        if entry.begin + entry.packed_bytes > following.local_at:
            raise Reason.ARCHIVE_ODD.refusal("Files of the archive overlap.")
    if ordered and ordered[-1].begin + ordered[-1].packed_bytes > len(data):
        raise Reason.ARCHIVE_DAMAGED.refusal("The archive is cut short.")


def _check_size(entry: Entry) -> None:
    if entry.method == 0 and entry.size_bytes != entry.packed_bytes:
        raise Reason.ARCHIVE_ODD.refusal("A file of the archive lies about its size.")
    if entry.size_bytes > max(RATIO_FROM_BYTES, MAX_RATIO * entry.packed_bytes):
        raise Reason.ARCHIVE_TOO_LARGE.refusal(f"{entry.name[:80]} would unpack to far more than it takes.")


def _starts_an_archive(data: bytes, entry: Entry) -> bool:
    if PurePosixPath(entry.name).suffix.casefold() in (".zip", ".7z", ".rar", ".gz", ".tar"):
        return True
    head = data[entry.begin : entry.begin + min(entry.packed_bytes, 64)]
    if entry.method == 8:
        try:
            head = zlib.decompressobj(-15).decompress(head, 4)
        except zlib.error:
            return False
    return head[:4] == b"PK\3\4" and PurePosixPath(entry.name).suffix.casefold() != ".3mf"
