"""Tells what a file is and hands it to the reader of its format."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePosixPath

import numpy as np

from server.metrology.readers.obj import read_obj
from server.metrology.readers.ply import read_ply
from server.metrology.readers.reading import Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.sniff import BYTE_ORDER_MARK, Kind, kind_of
from server.metrology.readers.stl_ascii import read_stl_ascii
from server.metrology.readers.stl_binary import read_stl_binary
from server.metrology.readers.texts import clean
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
    notes = _name_note(suffix, kind)
    if kind in (Kind.STL_ASCII, Kind.OBJ, Kind.PLY):
        view, text_notes = _bare_text(view, may_be_padded=kind is Kind.STL_ASCII)
        notes += text_notes
    reading = _READERS[kind](view)
    return replace(reading, notes=notes + reading.notes)


def _name_note(suffix: str, kind: Kind) -> tuple[ReadingNote, ...]:
    if suffix in ("", kind.suffix):
        return ()
    says = f"The file is named {clean(suffix)[:20]} but holds {kind.value}; it was read as that."
    return (ReadingNote("name-differs", says),)


def _bare_text(view: memoryview, *, may_be_padded: bool) -> tuple[memoryview, tuple[ReadingNote, ...]]:
    """The text without a byte-order mark before it and, where that is told of, zero bytes behind it."""
    notes = []
    if view[:3] == BYTE_ORDER_MARK:
        view = view[3:]
        notes.append(ReadingNote("byte-order-mark", "A byte-order mark before the text was ignored."))
    if may_be_padded and view[-1] == 0:
        n_text = 1 + int(np.flatnonzero(np.frombuffer(view, np.uint8))[-1])
        notes.append(
            ReadingNote("trailing-bytes", f"{len(view) - n_text} zero bytes after the text were ignored.")
        )
        view = view[:n_text]
    return view, tuple(notes)


_READERS = {
    Kind.STL_BINARY: read_stl_binary,
    Kind.STL_ASCII: read_stl_ascii,
    Kind.PLY: read_ply,
    Kind.OBJ: read_obj,
    Kind.THREEMF: read_threemf,
}
