"""What the children of these tests are asked to do: good work, and everything they must not do."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any


def add(a: int, b: int) -> int:
    return a + b


def variable(name: str) -> str | None:
    return os.environ.get(name)


def pid() -> int:
    return os.getpid()


def fail(words: str) -> None:
    raise LookupError(words)


def unpicklable() -> Any:
    return lambda: 0


def foreign() -> Any:
    return Path("/")


def busy() -> None:
    while True:
        pass


def sleep(seconds: float) -> float:
    time.sleep(seconds)
    return seconds


def hold(n_bytes: int) -> int:
    """Takes memory piece by piece and touches every page."""
    held = []
    for _ in range(n_bytes >> 22):
        held.append(bytearray(b"\x01") * (1 << 22))
        time.sleep(0.001)
    return len(held)


def ask_at_once(n_bytes: int) -> int:
    return len(bytearray(n_bytes))


def leave() -> None:
    os._exit(0)


def crash() -> None:
    signal.raise_signal(signal.SIGSEGV)


def connect() -> None:
    with socket.socket() as line:
        line.connect(("127.0.0.1", 9))


def bind() -> None:
    with socket.socket() as line:
        line.bind(("127.0.0.1", 0))


def run_a_program() -> None:
    subprocess.run([sys.executable, "-c", ""], check=True)


def system() -> None:
    os.system("true")


def execute() -> None:
    os.execv(sys.executable, [sys.executable, "-c", ""])


def spawn() -> None:
    os.posix_spawn(sys.executable, [sys.executable, "-c", ""], {})


def fork() -> None:
    if os.fork() == 0:
        os._exit(0)


def kill_parent() -> None:
    os.kill(os.getppid(), 0)


def write(path: str) -> None:
    Path(path).write_text("x")


def write_low(path: str) -> None:
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY))


def remove(path: str) -> None:
    os.remove(path)


def move_out(path: str) -> None:
    with tempfile.NamedTemporaryFile(delete=False) as file:
        os.replace(file.name, path)


def through_a_link(path: str) -> None:
    link = Path(tempfile.gettempdir()) / "link"
    os.symlink(path, link)
    link.write_text("x")


def scratch() -> bytes:
    with tempfile.NamedTemporaryFile() as file:
        file.write(b"kept")
        file.flush()
        return Path(file.name).read_bytes()


def standard_input() -> bytes:
    return os.read(0, 10)


def core_limit() -> int:
    import resource

    return resource.getrlimit(resource.RLIMIT_CORE)[0]


def fill_a_file() -> None:
    with tempfile.TemporaryFile() as file:
        for _ in range(300):
            file.write(bytes(1 << 20))


def break_at_start() -> None:
    raise RuntimeError("cannot warm up")


def hang_at_start() -> None:
    time.sleep(600)
