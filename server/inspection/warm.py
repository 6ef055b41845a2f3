"""What a measuring child does before its first task: it measures a small surface, so that all compiled code is at hand."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from server.inspection.measuring import RecordFile, measure_case, measure_record
from server.records.case_form import CaseForm, RecordEntry
from server.records.roles import Role, Unit

_N = 24


def small_surface() -> bytes:
    """A binary STL of a wavy sheet, some 1 000 triangles."""
    grid = np.arange(_N, dtype=np.float32) * np.float32(0.8)
    x, y = np.meshgrid(grid, grid, indexing="ij")
    points = np.stack([x, y, np.sin(x) + np.cos(y)], axis=-1)
    a, b, c, d = points[:-1, :-1], points[1:, :-1], points[1:, 1:], points[:-1, 1:]
    corners = np.concatenate([np.stack(t, axis=-2).reshape(-1, 3, 3) for t in ((a, b, c), (a, c, d))])
    facets = np.zeros(
        len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
    )
    facets["corners"] = corners
    return b"\0" * 80 + np.uint32(len(facets)).tobytes() + facets.tobytes()


def warm_up() -> None:
    """Runs every measure of one record once, and every measure over several."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.stl"
        path.write_bytes(small_surface())
        for role in (Role.JAW, Role.DENTURE):
            sheet = RecordFile(RecordEntry(role=role, file=path.name, unit=Unit.MM), str(path))
            measure_record(sheet)
        measure_case(CaseForm(), (sheet,), {path.name: sheet})
