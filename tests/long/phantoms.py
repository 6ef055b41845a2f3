"""Many clean phantoms and every fault at full detail: `python -m tests.long.phantoms`, JSON on standard output.

Bounded: 24 mouths of half a minute to scan each, then all faults of one of them; some 25 minutes on two cores.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from seed_data.phantoms.faults import ALL
from seed_data.phantoms.work import Fault, Stage
from server.rules.catalogue import RULES
from server.rules.limit import Outcome
from tests.inspection.spoiling import (
    Remembering,
    ScannedMouth,
    above_note,
    checked,
    complaints,
    scanned_mouth,
    spoiled,
)

FIRST_SEED, COUNT = 200, 24
FAULTY_SEED = 3
KNOWN = {rule.id for rule in RULES}


def clean_ones(seeds: range, detail: float) -> Iterator[dict[str, Any]]:
    """A row for each seed, every second one in random frames: what was said above a note, which should be nothing."""
    for seed in seeds:
        begun = time.perf_counter()
        mouth = scanned_mouth(seed, detail=detail)
        work = mouth.in_random_frames().scanned if seed % 2 else mouth.scanned
        with tempfile.TemporaryDirectory() as folder:
            report, truth = checked(work, Path(folder), Remembering())
        yield {
            "seed": seed,
            "arch": truth.arch.value,
            "sites": len(truth.sites),
            "frames": "random" if truth.random_frames else "shared",
            "triangles": sum(record.n_faces or 0 for record in truth.records),
            "verdict": report.verdict.value,
            "said": [f"{f.rule} {f.level.value} {f.records}: {f.says}" for f in above_note(report)],
            "crashed": [f.rule for f in report.findings if f.outcome is Outcome.CRASHED],
            "seconds": round(time.perf_counter() - begun, 1),
        }


def faulty_ones(detail: float) -> Iterator[dict[str, Any]]:
    """A row for each fault of one round whose rule there is: what the report lacks, or says beside."""
    shared = scanned_mouth(FAULTY_SEED, detail=detail)
    random, run = shared.in_random_frames(), Remembering()
    for fault in ALL:
        if fault.stage is Stage.ROUND or fault.rule not in KNOWN:
            yield {"fault": fault.name, "rule": fault.rule, "skipped": "a second round, or no such rule yet"}
            continue
        begun = time.perf_counter()
        yield {"fault": fault.name, "rule": fault.rule, **_told(fault, (shared, random), run)} | {
            "seconds": round(time.perf_counter() - begun, 1)
        }


def _told(fault: Fault, mouths: tuple[ScannedMouth, ...], run: Remembering) -> dict[str, Any]:
    """Tried in random frames where the fault finds nothing to spoil in shared ones."""
    reason = ""
    for mouth in mouths:
        try:
            work = spoiled(mouth, fault)
        except LookupError as nothing:
            reason = str(nothing)
            continue
        with tempfile.TemporaryDirectory() as folder:
            report, truth = checked(work, Path(folder), run)
        return {"complaints": complaints(report, truth.faults)}
    return {"skipped": reason}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.long.phantoms", description=__doc__)
    parser.add_argument("--count", type=int, default=COUNT, help="how many clean mouths, at most 200")
    parser.add_argument("--detail", type=float, default=1.0)
    parser.add_argument("--without-faults", action="store_true")
    asked = parser.parse_args()
    seeds = range(FIRST_SEED, FIRST_SEED + min(asked.count, 200))
    clean = list(_shown(clean_ones(seeds, asked.detail)))
    faulty = [] if asked.without_faults else list(_shown(faulty_ones(asked.detail)))
    summary = {
        "clean": len(clean),
        "clean_and_clear": sum(row["verdict"] == "clear" for row in clean),
        "faults": sum("complaints" in row for row in faulty),
        "faults_told_and_nothing_else": sum(row.get("complaints") == [] for row in faulty),
    }
    print(json.dumps({"summary": summary, "clean": clean, "faults": faulty}, indent=1, ensure_ascii=False))


def _shown(rows: Iterator[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for row in rows:
        print(json.dumps(row, ensure_ascii=False), file=sys.stderr, flush=True)
        yield row


if __name__ == "__main__":
    main()
