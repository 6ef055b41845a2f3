"""Binary STL: an 80-byte header, a count, and 50 bytes per facet, all little-endian."""

from __future__ import annotations

import numpy as np

from server.metrology.readers.reading import FileFormat, Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.texts import file_texts
from server.metrology.readers.weld import MAX_FACETS, Soup, weld

HEADER_BYTES = 84
FACET_BYTES = 50
COUNT_BELIEVED = 100_000_000
"""A count above this, in a file without the bytes to go with it, is something else read as a count."""


def facet_count(data: memoryview) -> int:
    """The number of facets that the file states. Needs HEADER_BYTES bytes."""
    return int.from_bytes(data[80:HEADER_BYTES], "little")


def obeys_size_law(data: memoryview) -> bool:
    """Whether the count and the length agree to the byte, which no text does."""
    return len(data) >= HEADER_BYTES and len(data) == HEADER_BYTES + FACET_BYTES * facet_count(data)


def read_stl_binary(data: memoryview) -> Reading:
    """The facets of a binary STL; stored normals are ignored. Raises Unreadable."""
    n_facets = _checked_count(data)
    stored = np.ndarray((n_facets, 9), "<f4", data, offset=HEADER_BYTES + 12, strides=(FACET_BYTES, 4))
    points = np.ascontiguousarray(stored, np.float32).reshape(-1, 3)
    welded = weld(Soup(points))
    return Reading(
        scan=welded.scan,
        format=FileFormat.STL_BINARY,
        n_facets_stored=n_facets,
        n_collapsed_facets=welded.n_collapsed_facets,
        texts=file_texts([("header", bytes(data[:80]))]),
        notes=_trailing_note(data, n_facets) + welded.notes,
    )


def _checked_count(data: memoryview) -> int:
    if len(data) < HEADER_BYTES:
        raise Reason.TOO_SHORT.refusal(
            f"The file has {len(data)} bytes; the header of a binary STL alone has 84."
        )
    n_facets = facet_count(data)
    n_present = (len(data) - HEADER_BYTES) // FACET_BYTES
    if n_facets > n_present:
        says = f"The file says it holds {n_facets} facets, but there are {n_present} in it."
        raise (Reason.COUNT_IMPOSSIBLE if n_facets > COUNT_BELIEVED else Reason.CUT_SHORT).refusal(says)
    beyond = data[HEADER_BYTES + FACET_BYTES * n_facets :]
    if n_facets < n_present and np.frombuffer(beyond, np.uint8).any():
        raise Reason.DATA_BEYOND_COUNT.refusal(
            f"The file says it holds {n_facets} facets, but there is room for {n_present} in it."
        )
    if n_facets == 0:
        raise Reason.NO_FACETS.refusal()
    if n_facets > MAX_FACETS:
        raise Reason.TOO_MANY_FACETS.refusal(f"The file holds {n_facets} facets; {MAX_FACETS} are the most.")
    return n_facets


def _trailing_note(data: memoryview, n_facets: int) -> tuple[ReadingNote, ...]:
    n_trailing = len(data) - HEADER_BYTES - FACET_BYTES * n_facets
    if n_trailing == 0:
        return ()
    return (ReadingNote("trailing-bytes", f"{n_trailing} bytes after the last facet were ignored."),)
