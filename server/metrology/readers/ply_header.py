"""The header of a PLY file: which elements follow, how many, and what each of their values is."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from server.metrology.readers.reading import FileFormat
from server.metrology.readers.reasons import Reason

MAX_HEADER_BYTES = 4 * 1024 * 1024
MAX_PROPERTIES = 256
MAX_ELEMENTS = 64
INDEX_LISTS = ("vertex_indices", "vertex_index")

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ENCODINGS = {
    "ascii": FileFormat.PLY_ASCII,
    "binary_little_endian": FileFormat.PLY_BINARY_LE,
    "binary_big_endian": FileFormat.PLY_BINARY_BE,
}


@dataclass(frozen=True, slots=True)
class Property:
    """kind: numpy code of the value, or of a list's items; count_kind: that of a list's length, else None."""

    name: str
    kind: str
    count_kind: str | None = None

    @property
    def least_bytes(self) -> int:
        return int((self.count_kind or self.kind)[1])


@dataclass(slots=True)
class Element:
    name: str
    count: int
    properties: list[Property] = field(default_factory=list)

    @property
    def row_bytes(self) -> int:
        """Bytes of one binary row; the least where there are lists."""
        return sum(p.least_bytes for p in self.properties)

    @property
    def useful_row_bytes(self) -> int:
        """Bytes of the shortest binary row that means something: a list of corners holds three."""
        corners = [p for p in self.properties if p.name in INDEX_LISTS and p.count_kind]
        return self.row_bytes + sum(3 * int(p.kind[1]) for p in corners)

    @property
    def has_lists(self) -> bool:
        return any(p.count_kind for p in self.properties)

    def scalar(self, name: str) -> Property | None:
        return next((p for p in self.properties if p.name == name and p.count_kind is None), None)


@dataclass(slots=True)
class PlyHeader:
    """body_at: the byte where the rows begin; comments: the words of comment and obj_info lines."""

    format: FileFormat
    elements: list[Element]
    comments: list[bytes]
    body_at: int

    def element(self, name: str) -> Element:
        return next(e for e in self.elements if e.name == name)

    @property
    def index_list(self) -> Property:
        """The list of the faces' corners."""
        return next(p for p in self.element("face").properties if p.name in INDEX_LISTS and p.count_kind)


def read_header(data: memoryview) -> PlyHeader:
    """The header of a PLY file that begins with `ply`. Raises Unreadable."""
    lines, body_at = _header_lines(bytes(data[:MAX_HEADER_BYTES]))
    header = PlyHeader(FileFormat.PLY_ASCII, [], [], body_at)
    n_formats = 0
    for line in lines:
        words = line.split()
        match words[:1]:
            case [] | [b"end_header"]:
                pass
            case [b"comment" | b"obj_info"]:
                header.comments.append(line.partition(words[0])[2])
            case [b"format"]:
                n_formats += 1
                header.format = _format(words)
            case [b"element"]:
                _add_element(header, words)
            case [b"property"]:
                _add_property(header, words)
            case _:
                raise _bad(line)
    if n_formats != 1:
        raise Reason.BAD_HEADER.refusal(f"The header states its format {n_formats} times.")
    _check_contents(header)
    return header


def _header_lines(head: bytes) -> tuple[list[bytes], int]:
    """The lines between `ply` and `end_header`, and the byte after the latter's line."""
    line_end = rb"\r" if re.match(rb"ply[ \t]*\r(?!\n)", head) else rb"\r?\n"
    found = re.search(rb"(?:\r|\n)[ \t]*end_header[ \t]*(?:" + line_end + rb"|\Z)", head)
    if found is None:
        raise Reason.NO_END_HEADER.refusal()
    return re.split(line_end, head[: found.start()])[1:], found.end()


def _format(words: list[bytes]) -> FileFormat:
    name = words[1].decode("latin-1") if len(words) == 3 else ""
    if name not in _ENCODINGS or words[2] != b"1.0":
        raise _bad(b" ".join(words))
    return _ENCODINGS[name]


def _add_element(header: PlyHeader, words: list[bytes]) -> None:
    if (
        len(words) != 3
        or not re.fullmatch(rb"[-+]?\d{1,18}", words[2])
        or len(header.elements) == MAX_ELEMENTS
    ):
        raise _bad(b" ".join(words))
    name, count = words[1].decode("latin-1"), int(words[2])
    if count < 0:
        raise Reason.NEGATIVE_COUNT.refusal(
            f"The header states {count} for the number of its {name[:40]} rows."
        )
    if any(e.name == name for e in header.elements):
        raise Reason.ELEMENT_TWICE.refusal(f"The header describes {name[:40]} twice.")
    header.elements.append(Element(name, count))


def _add_property(header: PlyHeader, words: list[bytes]) -> None:
    is_list = words[1:2] == [b"list"]
    if not header.elements or len(words) != (5 if is_list else 3):
        raise _bad(b" ".join(words))
    types = [w.decode("latin-1") for w in (words[2:4] if is_list else words[1:2])]
    for name in types:
        if name not in _TYPES:
            raise Reason.UNKNOWN_TYPE.refusal(f"The header names a type {name[:40]!r}, which does not exist.")
    if is_list and _TYPES[types[0]][0] == "f":
        raise _bad(b" ".join(words))
    new = Property(words[-1].decode("latin-1"), _TYPES[types[-1]], _TYPES[types[0]] if is_list else None)
    element = header.elements[-1]
    if len(element.properties) == MAX_PROPERTIES:
        raise Reason.TOO_MANY_PROPERTIES.refusal(f"The header lists more than {MAX_PROPERTIES} properties.")
    if any(p.name == new.name for p in element.properties):
        raise Reason.BAD_HEADER.refusal(f"The header lists {new.name[:40]} twice for {element.name[:40]}.")
    element.properties.append(new)


def _check_contents(header: PlyHeader) -> None:
    counts = {e.name: e.count for e in header.elements}
    if not counts.get("vertex"):
        raise Reason.NO_FACETS.refusal("The header states no vertices.")
    vertex = header.element("vertex")
    if not all(vertex.scalar(axis) for axis in "xyz"):
        raise Reason.NO_COORDINATES.refusal()
    if not counts.get("face"):
        raise Reason.POINT_CLOUD.refusal(
            f"The file holds {counts['vertex']} points and no facets: a point cloud."
        )
    lists = [p for p in header.element("face").properties if p.name in INDEX_LISTS and p.count_kind]
    if len(lists) != 1 or lists[0].kind[0] == "f":
        raise Reason.BAD_HEADER.refusal(
            "The faces have no list, or no single list, of the points that they join."
        )
    if any(e.count and not e.properties for e in header.elements):
        raise Reason.BAD_HEADER.refusal("The header states rows that hold nothing.")


def _bad(line: bytes) -> Exception:
    return Reason.BAD_HEADER.refusal(f"The header has a line that the format does not know: {line[:60]!r}.")
