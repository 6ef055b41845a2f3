"""What a measuring child does before its first task: it measures a small mouth, so that all compiled code is at hand."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from server.explain.png import png
from server.explain.surface_picture import record_drawing
from server.inspection.drawn import drawn
from server.inspection.measuring import RecordFile, measure_case, measure_record
from server.measures.body_set import BodyFile, BodySet
from server.metrology.preview.decoding import scan_of
from server.records.bodies import BodyEntry
from server.records.case_form import CaseForm, RecordEntry
from server.records.roles import Role, Unit
from server.records.teeth import Arch

Floats = NDArray[np.float64]

_N = 60
OPPOSING_MM = 19.5
_SEATS_MM = ((7.0, 13.1), (15.0, 33.9), (32.0, 35.6), (40.0, 16.4))


def _sheet(shift: float) -> Floats:
    """(m, 3, 3) corners of a wavy sheet of 47 mm."""
    return _facets(_sheet_grid(shift))


def _sheet_grid(shift: float) -> Floats:
    grid = np.arange(_N) * 0.8 + shift
    x, y = np.meshgrid(grid, grid, indexing="ij")
    return np.stack([x, y, _height_mm(x, y)], axis=-1)


def _height_mm(x: Floats, y: Floats) -> Floats:
    """Waves on a dome, and on them a ridge along a bow that is open toward -y."""
    waves = np.sin(0.31 * x) + np.cos(0.23 * y) + 0.4 * np.sin(0.05 * x * y)
    off = (y - 42.0 + (x - 24.0) ** 2 / 10.0) / np.hypot(1.0, (x - 24.0) / 5.0)
    return np.asarray(waves - ((x - 24) ** 2 + (y - 24) ** 2) / 180.0 + 8.0 * np.exp(-((off / 4.0) ** 2)))


def small_denture(shift: float = 0.1) -> bytes:
    """A closed block whose underside is the sheet, its top higher and rougher."""
    low = _sheet_grid(shift)
    high = low + np.array([0.0, 0.0, 7.0])
    high[..., 2] += 1.5 * np.sin(0.9 * low[..., 0]) * np.cos(0.8 * low[..., 1])
    rims = [np.concatenate([g[:-1, 0], g[-1, :-1], g[:0:-1, -1], g[0, :0:-1], g[:1, 0]]) for g in (low, high)]
    return _stl(np.concatenate([_facets(low)[:, ::-1], _facets(high), _facets(np.stack(rims, axis=1))]))


def _post() -> Floats:
    """(m, 3, 3) corners of a post with a flat side."""
    ring, out = np.linspace(0.0, 2.0 * np.pi, 49), np.linspace(0.0, 2.0, 8)
    r = np.concatenate([out, np.full(9, 2.0), out[::-1]])[:, None]
    height = np.concatenate([np.zeros(8), np.linspace(0.0, 4.0, 9), np.full(8, 4.0)])[:, None]
    z = np.broadcast_to(height, (len(height), len(ring)))
    x, y = r * np.cos(ring), r * np.sin(ring)
    x = np.where(z > 1.5, np.minimum(x, 1.3), x)
    return _facets(np.stack([x, y, z], axis=-1).transpose(1, 0, 2))


def _posts() -> Floats:
    """(m, 3, 3) corners of four posts where they stand on the sheet."""
    seats = [(x, y, float(_height_mm(np.array(x), np.array(y))) + 0.2) for x, y in _SEATS_MM]
    return np.concatenate([_post() + np.array(seat) for seat in seats])


def _facets(grid: Floats) -> Floats:
    a, b, c, d = grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]
    return np.concatenate([np.stack(t, axis=-2).reshape(-1, 3, 3) for t in ((a, b, c), (a, c, d))])


def small_jaw(shift: float = 0.0) -> bytes:
    """A binary STL of a wavy sheet with four posts on it, some 14 000 triangles."""
    return _stl(np.concatenate([_sheet(shift), _posts()]))


def small_sheet(shift: float = 0.0) -> bytes:
    """The sheet alone."""
    return _stl(_sheet(shift))


def small_opposing(shift: float = 0.2) -> bytes:
    """Another sheet that bulges down upon the first."""
    corners = _sheet(shift) * (1.0, 1.0, -1.0)
    return _stl(corners + np.array([0.0, 0.0, OPPOSING_MM]))


def _stl(corners: Floats) -> bytes:
    facets = np.zeros(
        len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
    )
    facets["corners"] = corners
    return b"\0" * 80 + np.uint32(len(facets)).tobytes() + facets.tobytes()


def warm_up() -> None:
    """Runs every measure of one record once, every measure over several, and draws a record."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def put(role: Role, data: bytes) -> RecordFile:
            path = folder / f"{role.value}.stl"
            path.write_bytes(data)
            return RecordFile(RecordEntry(role=role, file=path.name, unit=Unit.MM), str(path))

        post = _stl(_post())
        (folder / "post.stl").write_bytes(post)
        entry = BodyEntry.model_validate({"id": "post", "mesh": "post.stl"})
        bodies = BodySet((BodyFile(entry, str(folder / "post.stl"), hashlib.sha256(post).hexdigest()),))
        posts = _stl(_posts())
        records = (
            put(Role.JAW, small_jaw()),
            put(Role.TISSUE, small_sheet(0.3)),
            put(Role.DENTURE, small_denture()),
            put(Role.OPPOSING, small_opposing()),
            put(Role.MARKERS, posts),
        )
        scan = scan_of(drawn(records[0]))
        assert len(png(record_drawing(scan.vertices, scan.faces, "")))
        kept = tuple(made for record in records for made in measure_record(record, bodies=bodies))
        measure_case(CaseForm(working_arch=Arch.LOWER), records, {"tissue.stl": records[1]}, kept, bodies)
