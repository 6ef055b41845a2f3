"""`python3 -m server …` on a machine with nothing but Python: makes the environment once, then runs archproof in it.

Only the standard library is used here. `python3 -m server test …` runs the tests (and installs what they need);
everything else is handed to the command `archproof`. The environment lies in .venv beside this folder.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
LOCK = ROOT / "requirements.txt"
TEST_LOCK = ROOT / "tests" / "requirements.txt"
ONE_THREAD_EACH = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""Test processes fill the cores by themselves; threads of linear algebra would only wait for one another there."""


def main(arguments: list[str]) -> int:
    if sys.version_info < (3, 11):  # noqa: UP036 - said in words to whoever starts us with an older one
        sys.exit(f"archproof needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    wants_tests = arguments[:1] == ["test"]
    python = _environment(TEST_LOCK if wants_tests else LOCK)
    if wants_tests:
        tests = [str(python), "-m", "pytest", *_side_by_side(arguments[1:])]
        return subprocess.call(tests, cwd=ROOT, env=ONE_THREAD_EACH | os.environ)
    command = [str(python), "-m", "server.cli", *(arguments or ["--help"])]
    if os.name == "posix":
        os.execv(command[0], command)
    return subprocess.call(command)


def _side_by_side(options: list[str]) -> list[str]:
    """pytest's options, with one process per core (four at most) where the caller does not say how many. Files are handed
    out whole, in the order that tests/conftest.py gives them."""
    cores = min(os.cpu_count() or 1, 4)
    said = any(option.startswith(("-n", "--numprocesses", "--pdb", "--collect-only")) for option in options)
    by_file = ["-n", str(cores), "--dist", "loadfile", "--no-loadscope-reorder"]
    return options if said or cores < 2 else [*by_file, *options]


def _environment(lock: Path) -> Path:
    """The environment's Python, with everything in the lock file installed, hashes checked."""
    python = ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    if not python.exists():
        print("Making the environment in .venv …", flush=True)  # noqa: T201
        try:
            venv.create(ENVIRONMENT, with_pip=True)
        except subprocess.CalledProcessError:
            sys.exit("Python's venv module cannot install pip here; on Debian: apt-get install python3-venv.")
    stamp = ENVIRONMENT / f".installed-{lock.parent.name}"
    digest = hashlib.sha256(lock.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if not stamp.exists() or stamp.read_text() != digest:
        print("Installing what is needed (once, a few minutes) …", flush=True)  # noqa: T201
        pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run([*pip, "--require-hashes", "-r", str(lock)], check=True)
        subprocess.run([*pip, "--no-deps", "--no-build-isolation", "-e", str(ROOT)], check=True)
        stamp.write_text(digest)
    return python


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except subprocess.CalledProcessError as failed:
        sys.exit(
            f"Installing failed (exit {failed.returncode}); the lines above say why. Nothing else was changed."
        )
