"""`file.extent`: how large a record is, where it lies, in which unit, and how finely its coordinates are
stored."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from server.measures.bench import RecordBench
from server.measures.measure import NotMeasured, RecordMeasure, Result
from server.measures.vectors import Vector3
from server.metrology.extent import float32_step
from server.metrology.readers.reading import Unreadable
from server.records.plausible_unit import unit_by_size
from server.records.roles import MESH_ROLES, Role, Unit


class UnitFrom(StrEnum):
    """Where the unit that was applied comes from."""

    FORM = "form"
    FILE = "file"
    SIZE = "size"
    NOWHERE = "nowhere"


class ExtentResult(Result):
    """Lengths in mm under the unit that was applied, points in the record's file frame.

    span_mm: the largest distance between two points, without n_strays that lie far from the rest; low_mm,
    high_mm: the box along the file's axes, with them. unit_mm: length of one file unit as applied;
    stated_unit_mm: as the file itself states it. fitting_units: every unit under which the span is that of a
    record of a mouth, the likeliest first. step_mm: distance between neighbouring numbers that the file can
    store where its coordinates are largest.
    """

    span_mm: float
    low_mm: Vector3
    high_mm: Vector3
    centre_mm: Vector3
    n_strays: int
    n_points: int
    unit_mm: float
    unit_from: UnitFrom
    stated_unit_mm: float | None
    fitting_units: tuple[Unit, ...]
    step_mm: float


def _measure(bench: RecordBench) -> ExtentResult:
    try:
        return _extent(bench)
    except Unreadable as refused:
        raise NotMeasured("the file could not be read", because=refused.rule) from refused


def _extent(bench: RecordBench) -> ExtentResult:
    extent = bench.extent
    is_table = bench.table is not None
    unit_mm = 1.0 if is_table else bench.unit_mm
    by_size = unit_by_size(extent.span)
    is_single = not is_table and bench.reading.single_precision
    step = float32_step(extent.farthest) if is_single else float(np.spacing(extent.farthest))
    likeliest = () if by_size.best is None else (by_size.best,)
    return ExtentResult(
        span_mm=extent.span * unit_mm,
        low_mm=_scaled(extent.low, unit_mm),
        high_mm=_scaled(extent.high, unit_mm),
        centre_mm=_scaled(extent.centre, unit_mm),
        n_strays=extent.n_strays,
        n_points=len(bench.table.rows) if bench.table is not None else bench.reading.scan.n_vertices,
        unit_mm=unit_mm,
        unit_from=UnitFrom.FILE if is_table else _unit_from(bench),
        stated_unit_mm=1.0 if is_table else bench.reading.unit_mm,
        fitting_units=tuple(dict.fromkeys((*likeliest, *by_size.fitting))),
        step_mm=step * unit_mm,
    )


def _unit_from(bench: RecordBench) -> UnitFrom:
    if bench.unit is not Unit.UNKNOWN:
        return UnitFrom.FORM
    if bench.reading.unit_mm is not None:
        return UnitFrom.FILE
    return UnitFrom.SIZE if unit_by_size(bench.extent.span).best else UnitFrom.NOWHERE


def _scaled(point: Vector3, unit_mm: float) -> Vector3:
    return point[0] * unit_mm, point[1] * unit_mm, point[2] * unit_mm


EXTENT = RecordMeasure(
    name="file.extent",
    revision=1,
    result=ExtentResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_measure,
)
