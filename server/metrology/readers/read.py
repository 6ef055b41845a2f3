"""Tells what a file is and hands it to the reader of its format."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePosixPath

from server.metrology.readers.obj import read_obj
from server.metrology.readers.ply import read_ply
from server.metrology.readers.reading import Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.sniff import BYTE_ORDER_MARK, Kind, kind_of
from server.metrology.readers.stl_ascii import read_stl_ascii
from server.metrology.readers.stl_binary import read_stl_binary
from server.metrology.readers.threemf import read_threemf


def read_scan(data: bytes | memoryview, file_name: str) -> Reading:
    """The mesh in a file's bytes, read strictly.

    The content decides what it is; a legal mesh under another format's name is read, with a note.
    Raises: Unreadable with a code of Reason.
    """
    view = memoryview(data).cast("B")
    if len(view) == 0:
        raise Reason.EMPTY.refusal()
    suffix = PurePosixPath(file_name.replace("\\", "/")).suffix.lower()
    kind = kind_of(view, suffix)
    notes: list[ReadingNote] = []
    if suffix and suffix != kind.suffix:
        says = f"The file is named {suffix[:20]} but holds {kind.value}; it was read as that."
        notes.append(ReadingNote("name-differs", says))
    if kind in (Kind.STL_ASCII, Kind.OBJ, Kind.PLY) and view[:3] == BYTE_ORDER_MARK:
        view = view[3:]
        notes.append(ReadingNote("byte-order-mark", "A byte-order mark before the text was ignored."))
    reading = _READERS[kind](view)
    return replace(reading, notes=tuple(notes) + reading.notes)


_READERS = {
    Kind.STL_BINARY: read_stl_binary,
    Kind.STL_ASCII: read_stl_ascii,
    Kind.PLY: read_ply,
    Kind.OBJ: read_obj,
    Kind.THREEMF: read_threemf,
}
