"""The inside of a supervised child: its limits, what it refuses to do, and the loop in which it answers.

The refusals are a Python audit hook. They hold for what Python code does by name: sockets, processes, files written
outside two folders. They do not hold against machine code: a flaw in a compiled library that a hostile file turned
into code of its own calls the system directly, and no hook hears of it; nor do they keep the child from reading files.
For that, run the service as a user of its own, without network, under the operating system's own confinement.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import pickle
import signal
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

log = logging.getLogger(__name__)

FILE_BYTES_LIMIT = 256 * 1024**2
ADDRESS_SPARE_BYTES = 1024**3
"""Address space beyond the memory allowed: threads and libraries reserve far more than they use."""
WORDS_LIMIT = 2_000
_PR_SET_PDEATHSIG = 1

_NEVER = (
    "socket.",
    "subprocess.",
    "os.exec",
    "os.posix_spawn",
    "os.spawn",
    "os.system",
    "os.fork",
    "os.startfile",
    "os.kill",
    "pty.spawn",
)
_CHANGES_FILES = frozenset(
    {
        "os.rename",
        "os.remove",
        "os.link",
        "os.symlink",
        "os.mkdir",
        "os.rmdir",
        "os.truncate",
        "os.chmod",
        "os.chown",
        "os.setxattr",
        "os.utime",
        "shutil.rmtree",
    }
)
_HAVE_TWO_PATHS = frozenset({"os.rename", "os.link"})
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


@dataclass(frozen=True, slots=True)
class Confinement:
    """What a child is given. memory_bytes: all it may hold; cpu_s: processor time of one task; scratch: its folder."""

    memory_bytes: int
    cpu_s: float
    scratch: str
    warm_up: Callable[[], None] | None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a child says after a task, or after its start: a value, or the exception that was raised."""

    value: Any = None
    fault: str = ""
    says: str = ""
    is_out_of_memory: bool = False


def live(pipe: Connection, confinement: Confinement) -> None:
    """A child's life: warms up, confines itself, then answers one task after the other until the pipe ends."""
    _prepare(confinement.scratch)
    try:
        if confinement.warm_up is not None:
            confinement.warm_up()
        _limit(confinement)
        sys.addaudithook(refusing(writable_folders(confinement.scratch)))
    except Exception as fault:  # noqa: BLE001 - told to the parent, which raises it
        pipe.send_bytes(pickle.dumps(_failed(fault)))
        return
    pipe.send_bytes(pickle.dumps(Answer()))
    while True:
        try:
            task = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        _allow_processor_time(confinement.cpu_s)
        pipe.send_bytes(_answered(task))


def _answered(task: bytes) -> bytes:
    try:
        function, arguments = pickle.loads(task)
        return pickle.dumps(Answer(value=function(*arguments)), protocol=pickle.HIGHEST_PROTOCOL)
    except Exception as fault:  # noqa: BLE001 - told to the parent, which raises it
        return pickle.dumps(_failed(fault))


def _failed(fault: Exception) -> Answer:
    words = f"{fault}"[:WORDS_LIMIT]
    return Answer(fault=type(fault).__name__, says=words, is_out_of_memory=isinstance(fault, MemoryError))


def _prepare(scratch: str) -> None:
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(nothing)
    os.environ["TMPDIR"] = tempfile.tempdir = scratch
    sys.dont_write_bytecode = True
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _die_with_parent()


def _die_with_parent() -> None:
    """Beside the end of the pipe, which an idle child sees: on Linux the system ends a busy one too."""
    if not sys.platform.startswith("linux"):
        log.info("A busy measuring child cannot be tied to its parent on %s.", sys.platform)
        return
    import ctypes

    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    parent = multiprocessing.parent_process()
    if parent is not None and parent.pid != os.getppid():
        os._exit(0)  # it died before it could be tied to


def _limit(confinement: Confinement) -> None:
    try:
        import resource
    except ImportError:
        log.warning("Limits on files, cores and addresses are not available on %s.", sys.platform)
        return
    _lower(resource.RLIMIT_CORE, 0)
    _lower(resource.RLIMIT_FSIZE, FILE_BYTES_LIMIT)
    held = _address_space_bytes()
    if held is None:
        log.info("The address space of a measuring child is not limited on %s.", sys.platform)
        return
    _lower(resource.RLIMIT_AS, held + confinement.memory_bytes + ADDRESS_SPARE_BYTES)


def _lower(kind: int, most: int) -> None:
    """Sets a limit, or leaves it where whoever started us has set a lower one."""
    import resource

    hard = resource.getrlimit(kind)[1]
    lower = most if hard == resource.RLIM_INFINITY else min(most, hard)
    resource.setrlimit(kind, (lower, lower))


def _address_space_bytes() -> int | None:
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
    except OSError:
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")


def _allow_processor_time(cpu_s: float) -> None:
    """The system's own limit behind the parent's watch; it counts from the child's birth, so it is moved each time."""
    try:
        import resource
    except ImportError:
        return
    used = resource.getrusage(resource.RUSAGE_SELF)
    soft, hard = int(used.ru_utime + used.ru_stime + cpu_s) + 2, resource.getrlimit(resource.RLIMIT_CPU)[1]
    if hard == resource.RLIM_INFINITY or soft < hard:
        resource.setrlimit(resource.RLIMIT_CPU, (soft, hard))


def writable_folders(scratch: str) -> tuple[str, ...]:
    """Where a child may write: its scratch folder, and the caches of compiled code."""
    caches = [Path.home() / ".cache" / "numba", *Path(__file__).parents[1].rglob("__pycache__")]
    if os.environ.get("NUMBA_CACHE_DIR"):
        caches.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    return tuple(os.path.realpath(folder) for folder in map(str, (scratch, *caches)))


def refusing(folders: tuple[str, ...]) -> Callable[[str, tuple[Any, ...]], None]:
    """The audit hook. Raises PermissionError for what a measuring child never does."""

    def refuse(event: str, arguments: tuple[Any, ...]) -> None:
        if event.startswith(_NEVER):
            raise PermissionError(f"{event} is refused while measuring")
        if event == "open" and not arguments[2] & _WRITING:
            return
        if event == "open" or event in _CHANGES_FILES:
            for path in arguments[: 2 if event in _HAVE_TWO_PATHS else 1]:
                _check_path(path, folders, event)

    return refuse


def _check_path(path: Any, folders: tuple[str, ...], event: str) -> None:
    if not isinstance(path, str | bytes):
        return
    real = os.path.realpath(os.fsdecode(path))
    if real == os.devnull or any(real == folder or real.startswith(folder + os.sep) for folder in folders):
        return
    raise PermissionError(f"{event} outside the scratch folder is refused while measuring")
