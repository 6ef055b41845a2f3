"""The memory that measuring one large record takes, in a process of its own: `python -m tests.bench.memory FILE`."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from server.inspection.measuring import RecordFile, measure_record
from server.inspection.warm import warm_up
from server.records.case_form import RecordEntry
from server.records.roles import Role, Unit
from tests.bench.sets import n_triangles, refined_set, surfaces
from tests.bench.timing import Figure, peak_mb

ALLOWED_MB, ALLOWED_BYTES_A_TRIANGLE = 400.0, 250.0


def figures(folder: Path) -> Iterator[Figure]:
    path = surfaces(refined_set(folder, times=1))[0]
    command = [sys.executable, "-m", "tests.bench.memory", str(path)]
    for _ in range(2):  # a first start may compile, which takes memory of its own
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
    peak = json.loads(answer.stdout)
    triangles = n_triangles([path])
    allowed_mb = ALLOWED_MB + ALLOWED_BYTES_A_TRIANGLE * triangles / 1e6
    shown = {"triangles": triangles, "allowed_mb": allowed_mb, **peak}
    yield Figure("worker memory ÷ allowed", peak["peak_mb"] / allowed_mb, "×", 1.0, shown=shown)
    grown = (peak["peak_mb"] - peak["warm_mb"]) * 1e6 / triangles
    yield Figure("worker memory a triangle, beyond a warm worker", grown, "bytes", shown=shown)


def _measure(path: Path) -> dict[str, float]:
    warm_up()
    warm_mb = peak_mb(os.getpid())
    measure_record(RecordFile(RecordEntry(role=Role.DENTURE, file=path.name, unit=Unit.MM), str(path)))
    return {"warm_mb": round(warm_mb, 1), "peak_mb": round(peak_mb(os.getpid()), 1)}


if __name__ == "__main__":
    print(json.dumps(_measure(Path(sys.argv[1]))))
