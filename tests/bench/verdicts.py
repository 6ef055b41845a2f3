"""The whole verdict on a record set, and its parts, beside what trimesh takes to load the same files."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import trimesh

from server.cli import LIMITS
from server.inspection.child import ChildPool
from server.inspection.folder import check_folder, read_folder
from server.inspection.inspect import judge_case
from server.inspection.measuring import RecordFile, measure_record
from server.inspection.warm import warm_up
from server.measures.measure import Measurement
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from tests.bench.sets import REAL, file_of, n_triangles, phantom_set, refined_set, surfaces
from tests.bench.timing import Figure, least_times_s
from tests.rules.good_set import NOW

REPEATS = 3
CORES = 2
STEPS = (0, 1, 2)
"""How often the facets of the light set are cut in four for the growth: some 0.3, 1.2 and 5 million triangles."""


def figures(folder: Path) -> Iterator[Figure]:
    real = phantom_set(folder, detail=REAL)
    with ChildPool(CORES, LIMITS, warm_up) as children:
        yield from _whole(real, children.run)
        yield from _one_record(real, children.run)
        yield from _growth(folder, children.run)
    yield _rejudging(real)


def verdict_on(folder: Path, run: Callable[..., tuple[Measurement, ...]]) -> object:
    return check_folder(read_folder(folder), now=NOW, run=run, workers=CORES)


def _whole(real: Path, run: Callable[..., tuple[Measurement, ...]]) -> Iterator[Figure]:
    files = surfaces(real)
    times = least_times_s(
        {
            "warm": lambda: verdict_on(real, run),
            "loading": lambda: [trimesh.load_mesh(path) for path in files],
            "cold": lambda: _command(real),
        },
        repeats=REPEATS,
    )
    shown = {"triangles": n_triangles(files), "files": len(files), **{f"{n}_s": s for n, s in times.items()}}
    yield Figure("verdict, warm ÷ trimesh.load_mesh", times["warm"] / times["loading"], "×", 5.0, shown=shown)
    yield Figure(
        "verdict, cold ÷ trimesh.load_mesh", times["cold"] / times["loading"], "×", 10.0, shown=shown
    )


def _command(folder: Path) -> None:
    words = [sys.executable, "-m", "server.cli", "check", str(folder), "--now", NOW.isoformat()]
    subprocess.run(words, check=False, capture_output=True)


def _one_record(real: Path, run: Callable[..., tuple[Measurement, ...]]) -> Iterator[Figure]:
    record_set = read_folder(real)
    evidence = {record.entry.file: record for record in record_set.records}
    for role, budget in ((Role.DENTURE, 3.0), (Role.JAW, 6.0)):
        path = file_of(real, role)
        record = evidence[path.name]
        times = least_times_s(
            {
                "ours": lambda record=record: measured(record, record_set.bodies, run),  # type: ignore[misc]
                "loading": lambda path=path: trimesh.load_mesh(path),  # type: ignore[misc]
                "whole": lambda: verdict_on(real, run),
            },
            repeats=REPEATS,
        )
        shown = {"triangles": n_triangles([path]), **{f"{n}_s": s for n, s in times.items()}}
        name = f"{role.value}, bytes complete → measured"
        yield Figure(
            f"{name} ÷ trimesh.load_mesh", times["ours"] / times["loading"], "×", budget, shown=shown
        )
        yield Figure(f"{name} ÷ whole verdict", times["ours"] / times["whole"], "×", 0.4, shown=shown)


def measured(
    record: RecordFile, bodies: object, run: Callable[..., tuple[Measurement, ...]]
) -> tuple[Measurement, ...]:
    return run(measure_record, record, (), bodies)


def _growth(folder: Path, run: Callable[..., tuple[Measurement, ...]]) -> Iterator[Figure]:
    sizes, seconds = [], []
    for times in STEPS:
        refined = refined_set(folder, times=times)
        sizes.append(n_triangles(surfaces(refined)))
        begun = time.perf_counter()
        verdict_on(refined, run)
        seconds.append(time.perf_counter() - begun)
    slope = float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])
    shown = {"triangles": sizes, "seconds": [round(s, 2) for s in seconds]}
    yield Figure("growth of the verdict with triangles, exponent", slope, "", 1.1, shown=shown)


def _rejudging(real: Path) -> Figure:
    """Judging anew from what is kept, against measuring anew, in this process."""
    record_set = read_folder(real)

    def here(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
        return function(*arguments)

    made = {record.entry.file: measured(record, record_set.bodies, here) for record in record_set.records}

    def judging() -> object:
        evidence = CaseEvidence(
            form=record_set.form,
            records=tuple(
                RecordEvidence(record.entry, "0" * 64, {m.measure: m for m in made[record.entry.file]})
                for record in record_set.records
            ),
            now=NOW,
        )
        return judge_case(evidence)

    times = least_times_s(
        {"judging": judging, "measuring": lambda: verdict_on(real, here)},
        repeats=REPEATS,
    )
    shown = {f"{name}_s": seconds for name, seconds in times.items()}
    return Figure(
        "measuring ÷ judging again",
        times["measuring"] / times["judging"],
        "×",
        1000.0,
        is_least=True,
        shown=shown,
    )
