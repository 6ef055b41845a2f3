"""`file.reading`: how a record's file could be read, or why it is refused. Made for every record."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.metrology.readers.picture import read_picture
from server.metrology.readers.reading import ReadingNote, Unreadable
from server.records.roles import Role


class NoteOfReading(BaseModel):
    """Something accepted that a person may want to know; `code` is stable."""

    model_config = ConfigDict(frozen=True)

    code: str
    says: str


class Refusal(BaseModel):
    """Why a file is refused. rule: the rule of group file that answers; reason: the code beneath it."""

    model_config = ConfigDict(frozen=True)

    rule: str
    reason: str
    says: str
    remedy: str


class ReadingResult(Result):
    """Either `refusal`, or what the file holds. format: of a mesh, or table-csv, table-json, png, jpeg.

    stated_unit_mm: length of a unit where the file itself states it. n_rows: of a table of implant positions.
    """

    format: str | None = None
    n_facets_stored: int = 0
    n_collapsed_facets: int = 0
    n_vertices: int = 0
    n_rows: int = 0
    stated_unit_mm: float | None = None
    is_single_precision: bool = True
    notes: tuple[NoteOfReading, ...] = ()
    refusal: Refusal | None = None


def _read(bench: RecordBench) -> ReadingResult:
    try:
        if bench.role is Role.PHOTO:
            return _photo(bench)
        return _mesh(bench) if bench.table is None else _table(bench)
    except Unreadable as refused:
        refusal = Refusal(rule=refused.rule, reason=refused.reason, says=refused.says, remedy=refused.remedy)
        return ReadingResult(refusal=refusal)


def _mesh(bench: RecordBench) -> ReadingResult:
    reading = bench.reading
    return ReadingResult(
        format=reading.format.value,
        n_facets_stored=reading.n_facets_stored,
        n_collapsed_facets=reading.n_collapsed_facets,
        n_vertices=reading.scan.n_vertices,
        stated_unit_mm=reading.unit_mm,
        is_single_precision=reading.single_precision,
        notes=_notes(reading.notes),
    )


def _table(bench: RecordBench) -> ReadingResult:
    assert bench.table is not None
    return ReadingResult(
        format=f"table-{bench.table.format}",
        n_rows=len(bench.table.rows),
        stated_unit_mm=1.0,
        is_single_precision=False,
        notes=_notes(bench.table.notes),
    )


def _photo(bench: RecordBench) -> ReadingResult:
    picture = read_picture(bench.data)
    return ReadingResult(format=picture.format)


def _notes(notes: tuple[ReadingNote, ...]) -> tuple[NoteOfReading, ...]:
    return tuple(NoteOfReading(code=note.code, says=note.says) for note in notes)


READING = RecordMeasure(
    name="file.reading",
    revision=1,
    result=ReadingResult,
    roles=frozenset(Role),
    compute=_read,
)
