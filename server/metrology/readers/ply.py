"""PLY: a header in words, then rows in text or in binary of either byte order."""

from __future__ import annotations

from server.metrology.readers.ply_ascii import read_ascii_rows
from server.metrology.readers.ply_binary import read_binary_rows
from server.metrology.readers.ply_header import read_header
from server.metrology.readers.polygons import triangulated
from server.metrology.readers.reading import FileFormat, Reading
from server.metrology.readers.texts import file_texts, more_texts_note
from server.metrology.readers.weld import Soup, weld


def read_ply(data: memoryview) -> Reading:
    """The faces of a PLY file, with the colours of its vertices; nothing that it names is opened.

    data: without byte-order mark. Raises: Unreadable.
    """
    header = read_header(data)
    read_rows = read_ascii_rows if header.format is FileFormat.PLY_ASCII else read_binary_rows
    rows = read_rows(data, header)
    corners, polygon_notes = triangulated(rows.sizes, rows.flat)
    welded = weld(Soup(rows.points, corners, rows.rgb))
    return Reading(
        scan=welded.scan,
        format=header.format,
        n_facets_stored=len(corners),
        n_collapsed_facets=welded.n_collapsed_facets,
        single_precision=rows.single_precision,
        texts=file_texts(("comment", line) for line in header.comments),
        notes=rows.notes + polygon_notes + more_texts_note([len(header.comments)]) + welded.notes,
    )
