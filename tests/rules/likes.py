"""Records by their sketches: of invented surfaces, their copies and their parts."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from server.measures.measure import Measurement
from server.measures.sketch import SKETCH, SketchResult, sketch_result
from server.metrology.sameness import sketch_of
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, KnownSurface, RecordEvidence
from tests.metrology.shapes import centres, joined, kept, moved, sphere
from tests.metrology.test_sameness import surface
from tests.rules.good_set import BODIES, NOW, form, measured, record


@cache
def like(
    seed: int = 1, *, share: float = 1.0, scale: float = 1.0, is_mirrored: bool = False, more: int = 0
) -> SketchResult:
    """A surface by its number, moved: a share of it cut off along x, scaled, mirrored; `more` adds another surface."""
    whole = surface(seed)
    along = centres(whole)[:, 0]
    made = kept(whole, along <= np.quantile(along, share)) if share < 1.0 else whole
    if more:
        made = joined(made, surface(more))
    signs = (1.0, 1.0, -1.0) if is_mirrored else (1.0, 1.0, 1.0)
    return sketch_result(sketch_of(topology_of(moved(Scan(made.vertices * signs, made.faces).scaled(scale)))))


@cache
def regular() -> SketchResult:
    return sketch_result(sketch_of(topology_of(sphere())))


def sketched(result: SketchResult) -> Measurement:
    return measured(SKETCH, result)


def filed(role: Role, result: SketchResult | None = None, file: str = "", **more: Any) -> RecordEvidence:
    """A record of that role with that sketch."""
    made = [sketched(result)] if result is not None else []
    return record(*made, role=role, file=file or f"{role.value}.stl", **more)


def known(
    role: Role, result: SketchResult | None = None, label: str = "another case", **more: Any
) -> KnownSurface:
    """The same, filed elsewhere."""
    kept_result = None if result is None else result.model_dump(mode="json")
    return KnownSurface(**{"label": label, "role": role, "sha256": "f" * 64, "sketch": kept_result, **more})


def of(
    *records: RecordEvidence,
    elsewhere: tuple[KnownSurface, ...] = (),
    replaced: dict[str, RecordEvidence] | None = None,
) -> CaseEvidence:
    return CaseEvidence(
        form=form(), records=records, now=NOW, elsewhere=elsewhere, replaced=replaced or {}, bodies=BODIES
    )
