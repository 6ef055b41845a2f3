"""`surface.facing`: which side of a scan faced the scanner, and which facets run against their neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3
from server.metrology.facing import Facing, Patch, Side
from server.records.roles import MESH_ROLES


class PatchFacing(BaseModel):
    """shell: by shared vertices, largest 0. side: scanner, away or undecided. score: share of rays blocked behind minus in front."""

    model_config = ConfigDict(frozen=True)

    shell: int
    area_mm2: float
    side: str
    is_certain: bool
    is_closed: bool
    score: float
    u95: float
    centre_mm: Vector3


class FacingResult(Result):
    """patches: the largest 30 of at least 20 mm². away_area_mm2: of patches whose back faced the scanner;
    turned_area_mm2: of facets wound against the rest of their patch, and of patches that face away with certainty
    in a shell that faces the scanner otherwise; n_conflicts: edges no winding satisfies. patches_away: numbers of the patches whose back faced the scanner."""

    patches: tuple[PatchFacing, ...]
    judged_area_mm2: float
    away_area_mm2: float
    away_is_certain: bool
    turned_area_mm2: float
    turned_at_mm: Vector3 | None
    n_conflicts: int
    patches_away: tuple[int, ...]

    @property
    def is_inside_out(self) -> bool:
        """Whether most of the surface shows the side that did not face the scanner."""
        return self.away_area_mm2 > 0.5 * self.judged_area_mm2 > 0.0


def _measure(bench: RecordBench) -> FacingResult:
    facing = bench.facing
    turned = float(bench.topology.areas_mm2[facing.is_odd].sum()) + _turned_patches(facing)
    return FacingResult(
        patches=tuple(_row(patch) for patch in facing.patches[:30]),
        judged_area_mm2=sum(p.area_mm2 for p in facing.patches),
        away_area_mm2=sum(p.area_mm2 for p in facing.away),
        away_is_certain=all(p.is_certain for p in facing.away),
        turned_area_mm2=turned,
        turned_at_mm=_odd_place(bench, facing.is_odd) if facing.is_odd.any() else None,
        n_conflicts=facing.n_conflicts,
        patches_away=tuple(p.number for p in facing.away),
    )


def _tell(bench: RecordBench, result: FacingResult) -> None:
    bench.patches_away = result.patches_away


def _turned_patches(facing: Facing) -> float:
    toward: dict[int, float] = {}
    for patch in facing.patches:
        if patch.side is Side.SCANNER:
            toward[patch.shell] = toward.get(patch.shell, 0.0) + patch.area_mm2
    away = [p for p in facing.away if p.is_certain]
    return sum(p.area_mm2 for p in away if toward.get(p.shell, 0.0) > p.area_mm2)


def _odd_place(bench: RecordBench, is_odd: NDArray[np.bool_]) -> Vector3:
    areas = bench.topology.areas_mm2 * is_odd
    facet = int(areas.argmax())
    point = bench.scan.vertices[bench.scan.faces[facet]].mean(axis=0)
    return float(point[0]), float(point[1]), float(point[2])


def _row(patch: Patch) -> PatchFacing:
    return PatchFacing(
        shell=patch.shell,
        area_mm2=patch.area_mm2,
        side=patch.side.value,
        is_certain=patch.is_certain,
        is_closed=patch.is_closed,
        score=patch.score,
        u95=patch.u95,
        centre_mm=patch.centre_mm,
    )


FACING = RecordMeasure(
    name="surface.facing",
    revision=6,
    result=FacingResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(READING,),
    tell=_tell,
)
