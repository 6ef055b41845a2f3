"""How well records are brought into one frame: `python -m tests.bench.frames [--phantoms N] [--seed S] [--rows FILE]`, JSON.

Phantom mouths, each record exported in a frame of its own; every record's place in the jaw scan's frame is compared with
the truth at the record's own points. The truth knows no drift: what stitching bends in a scan counts as error here.
"""

from __future__ import annotations

import time
from collections import Counter

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth
from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT, JointResult
from server.measures.measure import Measurement
from server.metrology.rigid import angle_deg, apply, inverse
from server.records.case_form import CaseForm
from server.records.roles import Role
from tests.bench.by_seed import run_by_seed
from tests.inspection.spoiling import scanned_mouth

Floats = NDArray[np.float64]
Row = dict[str, float | str]
FIRST_SEED, MOUTHS, DETAIL = 3000, 40, 0.8
RIGHT_MM = 0.3
"""A record farther off than this lies in another place; nearer, it is fitted more or less well."""


def main() -> None:
    run_by_seed(
        "tests.bench.frames",
        __doc__,
        phantoms=MOUTHS,
        seed=FIRST_SEED,
        rows_of=_rows_of,
        told=lambda made: {"lost": [f"{row['file']}: {row['lost']}" for row in made if "lost" in row]},
        summary=summary,
    )


def summary(rows: list[Row]) -> dict[str, object]:
    """By role: asked, not placed, placed wrongly; of those placed the error (mean over the record), its turn, and the share
    whose farthest error lies within the stated U95."""
    told: dict[str, object] = {
        "mouths": len({row["seed"] for row in rows}),
        "seconds_median": round(
            float(np.median([float(row["seconds"]) for row in rows if "seconds" in row])), 1
        ),
    }
    for role, asked in Counter(str(row["role"]) for row in rows if "role" in row).items():
        placed = [row for row in rows if row.get("role") == role and "off_mm" in row]
        off = 1000.0 * np.array([float(row["off_mm"]) for row in placed])
        turn = np.array([float(row["off_deg"]) for row in placed])
        told[role] = {
            "asked": asked,
            "unplaced": asked - len(placed),
            "wrong": int(np.sum(off > 1000.0 * RIGHT_MM)),
            "off_um": [round(float(np.quantile(off, q)), 1) for q in (0.5, 0.95, 1.0)],
            "off_deg": [round(float(np.quantile(turn, q)), 4) for q in (0.5, 0.95, 1.0)],
            "inside_u95": round(float(np.mean([row["inside"] for row in placed])), 3),
        }
    return told


def _rows_of(seed: int, _bodies: BodySet) -> list[Row]:
    mouth = scanned_mouth(seed, detail=DETAIL).in_random_frames()
    work = mouth.scanned
    data = {made.name: made.data for made in work.files.values()}
    begun = time.perf_counter()
    told, benches = _joined(CaseForm.model_validate(work.form), data)
    seconds = time.perf_counter() - begun
    return [*_of_records(seed, told, benches, truth_of(work)), {"seed": seed, "seconds": seconds}]


def _joined(form: CaseForm, data: dict[str, bytes]) -> tuple[JointResult, dict[str, RecordBench]]:
    benches = {
        entry.file: RecordBench(data[entry.file], file_name=entry.file, role=entry.role, unit=entry.unit)
        for entry in form.records
        if entry.role not in (Role.MARKERS, Role.PHOTO)
    }
    made: list[Measurement] = CaseBench(form, benches, {}).run((JOINT,), {})
    return JointResult.model_validate(made[0].result), benches


def _of_records(
    seed: int, told: JointResult, benches: dict[str, RecordBench], truth: PhantomTruth
) -> list[Row]:
    """One row for every record but the root."""
    T_joint = {record.file: np.array(record.T_joint_record) for record in truth.records}
    rows = []
    for placed in told.records:
        if placed.file == told.root:
            continue
        row: Row = {"seed": seed, "file": placed.file, "role": benches[placed.file].role.value}
        rows.append(row)
        if not placed.T_root_record or placed.u95_mm is None:
            row["lost"] = placed.says
            continue
        true, T = inverse(T_joint[told.root]) @ T_joint[placed.file], np.array(placed.T_root_record)
        points = benches[placed.file].scan.vertices[::20]
        off = np.linalg.norm(apply(T, points) - apply(true, points), axis=1)
        row |= {"off_mm": float(off.mean()), "off_deg": angle_deg(inverse(true) @ T)}
        row["inside"] = float(off.max() <= placed.u95_mm)
        if off.mean() > RIGHT_MM:
            row["lost"] = f"{off.mean():.1f} mm off"
    return rows


if __name__ == "__main__":
    main()
