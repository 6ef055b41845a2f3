"""`surface.sketch`: a small sketch by which a surface is known again: moved, renumbered, in another unit or format."""

from __future__ import annotations

import base64
from functools import lru_cache

import numpy as np

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.metrology.sameness import Sketch, sketch_of
from server.records.roles import MESH_ROLES


class SketchResult(Result):
    """A `Sketch` as text: hashes as little-endian 64-bit, tags as little-endian 32-bit numbers, in base64; the bound
    in hex, since it is larger than what most readers of JSON hold exactly. About 64 kB."""

    hashes_b64: str
    tags_b64: str
    bound_hex: str
    n_described: int
    distinct_ratio: float

    @property
    def sketch(self) -> Sketch:
        return _read(self)


@lru_cache(maxsize=64)
def _read(result: SketchResult) -> Sketch:
    return Sketch(
        hashes=np.frombuffer(base64.b64decode(result.hashes_b64), "<u8").astype(np.uint64),
        tags=np.frombuffer(base64.b64decode(result.tags_b64), "<u4").astype(np.uint32),
        bound=int(result.bound_hex, 16),
        n_described=result.n_described,
        distinct_ratio=result.distinct_ratio,
    )


def sketch_result(sketch: Sketch) -> SketchResult:
    """The sketch as it is kept."""
    return SketchResult(
        hashes_b64=base64.b64encode(sketch.hashes.astype("<u8").tobytes()).decode(),
        tags_b64=base64.b64encode(sketch.tags.astype("<u4").tobytes()).decode(),
        bound_hex=f"{sketch.bound:016x}",
        n_described=sketch.n_described,
        distinct_ratio=sketch.distinct_ratio,
    )


def _measure(bench: RecordBench) -> SketchResult:
    return sketch_result(sketch_of(bench.topology))


SKETCH = RecordMeasure(
    name="surface.sketch",
    revision=1,
    result=SketchResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(READING,),
)
