"""Measuring in a supervised child: a hostile file may cost it its life, never the portal's.

A pool keeps a few processes warm. One keeper thread starts them, watches wall clock, processor time and memory of
each busy one, kills what overruns and puts another in its place. Who waits for an answer waits on a pipe, and a
killed child's pipe ends: nobody waits for ever.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import pickle
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from threading import Condition, Thread
from types import TracebackType
from typing import ParamSpec, Self, TypeVar

from server.errors import ArchproofError
from server.inspection.answers import read_answer
from server.inspection.confined import Answer, Confinement, live
from server.inspection.watch import Use, use_of

log = logging.getLogger(__name__)

P = ParamSpec("P")
R = TypeVar("R")

START_S = 600.0
"""A first start compiles for a minute or two, longer on a machine that has other work."""
START_AGAIN_S = 0.5
WATCH_EVERY_S = 0.02
THREADS_OF_ALGEBRA = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
ANSWER_BYTES_LIMIT = 512 * 1024**2


class ChildLost(ArchproofError):
    """The child gave no answer: what it was given is too heavy for it, or broke it."""

    code = "child-lost"


class ChildTimedOut(ChildLost):
    code = "child-timed-out"


class ChildOutOfMemory(ChildLost):
    code = "child-out-of-memory"


class ChildDied(ChildLost):
    code = "child-died"


class ChildrenUnavailable(ArchproofError):
    """No child could look at it: the pool is closed, or none could be started. Says nothing of what was given."""

    code = "children-unavailable"


class ChildFailed(ArchproofError):
    """The function raised an exception. type_name: its class; `says`: its words."""

    code = "child-failed"

    def __init__(self, type_name: str, says: str) -> None:
        super().__init__(says or type_name)
        self.type_name = type_name


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """memory_bytes: resident memory of the whole child; wall_s, cpu_s: of one task."""

    memory_bytes: int
    wall_s: float
    cpu_s: float


class _Child:
    """A process, our end of its pipe, and what the keeper knows of its task."""

    def __init__(self, process: BaseProcess, pipe: Connection) -> None:
        self.process = process
        self.pipe = pipe
        self.is_ready = False
        self.is_spent = False
        self.deadline: float | None = None
        self.used_before = Use(0.0, 0)
        self.cause: ChildLost | ChildrenUnavailable | None = None

    def kill(self, cause: ChildLost | ChildrenUnavailable) -> None:
        if self.cause is None:
            self.cause = cause
        self.process.kill()


class ChildPool:
    """Runs functions in up to `size` children at once; safe to call from many threads.

    warm_up: called once in each new child, before it confines itself; a function that can be imported by name.
    """

    def __init__(self, size: int, limits: ChildLimits, warm_up: Callable[[], None] | None = None) -> None:
        self._limits = limits
        self._warm_up = warm_up
        self._size = size
        self._scratch = ""
        self._changed = Condition()
        self._children: list[_Child] = []
        self._free: list[_Child] = []
        self._n_lacking = 0
        self._is_closed = False
        self._start_fault: str | None = None
        self._keeper: Thread | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def run(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """The function's answer. Waits for a free child. Function, arguments and answer are pickled.

        Raises: ChildTimedOut, ChildOutOfMemory, ChildDied; ChildFailed where the function raised an exception;
        ChildrenUnavailable where no child could begin, or the pool was closed meanwhile.
        """
        if kwargs:
            raise TypeError("a child takes positional arguments alone")
        task = pickle.dumps((function, args), protocol=pickle.HIGHEST_PROTOCOL)
        child = self._taken()
        try:
            self._await_start(child)
            answer = self._asked(child, task)
        finally:
            self._give_back(child)
        if answer.is_out_of_memory:
            raise ChildOutOfMemory("Measuring takes more memory than is allowed.")
        if answer.fault:
            raise ChildFailed(answer.fault, answer.says)
        value: R = answer.value
        return value

    def start(self) -> None:
        """Starts the children now, for who will need them in a moment; without it the first task does."""
        with self._changed:
            self._open()

    def close(self) -> None:
        """Ends every child, busy ones too: who waits for them gets ChildrenUnavailable. May be called twice."""
        with self._changed:
            self._is_closed = True
            self._changed.notify_all()
        if self._keeper is not None:
            self._keeper.join()
            shutil.rmtree(self._scratch, ignore_errors=True)

    def _open(self) -> None:
        """Nothing is started before the first task."""
        if self._keeper is None and not self._is_closed:
            self._scratch = tempfile.mkdtemp(prefix="measuring-")
            self._n_lacking = self._size
            self._keeper = Thread(target=self._keep, name="keeper of measuring children", daemon=True)
            self._keeper.start()

    def _taken(self) -> _Child:
        with self._changed:
            self._open()
            while True:
                self._changed.wait_for(lambda: self._is_closed or self._free or self._start_fault)
                if self._is_closed:
                    raise ChildrenUnavailable("The measuring children are closed.")
                if not self._free:
                    words, self._start_fault = self._start_fault, None
                    raise ChildrenUnavailable(f"A measuring child could not start: {words}")
                child = self._free.pop()
                if not child.is_ready or child.process.is_alive():
                    return child
                self._retire(child)

    def _await_start(self, child: _Child) -> None:
        if child.is_ready:
            return
        try:
            started = self._watched(child, START_S, None)
        except ChildLost as lost:
            raise ChildrenUnavailable(f"A measuring child could not start: {lost.says}") from lost
        if started.fault:
            child.is_spent = True
            raise ChildrenUnavailable(f"A measuring child could not start: {started.fault}: {started.says}")
        child.is_ready = True

    def _asked(self, child: _Child, task: bytes) -> Answer:
        answer = self._watched(child, self._limits.wall_s, task)
        child.is_spent = answer.is_out_of_memory
        return answer

    def _watched(self, child: _Child, wall_s: float, task: bytes | None) -> Answer:
        """The next answer of a child, while the keeper watches it. Raises ChildLost."""
        with self._changed:
            child.used_before = use_of(child.process.pid) or Use(0.0, 0)
            child.deadline = time.monotonic() + wall_s
            self._changed.notify_all()
        try:
            if task is not None:
                child.pipe.send_bytes(task)
            return read_answer(child.pipe.recv_bytes(ANSWER_BYTES_LIMIT))
        except (EOFError, OSError) as fault:
            child.is_spent = True
            child.process.join(1.0)
            raise child.cause or ChildDied("Measuring ended without an answer.") from fault
        except pickle.UnpicklingError as fault:
            child.is_spent = True
            raise ChildDied("Measuring gave an answer that is not one.") from fault
        except BaseException:
            child.is_spent = True
            raise
        finally:
            with self._changed:
                child.deadline = None

    def _give_back(self, child: _Child) -> None:
        with self._changed:
            if child.is_spent or child.cause is not None:
                self._retire(child)
            else:
                self._free.append(child)
            self._changed.notify_all()

    def _retire(self, child: _Child) -> None:
        self._children.remove(child)
        self._n_lacking += 1
        child.process.kill()
        child.pipe.close()
        self._changed.notify_all()

    def _keep(self) -> None:
        """The keeper's life. It alone starts children: Linux ends a child with the thread that started it."""
        while True:
            with self._changed:
                if self._is_closed:
                    break
                n_lacking, self._n_lacking = self._n_lacking, 0
                busy = [child for child in self._children if child.deadline is not None]
                if not n_lacking and not busy:
                    self._changed.wait()
                    continue
            self._start_all(n_lacking)
            with self._changed:
                for child in busy:
                    self._check(child)
                self._changed.wait(WATCH_EVERY_S)
        with self._changed:
            left = list(self._children)
        for child in left:
            child.kill(ChildrenUnavailable("The measuring children were closed."))
        for child in left:
            child.process.join()

    def _start_all(self, n: int) -> None:
        for n_started in range(n):
            try:
                self._start()
            except (OSError, RuntimeError) as fault:
                log.error("A measuring child could not start: %s", fault)
                with self._changed:
                    self._start_fault = f"{fault}"
                    self._n_lacking += n - n_started
                    self._changed.notify_all()
                time.sleep(START_AGAIN_S)
                return

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        confinement = Confinement(self._limits.memory_bytes, self._limits.cpu_s, self._scratch, self._warm_up)
        process = context.Process(target=live, args=(theirs, confinement), daemon=True)
        with _one_thread_each():
            process.start()
        theirs.close()
        child = _Child(process, ours)
        with self._changed:
            self._children.append(child)
            self._free.append(child)
            self._changed.notify_all()

    def _check(self, child: _Child) -> None:
        if child.deadline is None:
            return
        if time.monotonic() > child.deadline:
            child.kill(ChildTimedOut(f"Measuring took longer than {self._limits.wall_s:g} s."))
        use = use_of(child.process.pid)
        if use is None or not child.is_ready:
            return
        if use.memory_bytes > self._limits.memory_bytes:
            child.kill(ChildOutOfMemory("Measuring takes more memory than is allowed."))
        elif use.cpu_s - child.used_before.cpu_s > self._limits.cpu_s:
            child.kill(ChildTimedOut(f"Measuring took more than {self._limits.cpu_s:g} s of processor time."))


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Children started meanwhile do linear algebra in one thread: there is one child for each core, and small matrices
    gain nothing from more. The keeper alone starts children, so nobody else sees the change."""
    before = {name: os.environ.get(name) for name in THREADS_OF_ALGEBRA}
    os.environ.update(dict.fromkeys(THREADS_OF_ALGEBRA, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


__all__ = [
    "ChildDied",
    "ChildFailed",
    "ChildLimits",
    "ChildLost",
    "ChildOutOfMemory",
    "ChildPool",
    "ChildTimedOut",
    "ChildrenUnavailable",
]
