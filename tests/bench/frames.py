"""How well records are brought into one frame: `python -m tests.bench.frames [--mouths N] [--seed S] [--detail D]`, JSON.

Phantom mouths, each record exported in a frame of its own; every record's place in the jaw scan's frame is compared with
the truth at the record's own points. The truth knows no drift: what stitching bends in a scan counts as error here.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth
from server.measures.bench import CaseBench, RecordBench
from server.measures.frames import JOINT, JointResult
from server.measures.measure import Measurement
from server.metrology.rigid import angle_deg, apply, inverse
from server.records.case_form import CaseForm
from server.records.roles import Role
from tests.inspection.spoiling import scanned_mouth

Floats = NDArray[np.float64]
FIRST_SEED, MOUTHS = 3000, 30
RIGHT_MM = 0.3
"""A record farther off than this lies in another place; nearer, it is fitted more or less well."""


@dataclass
class Tally:
    """Of one role: asked and placed, and of those placed right the error (mean over the record, mm), its turn (degrees) and
    whether the farthest error lies within the stated U95."""

    asked: int = 0
    unplaced: int = 0
    wrong: int = 0
    off_mm: list[float] = field(default_factory=list)
    off_deg: list[float] = field(default_factory=list)
    is_inside: list[bool] = field(default_factory=list)

    def row(self) -> dict[str, float | int]:
        off, turn = np.array(self.off_mm), np.array(self.off_deg)
        return {
            "asked": self.asked,
            "unplaced": self.unplaced,
            "wrong": self.wrong,
            "off_um_median": round(1000.0 * float(np.median(off)), 1),
            "off_um_p95": round(1000.0 * float(np.quantile(off, 0.95)), 1),
            "off_deg_median": round(float(np.median(turn)), 4),
            "off_deg_p95": round(float(np.quantile(turn, 0.95)), 4),
            "inside_u95": round(float(np.mean(self.is_inside)), 3),
        }


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.frames", description=__doc__)
    parser.add_argument("--mouths", type=int, default=MOUTHS)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--detail", type=float, default=0.8)
    asked = parser.parse_args()
    tallies: dict[str, Tally] = defaultdict(Tally)
    seconds: list[float] = []
    for seed in range(asked.seed, asked.seed + asked.mouths):
        mouth = scanned_mouth(seed, detail=asked.detail).in_random_frames()
        work = mouth.scanned
        truth = truth_of(work)
        data = {made.name: made.data for made in work.files.values()}
        begun = time.perf_counter()
        told, benches = _joined(CaseForm.model_validate(work.form), data)
        seconds.append(time.perf_counter() - begun)
        lost = _tally(told, benches, truth, tallies)
        print(json.dumps({"seed": seed, "arch": truth.arch.value, "lost": lost}), file=sys.stderr, flush=True)
    rows = {role: tally.row() for role, tally in tallies.items()}
    print(
        json.dumps(
            {"seeds": [asked.seed, seed], "seconds_median": float(np.median(seconds)), "roles": rows},
            indent=1,
        )
    )


def _joined(form: CaseForm, data: dict[str, bytes]) -> tuple[JointResult, dict[str, RecordBench]]:
    benches = {
        entry.file: RecordBench(data[entry.file], file_name=entry.file, role=entry.role, unit=entry.unit)
        for entry in form.records
        if entry.role not in (Role.MARKERS, Role.PHOTO)
    }
    made: list[Measurement] = CaseBench(form, benches, {}).run((JOINT,), {})
    return JointResult.model_validate(made[0].result), benches


def _tally(
    told: JointResult, benches: dict[str, RecordBench], truth: PhantomTruth, tallies: dict[str, Tally]
) -> list[str]:
    """Counts every record but the root; those lost, by file with the reason."""
    T_joint = {record.file: np.array(record.T_joint_record) for record in truth.records}
    lost = []
    for placed in told.records:
        if placed.file == told.root:
            continue
        tally = tallies[benches[placed.file].role.value]
        tally.asked += 1
        if not placed.T_root_record or placed.u95_mm is None:
            tally.unplaced += 1
            lost.append(f"{placed.file}: {placed.says}")
            continue
        true, T = inverse(T_joint[told.root]) @ T_joint[placed.file], np.array(placed.T_root_record)
        points = benches[placed.file].scan.vertices[::20]
        off = np.linalg.norm(apply(T, points) - apply(true, points), axis=1)
        if off.mean() > RIGHT_MM:
            tally.wrong += 1
            lost.append(f"{placed.file}: {off.mean():.1f} mm off")
            continue
        tally.off_mm.append(float(off.mean()))
        tally.off_deg.append(angle_deg(inverse(true) @ T))
        tally.is_inside.append(bool(off.max() <= placed.u95_mm))
    return lost


if __name__ == "__main__":
    main()
