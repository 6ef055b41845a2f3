"""A field of signed distances as a plan: a grid of cells over the occlusal plane, small enough to keep and to draw."""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]

CELL_MM = 0.5
NEIGHBOURS = 5
REACH_MM = 0.55
"""A cell without a point so near its middle stays empty."""
EMPTY = -32768
WIDEST_CELLS = 320


@dataclass(frozen=True, slots=True)
class Plan:
    """low_mm: (x, y) of the middle of the first cell. gap_mm: (rows, columns), rows along y; NaN where nothing faces the
    other jaw."""

    low_mm: tuple[float, float]
    gap_mm: Floats

    @property
    def packed(self) -> str:
        """The cells in micrometres, int16, little-endian, row by row, EMPTY where there is nothing: deflated (zlib), base64."""
        um = np.where(np.isfinite(self.gap_mm), np.clip(self.gap_mm * 1000.0, -32767, 32767), EMPTY)
        return base64.b64encode(zlib.compress(np.round(um).astype("<i2").tobytes(), 9)).decode()


def plan_of(places: Floats, gap_mm: Floats) -> Plan | None:
    """The plan of gaps (n,) at places (n, 2): in each cell the median of the few nearest. None without a place."""
    if not len(places):
        return None
    low = np.floor(places.min(axis=0) / CELL_MM) * CELL_MM
    columns, rows = np.minimum(np.ceil((places.max(axis=0) - low) / CELL_MM).astype(int) + 1, WIDEST_CELLS)
    x, y = np.meshgrid(low[0] + np.arange(columns) * CELL_MM, low[1] + np.arange(rows) * CELL_MM)
    far, near = cKDTree(places).query(
        np.column_stack([x.ravel(), y.ravel()]), k=NEIGHBOURS, distance_upper_bound=REACH_MM
    )
    values = np.append(gap_mm, np.nan)[near]
    is_there = np.isfinite(far[:, 0])
    cells = np.full(len(far), np.nan)
    cells[is_there] = np.nanmedian(values[is_there], axis=1)
    return Plan((float(low[0]), float(low[1])), cells.reshape(rows, columns))


def unpacked(low_mm: tuple[float, float], columns: int, packed: str) -> Plan:
    """The plan as it was packed, to the micrometre."""
    um = np.frombuffer(zlib.decompress(base64.b64decode(packed)), dtype="<i2").reshape(-1, columns)
    return Plan(low_mm, np.where(um == EMPTY, np.nan, um / 1000.0))
