"""How often the one wrong site is named: `python -m tests.bench.constellation [--runs N] [--seed N]`, JSON on standard output.

Every run makes an exact set of poses of one of four shapes, spoils a copy, gives it noise (per direction, stated rightly),
and asks who is wrong. Cases: one site shifted in any direction; nothing wrong; a drift that grows as the way along the
arch to the power 1 to 1.5, up to 0.1-0.5 mm at one end, with or without the bodies turning; one site off in such an arch.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from server.metrology.constellation.poses import Paired, Poses
from server.metrology.constellation.suspects import Account, Suspects, suspects_of
from tests.metrology.constellation.arches import (
    SHAPES,
    Random,
    arch,
    direction,
    drifted,
    motion,
    one_off,
    seen,
)

COUNTS = (4, 5, 6, 8)
NOISES = ((0.005, 0.06), (0.030, 0.20))


@dataclass(frozen=True, slots=True)
class Case:
    """What is wrong: one site by off_mm, and a drift of at most drift_mm."""

    name: str
    off_mm: float = 0.0
    least_drift_mm: float = 0.0
    drift_mm: float = 0.0


CASES = (
    Case("nothing"),
    Case("one 0.10 mm", off_mm=0.10),
    Case("one 0.25 mm", off_mm=0.25),
    Case("one 0.30 mm", off_mm=0.30),
    Case("drift 0.1-0.5 mm", least_drift_mm=0.1, drift_mm=0.5),
    Case("one 0.30 mm, drift to 0.3 mm", off_mm=0.30, least_drift_mm=0.05, drift_mm=0.3),
)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--runs", type=int, default=25, help="per shape, count of sites, noise and case")
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    cells = list(_cells(asked.runs, asked.seed))
    json.dump(
        {"runs_per_shape": asked.runs, "seed": asked.seed, "shapes": SHAPES, "cells": cells},
        sys.stdout,
        indent=1,
    )
    print()


def _cells(runs: int, seed: int) -> Iterator[dict[str, object]]:
    for number, case in enumerate(CASES):
        for n in COUNTS:
            for noise_mm, noise_deg in NOISES:
                rng = np.random.default_rng([seed, number, n, round(noise_mm * 1e6)])
                told: Counter[str] = Counter()
                named: Counter[str] = Counter()
                started = time.process_time()
                for shape in SHAPES:
                    for _ in range(runs):
                        words = _one_run(rng, case, n, shape, noise_mm, noise_deg)
                        told.update(words)
                        named[shape] += "right" in words
                total = runs * len(SHAPES)
                yield {
                    "case": case.name,
                    "sites": n,
                    "noise_mm": noise_mm,
                    "noise_deg": noise_deg,
                    "runs": total,
                    "counts": dict(sorted(told.items())),
                    "named_by_shape": dict(named),
                    "cpu_ms": round((time.process_time() - started) / total * 1000.0, 1),
                }


def _one_run(rng: Random, case: Case, n: int, shape: str, noise_mm: float, noise_deg: float) -> list[str]:
    exact = arch(rng, n, shape)
    wrong, site, shift = _spoilt(rng, exact, case)
    found = suspects_of(Paired(seen(rng, wrong, noise_mm, noise_deg), exact.moved(motion(rng))))
    if case.off_mm == 0.0:
        return [found.account.name.lower()]
    return [_word(found, site), *_about_site(found, site, shift)]


def _spoilt(rng: Random, exact: Poses, case: Case) -> tuple[Poses, int, np.ndarray]:
    wrong, site, shift = exact, -1, np.zeros(3)
    if case.drift_mm > 0.0:
        far = rng.uniform(case.least_drift_mm, case.drift_mm)
        wrong = drifted(rng, wrong, far, rng.uniform(1.0, 1.5), turning=bool(rng.integers(2)))
    if case.off_mm > 0.0:
        site, shift = int(rng.integers(len(exact))), case.off_mm * direction(rng)
        wrong = one_off(wrong, site, shift)
    return wrong, site, shift


def _word(found: Suspects, site: int) -> str:
    """right, wrong: one named. either: the right one among few. Else what was told."""
    if found.account is Account.ONE:
        return "right" if found.named == (site,) else "wrong"
    if found.account is Account.EITHER and site not in found.named:
        return "wrong"
    return found.account.name.lower()


def _about_site(found: Suspects, site: int, shift: np.ndarray) -> Iterator[str]:
    """best_site_right: the likeliest single site is the right one. site_told: it alone is in question, be it named or be a
    bent arch not excluded. within_u95: its shift is as stated."""
    if int(np.argmax(found.share_site)) == site:
        yield "best_site_right"
    if found.named == (site,):
        yield "site_told"
    off = found.displacements[site]
    if np.linalg.norm(off.shift_mm - shift) < off.u95_shift_mm:
        yield "within_u95"


if __name__ == "__main__":
    main()
