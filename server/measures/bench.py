"""The bench on which a record lies while it is measured: its bytes, read once, and results made so far."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from server.measures.body_set import BodySet, BodyUnusable
from server.measures.making import made_of
from server.measures.measure import Measurement, NotMeasured, RecordMeasure, Result, Status, resting_on
from server.metrology.base import base_facets
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bvh import BoxTree
from server.metrology.extent import Extent, extent_of
from server.metrology.facing import Facing, facing_of, turned_as_likely, turned_as_told
from server.metrology.made_once import made_once
from server.metrology.readers import read_scan
from server.metrology.readers.reading import Reading, Unreadable
from server.metrology.registration.surface import Surface
from server.metrology.scan import Scan
from server.metrology.topology import Topology, topology_of
from server.records.case_form import Spots
from server.records.marker_table import MarkerTable, is_marker_table, read_marker_table
from server.records.plausible_unit import is_plausible_mm, unit_by_size
from server.records.roles import Role, Unit

R = TypeVar("R", bound=Result)

MAY_STAND_ON_BASE = frozenset({Role.JAW, Role.TISSUE, Role.OPPOSING, Role.BEFORE})
UNIT_DOUBTFUL = "file/unit-doubtful"
"""The rule that speaks where a record has not the size of anything in a mouth."""


class RecordBench:
    """One record under measurement. Not shared between threads; lives in the supervised child.

    data: the file's bytes as uploaded; file_name: as the clinic named it (its ending helps tell the format). spots: bodies
    matched by hand.
    """

    def __init__(
        self,
        data: bytes,
        *,
        file_name: str,
        role: Role,
        unit: Unit,
        bodies: BodySet | None = None,
        spots: tuple[Spots, ...] = (),
    ) -> None:
        self.data = data
        self.file_name = file_name
        self.role = role
        self.unit = unit
        self.bodies = bodies or BodySet()
        self.spots = spots
        self.patches_away: tuple[int, ...] | None = None
        """Numbers of the patches that show their back, once that was measured."""
        self._made: dict[str, Result | NotMeasured] = {}

    @made_once
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()

    @made_once
    def _read(self) -> Reading | Unreadable:
        try:
            return read_scan(self.data, self.file_name)
        except Unreadable as refusal:
            return refusal

    @property
    def reading(self) -> Reading:
        """The strict reading of the file. Raises Unreadable, each time, where the file is refused."""
        if isinstance(self._read, Unreadable):
            raise self._read
        return self._read

    @made_once
    def table(self) -> MarkerTable | None:
        """The positions, where the record is a table of them. Raises Unreadable where it is refused."""
        is_table = self.role is Role.MARKERS and is_marker_table(self.data, self.file_name)
        return read_marker_table(self.data) if is_table else None

    @made_once
    def extent(self) -> Extent:
        """Size and place of the record in its own unit. Raises Unreadable where the file is refused."""
        if self.table is not None:
            return extent_of(np.array([row.seat_mm for row in self.table.rows]))
        return extent_of(self.reading.scan.vertices)

    @made_once
    def unit_mm(self) -> float:
        """Length of one file unit in mm: as declared, else as the file states, else the one that fits the
        size of a mouth, else taken as 1. Raises Unreadable where the file is refused."""
        declared = self.unit.in_mm or self.reading.unit_mm
        if declared is None:
            best = unit_by_size(self.extent.span).best
            declared = best.in_mm if best else None
        return declared or 1.0

    @made_once
    def scan(self) -> Scan:
        """The surface in mm, in the file's own frame. Raises NotMeasured, naming the rule whose finding is the cause:
        the file was refused, or in the unit applied it has not the size of a record, so that no length is known."""
        try:
            if self.table is not None:
                raise NotMeasured("the implant positions came as a table, not as a surface")
            if not is_plausible_mm(self.extent.span * self.unit_mm):
                raise NotMeasured("its lengths are not known: its unit is in doubt", because=UNIT_DOUBTFUL)
            return self.reading.scan.scaled(self.unit_mm)
        except Unreadable as refusal:
            raise NotMeasured("the file could not be read", because=refusal.rule) from refusal

    @made_once
    def reference_bodies(self) -> tuple[ReferenceBody, ...]:
        """The kinds of the body catalogue. Raises NotMeasured where there is none, or where one cannot be used."""
        if not self.bodies.files:
            raise NotMeasured("no body catalogue is at hand")
        try:
            return self.bodies.ready()
        except BodyUnusable as fault:
            raise NotMeasured(str(fault), because="bodies/not-in-catalogue") from fault

    @made_once
    def tree(self) -> BoxTree:
        return BoxTree(self.scan)

    @made_once
    def topology(self) -> Topology:
        return topology_of(self.scan)

    @made_once
    def facing(self) -> Facing:
        return facing_of(self.topology, self.tree)

    def prepare(self) -> None:
        """Makes what laying the record on another needs. Raises NotMeasured."""
        _ = self.in_the_mouth
        _ = self.tree

    @made_once
    def outward(self) -> Surface:
        """The surface with the side out that faced the scanner, as far as can be told, ready to be laid on another."""
        if self.patches_away is None:
            scan = turned_as_likely(self.scan, self.facing)
        else:
            scan = turned_as_told(self.topology, self.patches_away)
        if scan is self.scan:
            return Surface(self.topology, self.tree)
        return Surface(topology_of(scan), BoxTree(scan))

    @made_once
    def in_the_mouth(self) -> Surface:
        """The outward surface, less the base on which a model of a jaw stands."""
        surface = self.outward
        base = self.base_of(surface.topology)
        if base is None or base.all():
            return surface
        scan = surface.topology.scan
        scan = scan.part(scan.faces[~base])
        return Surface(topology_of(scan), BoxTree(scan))

    def base_of(self, topology: Topology) -> NDArray[np.bool_] | None:
        """(m,) which facets of the record, wound in one way or another, are a base; None where it stands on none."""
        if self.role not in MAY_STAND_ON_BASE:
            return None
        return self._own_base if topology is self.topology else base_facets(topology)

    @made_once
    def _own_base(self) -> NDArray[np.bool_] | None:
        return base_facets(self.topology)

    def result(self, measure: RecordMeasure[R]) -> R:
        """The result of a measure this one needs. Raises NotMeasured where that was not measured."""
        made = self._made.get(measure.name)
        if made is None:
            raise LookupError(f"{measure.name} has not been made on this bench; list it in `needs`")
        if isinstance(made, NotMeasured):
            raise made
        return measure.result.model_validate(made) if not isinstance(made, measure.result) else made

    def run(
        self, measures: Iterable[RecordMeasure[Any]], kept: Mapping[str, Measurement]
    ) -> list[Measurement]:
        """Makes every measure that applies, in order, taking those found in `kept` (by key) as they are."""
        return [self._make(m, kept) for m in measures if self.role in m.roles]

    def ensure(self, measure: RecordMeasure[Any], kept: Mapping[str, Measurement]) -> None:
        """Makes a measure and all it needs, where that has not been done on this bench."""
        for need in measure.needs:
            self.ensure(need, kept)
        if measure.name not in self._made:
            self._make(measure, kept)

    def _make(self, measure: RecordMeasure[Any], kept: Mapping[str, Measurement]) -> Measurement:
        key = measure.key(self.sha256, self.unit, self.role, resting_on(self.bodies.digest, self.spots))
        if key in kept and kept[key].status is not Status.CRASHED:
            self._remember(measure, kept[key])
            return kept[key]
        made = made_of(measure, key, lambda: measure.compute(self))
        self._remember(measure, made)
        return made

    def _remember(self, measure: RecordMeasure[Any], made: Measurement) -> None:
        if made.status is Status.MEASURED:
            result = measure.result.model_validate(made.result)
            self._made[measure.name] = result
            if measure.tell is not None:
                measure.tell(self, result)
        else:
            self._made[measure.name] = NotMeasured(made.says, because=made.because)
