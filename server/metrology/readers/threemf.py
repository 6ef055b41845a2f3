"""3MF: an archive with an XML model; its unit is read, components are placed, and every object of the build comes along.

Source: 3D Manufacturing Format Core Specification 1.4.0 (sections 3.4, 3.4.3 on the unit and transforms, 4.1 on meshes).
"""

from __future__ import annotations

import xml.parsers.expat
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from server.metrology.readers.bundle import Entry, entries_of, unpacked
from server.metrology.readers.reading import FileFormat, Reading, ReadingNote
from server.metrology.readers.reasons import Reason
from server.metrology.readers.texts import file_texts
from server.metrology.readers.weld import MAX_FACETS, Soup, weld
from server.metrology.scan import Points

UNITS_MM: Mapping[str, float] = {
    "micron": 0.001,
    "millimeter": 1.0,
    "centimeter": 10.0,
    "inch": 25.4,
    "foot": 304.8,
    "meter": 1000.0,
}
MAX_DEPTH = 16
MAX_PLACED = 2_000


@dataclass
class _Part:
    """An object of the model: its own mesh, and the other objects it is made of, each with its place."""

    vertices: list[float] = field(default_factory=list)
    facets: list[int] = field(default_factory=list)
    components: list[tuple[str, Points]] = field(default_factory=list)


def read_threemf(data: memoryview) -> Reading:
    """The meshes of a 3MF file, placed as its build says, in its unit. Raises Unreadable."""
    whole = bytes(data)
    entries = entries_of(whole)
    model = _Model()
    model.read(unpacked(whole, _model_entry(entries)))
    soup, n_mirrored = model.placed()
    welded = weld(soup)
    assert soup.corners is not None
    return Reading(
        scan=welded.scan,
        format=FileFormat.THREEMF,
        n_facets_stored=len(soup.corners),
        n_collapsed_facets=welded.n_collapsed_facets,
        unit_mm=model.unit_mm,
        single_precision=False,
        texts=file_texts(model.texts),
        notes=_notes(model, n_mirrored) + welded.notes,
    )


def _model_entry(entries: list[Entry]) -> Entry:
    models = [e for e in entries if e.name.casefold().endswith(".model")]
    main = [e for e in models if e.name.casefold() == "3d/3dmodel.model"] or models
    if not main:
        raise Reason.ARCHIVE.refusal("The file is an archive without a 3D model in it.")
    return main[0]


def _notes(model: _Model, n_mirrored: int) -> tuple[ReadingNote, ...]:
    notes = []
    if n_mirrored:
        says = f"{n_mirrored} parts are placed mirrored; their facets were turned to keep their outer side."
        notes.append(ReadingNote("mirrored-parts", says))
    if len(model.build or model.parts) > 1:
        says = f"The file holds {len(model.build or model.parts)} objects; they were read as one record."
        notes.append(ReadingNote("several-objects", says))
    return tuple(notes)


class _Model:
    """Collects what the XML says. No entity, no external reference and no document type is accepted."""

    def __init__(self) -> None:
        self.unit_mm = 1.0
        self.parts: dict[str, _Part] = {}
        self.build: list[tuple[str, Points]] = []
        self.texts: list[tuple[str, bytes | str]] = []
        self._part = _Part()
        self._text: list[str] | None = None

    def read(self, xml_bytes: bytes) -> None:
        parser = xml.parsers.expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._begin
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.StartDoctypeDeclHandler = self._forbidden
        parser.EntityDeclHandler = self._forbidden
        parser.buffer_text = True
        try:
            parser.Parse(xml_bytes, True)
        except xml.parsers.expat.ExpatError as error:
            raise Reason.BAD_STATEMENT.refusal(
                "The model inside the 3MF file is not well-formed XML."
            ) from error

    def _forbidden(self, *_: object) -> None:
        raise Reason.BAD_STATEMENT.refusal(
            "The model inside the 3MF file declares entities, which is not allowed."
        )

    def _begin(self, name: str, given: dict[str, str]) -> None:
        match name.rpartition(" ")[2]:
            case "vertex":
                self._part.vertices += [_number(given, axis) for axis in "xyz"]
            case "triangle":
                self._part.facets += [_index(given, corner) for corner in ("v1", "v2", "v3")]
                if len(self._part.facets) > 3 * MAX_FACETS:
                    raise Reason.TOO_MANY_FACETS.refusal()
            case "object":
                self._part = self.parts.setdefault(given.get("id", ""), _Part())
                self.texts.append(("object", given.get("name", "")))
            case "component":
                self._part.components.append((given.get("objectid", ""), _transform(given)))
            case "item":
                self.build.append((given.get("objectid", ""), _transform(given)))
            case "model":
                self.unit_mm = _unit(given.get("unit", "millimeter"))
            case "metadata":
                self._text = []

    def _end(self, name: str) -> None:
        if name.rpartition(" ")[2] == "metadata" and self._text is not None:
            self.texts.append(("metadata", "".join(self._text)))
            self._text = None

    def _characters(self, text: str) -> None:
        if self._text is not None and len(self._text) < 64:
            self._text.append(text[:2000])

    def placed(self) -> tuple[Soup, int]:
        """Every part where the build puts it, as one soup, and how many are mirrored there. Raises Unreadable."""
        whole = np.eye(4)
        todo = [(name, place, 0) for name, place in (self.build or [(name, whole) for name in self.parts])]
        points, corners, n_points, n_mirrored, n_facets = [], [], 0, 0, 0
        for n_placed in range(MAX_PLACED + 1):
            if not todo:
                break
            name, place, depth = todo.pop()
            part = self.parts.get(name)
            if part is None or depth > MAX_DEPTH or n_placed == MAX_PLACED:
                raise Reason.BAD_STATEMENT.refusal(
                    "The model's parts refer to each other in a way that has no end."
                )
            todo += [(child, place @ inner, depth + 1) for child, inner in part.components]
            if not part.facets:
                continue
            own, facets = _arrays(part)
            n_facets += len(facets)
            if n_facets > MAX_FACETS:
                raise Reason.TOO_MANY_FACETS.refusal()
            if np.linalg.det(place[:3, :3]) < 0:
                facets, n_mirrored = facets[:, (0, 2, 1)], n_mirrored + 1
            points.append(own @ place[:3, :3].T + place[:3, 3])
            corners.append(facets + n_points)
            n_points += len(own)
        if not corners:
            raise Reason.NO_FACETS.refusal()
        soup = Soup(np.ascontiguousarray(np.concatenate(points)), np.concatenate(corners).astype(np.int32))
        return soup, n_mirrored


def _arrays(part: _Part) -> tuple[Points, np.ndarray[tuple[int, int], np.dtype[np.int64]]]:
    points = np.array(part.vertices, dtype=np.float64).reshape(-1, 3)
    facets = np.array(part.facets, dtype=np.int64).reshape(-1, 3)
    if facets.min() < 0 or facets.max() >= len(points):
        raise Reason.BAD_STATEMENT.refusal("A triangle of the model names a corner that is not there.")
    return points, facets


def _number(given: dict[str, str], name: str) -> float:
    try:
        return float(given[name])
    except (KeyError, ValueError) as error:
        raise Reason.BAD_NUMBER.refusal(f"A corner of the model has no number for {name}.") from error


def _index(given: dict[str, str], name: str) -> int:
    text = given.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise Reason.BAD_NUMBER.refusal("A triangle of the model has no index where one must stand.")
    return int(text)


def _transform(given: dict[str, str]) -> Points:
    """The 4 x 4 matrix of a place: the file lists a 4 x 3 matrix that multiplies row vectors from the right."""
    matrix = np.eye(4)
    text = given.get("transform")
    if text is not None:
        try:
            rows = np.array([float(word) for word in text.split()]).reshape(4, 3)
        except ValueError as error:
            raise Reason.BAD_NUMBER.refusal("A part of the model has a place that is no matrix.") from error
        if not np.isfinite(rows).all():
            raise Reason.NOT_FINITE.refusal()
        matrix[:3, :] = rows.T
    return matrix


def _unit(name: str) -> float:
    if name not in UNITS_MM:
        raise Reason.BAD_STATEMENT.refusal("The model states a unit that the format does not know.")
    return UNITS_MM[name]
