from __future__ import annotations

import json

import numpy as np
import pytest

from server.measures.bench import RecordBench
from server.measures.graph import RECORD_MEASURES
from server.measures.measure import Status
from server.measures.sketch import SKETCH, SketchResult, sketch_result
from server.metrology.sameness import share_found, sketch_of
from server.metrology.topology import topology_of
from server.records.roles import Role, Unit
from tests.measures.files import TABLE, bench
from tests.metrology.readers.mesh_files import corners_of, stl, stl_text
from tests.metrology.shapes import moved
from tests.metrology.test_sameness import SURFACE


def made_of(on: RecordBench) -> SketchResult:
    made = {m.measure: m for m in on.run(RECORD_MEASURES, {})}[SKETCH.name]
    assert made.status is Status.MEASURED
    return SketchResult.model_validate(json.loads(made.model_dump_json())["result"])


def test_a_sketch_survives_being_kept_as_json_exactly() -> None:
    sketch = sketch_of(topology_of(SURFACE))
    kept = SketchResult.model_validate_json(sketch_result(sketch).model_dump_json()).sketch
    assert np.array_equal(kept.hashes, sketch.hashes)
    assert np.array_equal(kept.tags, sketch.tags)
    assert (kept.bound, kept.n_described, kept.distinct_ratio) == (
        sketch.bound,
        sketch.n_described,
        sketch.distinct_ratio,
    )


def test_it_is_measured_in_mm_whatever_the_unit_of_the_file() -> None:
    far = corners_of(moved(SURFACE).vertices, SURFACE.faces)
    in_mm = made_of(bench(stl(far), role=Role.TISSUE)).sketch
    in_cm = made_of(bench(stl_text(far / 10.0, number="%.6f"), unit=Unit.CM)).sketch
    share = share_found(in_mm, in_cm)
    assert share is not None
    assert share.share_ratio > 0.99
    assert share.scale_ratio == pytest.approx(1.0, abs=0.001)


def test_it_stays_below_70_kb() -> None:
    assert len(sketch_result(sketch_of(topology_of(SURFACE))).model_dump_json()) < 70_000


def test_a_table_of_positions_has_none() -> None:
    assert SKETCH.name not in {
        m.measure for m in bench(TABLE, "m.csv", Role.MARKERS).run(RECORD_MEASURES, {})
    }


def test_a_refused_file_names_the_rule() -> None:
    made = {m.measure: m for m in bench(b"solid x\nfacet nor").run(RECORD_MEASURES, {})}[SKETCH.name]
    assert made.status is Status.NOT_MEASURED
    assert made.because is not None
    assert made.because.startswith("file/")
