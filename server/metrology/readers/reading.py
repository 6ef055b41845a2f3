"""What a reader gives back, and what it says where it cannot."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from server.errors import BadFile
from server.metrology.scan import Scan


class FileFormat(StrEnum):
    STL_BINARY = "stl-binary"
    STL_ASCII = "stl-ascii"
    PLY_ASCII = "ply-ascii"
    PLY_BINARY_LE = "ply-binary-little-endian"
    PLY_BINARY_BE = "ply-binary-big-endian"
    OBJ = "obj"
    THREEMF = "3mf"


@dataclass(frozen=True, slots=True)
class FileText:
    """A text found inside a file, where personal data may hide.

    where: header, comment, solid, object, material or metadata.
    """

    where: str
    text: str


@dataclass(frozen=True, slots=True)
class ReadingNote:
    """Something accepted that a person may want to know. `code` is stable: trailing-bytes, denormals, …"""

    code: str
    says: str


@dataclass(frozen=True, slots=True)
class Reading:
    """A mesh file, read strictly: every facet of the file is in the scan or counted here.

    scan: welded by exact position; facets with two equal corners after the weld are left out and counted.
    unit_mm: length of one file unit in mm where the file itself states it (3MF), else None.
    single_precision: whether the coordinates were stored as 32-bit floats.
    """

    scan: Scan
    format: FileFormat
    n_facets_stored: int
    n_collapsed_facets: int
    unit_mm: float | None = None
    single_precision: bool = True
    texts: tuple[FileText, ...] = ()
    notes: tuple[ReadingNote, ...] = ()


class Unreadable(BadFile):
    """The file is refused. `reason` is a stable code beneath the rule that reports it.

    rule: the one that answers: file/unreadable, truncated, no-triangles, non-finite or too-heavy.
    says: one sentence for the clinic, with the numbers that show it; remedy: what to do.
    """

    def __init__(self, reason: str, says: str, *, remedy: str, rule: str = "file/unreadable") -> None:
        super().__init__(says, code=reason)
        self.reason = reason
        self.rule = rule
        self.remedy = remedy
