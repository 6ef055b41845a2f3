"""Tells what a file is and hands it to the reader of its format."""

from __future__ import annotations

from server.metrology.readers.reading import Reading
from server.metrology.readers.reasons import Reason
from server.metrology.readers.stl_binary import read_stl_binary


def read_scan(data: bytes | memoryview, file_name: str) -> Reading:
    """The mesh in a file's bytes, read strictly. Raises Unreadable with a code of Reason."""
    view = memoryview(data).cast("B")
    if len(view) == 0:
        raise Reason.EMPTY.refusal()
    return read_stl_binary(view)
