"""Wavefront OBJ: statements in words, one a line. Materials and other files that it names are never opened."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from server.metrology.readers.obj_statements import (
    COMMENT,
    LIBRARY,
    MATERIAL,
    N_TEXT_KINDS,
    NAME,
    Statements,
    read_statements,
)
from server.metrology.readers.polygons import triangulated
from server.metrology.readers.reading import FileFormat, Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.texts import MAX_TEXTS, file_texts, more_texts_note
from server.metrology.readers.weld import Soup, weld
from server.metrology.readers.words import FINE, text_refusal

_WHERE = {COMMENT: "comment", NAME: "object", MATERIAL: "material", LIBRARY: "material"}


def read_obj(data: memoryview) -> Reading:
    """The polygons of an OBJ file, with the colours that follow the coordinates of its vertices. Raises Unreadable.

    data: without byte-order mark.
    """
    text = np.frombuffer(data, np.uint8)
    ranges = np.zeros((N_TEXT_KINDS, MAX_TEXTS, 2), np.int64)
    found = Statements(*read_statements(text, ranges))
    if found.fault != FINE:
        raise text_refusal(found.fault, text, found.at)
    if len(found.sizes) == 0:
        raise (Reason.POINT_CLOUD if len(found.points) else Reason.NO_FACETS).refusal()
    corners, polygon_notes = triangulated(found.sizes, found.flat)
    rgb, colour_notes = _rgb(found)
    welded = weld(Soup(found.points, corners, rgb))
    return Reading(
        scan=welded.scan,
        format=FileFormat.OBJ,
        n_facets_stored=len(corners),
        n_collapsed_facets=welded.n_collapsed_facets,
        single_precision=found.single_precision,
        texts=file_texts(_texts(data, ranges)),
        notes=_notes(found) + colour_notes + polygon_notes + more_texts_note(found.n_texts) + welded.notes,
    )


def _texts(data: memoryview, ranges: NDArray[np.int64]) -> Iterator[tuple[str, bytes]]:
    for kind, where in _WHERE.items():
        for begin, end in ranges[kind]:
            yield where, bytes(data[begin:end])


def _rgb(found: Statements) -> tuple[NDArray[np.uint8] | None, tuple[ReadingNote, ...]]:
    """Colours where every vertex has one: shares up to 1, else counts up to 255."""
    if found.n_coloured == 0:
        return None, ()
    if found.n_coloured < len(found.points):
        says = f"Only {found.n_coloured} of {len(found.points)} points have a colour; colours were not kept."
        return None, (ReadingNote("colours-incomplete", says),)
    shares = np.nan_to_num(found.colours, nan=0.0, posinf=0.0, neginf=0.0)
    scale = 255.0 if shares.max() <= 1.0 else 1.0
    return np.rint(np.clip(shares * scale, 0.0, 255.0)).astype(np.uint8), ()


def _notes(found: Statements) -> tuple[ReadingNote, ...]:
    notes = []
    if found.n_texts[LIBRARY]:
        notes.append(
            ReadingNote("library-not-followed", "The file names a library of materials; it was not opened.")
        )
    if found.n_others:
        says = f"{found.n_others} lines, points or curves were not read: only polygons are a surface."
        notes.append(ReadingNote("other-elements", says))
    return tuple(notes)
