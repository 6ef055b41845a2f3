"""What a running process uses, read from the system where it tells."""

from __future__ import annotations

import logging
import os
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Use:
    """cpu_s: processor time since the process began, all its threads; memory_bytes: resident."""

    cpu_s: float
    memory_bytes: int


def use_of(pid: int | None) -> Use | None:
    """What the process uses; None where it is gone or the system does not tell (only Linux does, by proc(5))."""
    if not sys.platform.startswith("linux"):
        _say_once()
        return None
    try:
        folder = Path("/proc") / str(pid)
        fields = folder.joinpath("stat").read_text().rpartition(")")[2].split()
        resident_pages = int(folder.joinpath("statm").read_text().split()[1])
    except (OSError, IndexError):
        return None
    ticks = int(fields[11]) + int(fields[12])
    return Use(ticks / os.sysconf("SC_CLK_TCK"), resident_pages * os.sysconf("SC_PAGE_SIZE"))


@cache
def _say_once() -> None:
    log.warning("Memory and processor time of measuring children are not watched on %s.", sys.platform)
