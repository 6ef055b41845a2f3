"""Measuring in a supervised child: a hostile file may cost it its life, never the portal's.

Each task gets a process of its own, forked from a server that has the measuring code loaded, with limits on address
space, processor time and files; the parent watches the clock. A child that dies or overruns answers with file/too-heavy.
"""

from __future__ import annotations

import multiprocessing
import resource
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from threading import BoundedSemaphore

from server.errors import ArchproofError
from server.measures.measure import Measurement

Measuring = Callable[..., tuple[Measurement, ...]]


class ChildFailed(ArchproofError):
    """The child gave no answer. `code`: memory, time, or died."""

    code = "died"


@dataclass(frozen=True, slots=True)
class ChildLimits:
    memory_bytes: int
    wall_s: float
    cpu_s: int


_context: ForkServerContext = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(["server.inspection.warm"])


class Children:
    """Runs measuring functions, a few at a time."""

    def __init__(self, limits: ChildLimits, at_once: int) -> None:
        self._limits = limits
        self._turns = BoundedSemaphore(at_once)

    def run(self, function: Measuring, *arguments: object) -> tuple[Measurement, ...]:
        """The function's answer. Raises ChildFailed."""
        with self._turns:
            return _run(self._limits, function, arguments)


def _run(limits: ChildLimits, function: Measuring, arguments: tuple[object, ...]) -> tuple[Measurement, ...]:
    ours, theirs = _context.Pipe(duplex=False)
    child = _context.Process(target=_work, args=(theirs, limits, function, arguments), daemon=True)
    child.start()
    theirs.close()
    try:
        if not ours.poll(limits.wall_s):
            raise ChildFailed(f"Measuring took longer than {limits.wall_s:g} s.", code="time")
        answer = ours.recv()
    except EOFError as fault:
        raise ChildFailed("Measuring was ended by the system.") from fault
    finally:
        ours.close()
        child.kill()
        child.join()
    if isinstance(answer, str):
        raise ChildFailed("Measuring takes more memory than is allowed.", code=answer)
    made: tuple[Measurement, ...] = answer
    return made


def _work(pipe: Connection, limits: ChildLimits, function: Measuring, arguments: tuple[object, ...]) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (limits.memory_bytes, limits.memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (limits.cpu_s, limits.cpu_s + 5))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        pipe.send(function(*arguments))
    except MemoryError:
        pipe.send("memory")
    finally:
        pipe.close()
