"""How often a record is known for what it is: `python -m tests.bench.roles [--sets N] [--seed S] [--detail D] [--faults]`.

Phantom mouths, lower and upper in turn, each record exported in a frame of its own; only the file goes in, without a unit.
With --faults every fault that changes a record is struck into each mouth too, and the records it changed are asked about.
JSON: by role, the share known right, told for sure, told wrong and for sure; and seconds a record, reading left out.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from seed_data.phantoms.faults import ALL
from seed_data.phantoms.work import Stage, Work
from server.measures.bench import RecordBench
from server.measures.measure import NotMeasured
from server.measures.role import ROLE, RoleResult
from server.records.marker_table import is_marker_table
from server.records.roles import Role, Unit
from server.records.teeth import Arch
from tests.inspection.spoiling import ScannedMouth, scanned_mouth, spoiled

FIRST_SEED, SETS = 300, 40
ANOTHER_RECORD = frozenset({"file-same-surface", "form-role-doubtful"})
"""Faults that put one record in the place of another: what is filed there is not what it should be."""


@dataclass
class Tally:
    """Of one role: records asked about; known right (the role is among those it is said to look like), told for sure (what
    it looks like), one role alone told and right, told for sure and wrong; not measured, as files that are refused."""

    asked: int = 0
    right: int = 0
    sure: int = 0
    filled_in_right: int = 0
    wrong_and_sure: int = 0
    not_measured: int = 0
    seconds: list[float] = field(default_factory=list)

    def row(self) -> dict[str, float | int]:
        told = max(self.asked, 1)
        return {
            "asked": self.asked,
            "right_ratio": round(self.right / told, 4),
            "sure_ratio": round(self.sure / told, 4),
            "filled_in_right_ratio": round(self.filled_in_right / told, 4),
            "wrong_and_sure": self.wrong_and_sure,
            "not_measured": self.not_measured,
            "cpu_s_median": round(float(np.median(self.seconds or [0.0])), 3),
            "cpu_s_most": round(float(np.max(self.seconds or [0.0])), 3),
        }

    def add(self, role: Role, seen: RoleResult, seconds: float) -> None:
        is_right = role in seen.among
        self.asked += 1
        self.right += is_right
        self.sure += seen.is_look_sure
        self.filled_in_right += seen.is_sure and seen.roles[0].role is role
        self.wrong_and_sure += seen.is_look_sure and not is_right
        self.seconds.append(seconds)


Tallies = dict[str, Tally]


def ask(tallies: Tallies, data: bytes, file_name: str, role: Role) -> RoleResult | None:
    """Asks about one file, as the portal does of one that came without a role; None where nothing could be measured."""
    bench = RecordBench(data, file_name=file_name, role=Role.JAW, unit=Unit.UNKNOWN)
    tally = tallies[role.value]
    try:
        _ = bench.topology
        begun = time.process_time()
        seen = ROLE.compute(bench)
    except NotMeasured:
        tally.not_measured += 1
        return None
    tally.add(role, seen, time.process_time() - begun)
    return seen


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.roles", description=__doc__)
    parser.add_argument("--sets", type=int, default=SETS)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--detail", type=float, default=0.6)
    parser.add_argument("--faults", action="store_true")
    asked = parser.parse_args()
    clean: Tallies = defaultdict(Tally)
    faulty: Tallies = defaultdict(Tally)
    for seed in range(asked.seed, asked.seed + asked.sets):
        mouth = scanned_mouth(seed, arch=list(Arch)[seed % 2], detail=asked.detail).in_random_frames()
        missed = list(_missed(clean, mouth.scanned, set(mouth.scanned.files)))
        for name, work, changed in _spoiled(mouth) if asked.faults else ():
            missed += [f"{name}: {file}" for file in _missed(faulty, work, changed)]
        print(json.dumps({"seed": seed, "missed": missed}), file=sys.stderr, flush=True)
    rows = {
        kind: {role: tallies[role].row() for role in sorted(tallies)}
        for kind, tallies in (("clean", clean), ("faulty", faulty))
        if tallies
    }
    settings = {"seed": asked.seed, "sets": asked.sets, "detail": asked.detail}
    print(json.dumps({"bench": "roles", **settings, **rows}, indent=1))


def _missed(tallies: Tallies, work: Work, keys: set[str]) -> Iterator[str]:
    """Asks about the records of a set; those told wrong, or not at all."""
    for key in sorted(keys & set(work.files)):
        plan = work.files[key]
        if is_marker_table(plan.data, plan.name):
            continue
        seen = ask(tallies, plan.data, plan.name, plan.role)
        if seen is not None and (plan.role not in seen.among or not seen.is_look_sure):
            yield f"{plan.name} as {seen.look.value} by {seen.look_ratio:.2f}"


def _spoiled(mouth: ScannedMouth) -> Iterator[tuple[str, Work, set[str]]]:
    """Each fault, the set it spoiled, and the records it changed."""
    for fault in ALL:
        if fault.stage in (Stage.FORM, Stage.ROUND) or fault.name in ANOTHER_RECORD:
            continue
        try:
            work = spoiled(mouth, fault)
        except LookupError:
            continue
        was = mouth.scanned.files
        yield (
            fault.name,
            work,
            {key for key, plan in work.files.items() if key not in was or plan.data != was[key].data},
        )


if __name__ == "__main__":
    main()
