"""Figures, and times to be compared that are taken in turn, so that a busy machine disturbs both alike."""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Figure:
    """One measured number beside what it should reach. budget: None where there is none; shown: what it came of."""

    name: str
    value: float
    unit: str
    budget: float | None = None
    is_least: bool = False
    shown: Mapping[str, Any] = field(default_factory=dict)

    @property
    def holds(self) -> bool | None:
        if self.budget is None:
            return None
        return self.value >= self.budget if self.is_least else self.value <= self.budget

    def row(self) -> dict[str, Any]:
        bound = None if self.budget is None else f"{'≥' if self.is_least else '≤'} {self.budget:g}"
        return {
            "name": self.name,
            "value": round(self.value, 4),
            "unit": self.unit,
            "budget": bound,
            "holds": self.holds,
            **{key: _rounded(value) for key, value in self.shown.items()},
        }


def _rounded(value: Any) -> Any:
    return round(value, 5) if isinstance(value, float) else value


def least_times_s(doings: Mapping[str, Callable[[], object]], *, repeats: int) -> dict[str, float]:
    """The least time of each, which other work has disturbed least; taken in turn, after one run that does not count."""
    taken: dict[str, list[float]] = {name: [] for name in doings}
    for turn in range(repeats + 1):
        for name, do in doings.items():
            gc.collect()
            begun = time.perf_counter()
            do()
            if turn:
                taken[name].append(time.perf_counter() - begun)
    return {name: min(times) for name, times in taken.items()}


def p95(values: list[float]) -> float:
    return float(np.quantile(values, 0.95))


def peak_mb(pid: int) -> float:
    """The most memory a process has held since it began to run its own program."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1000.0
    raise LookupError("the system tells no peak of memory")
