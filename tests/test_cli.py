"""What the command line loads, and which commands it has."""

from __future__ import annotations

import subprocess
import sys

import pytest


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("heavy", ["seed_data", "httpx", "scipy.stats", "fastapi", "sqlalchemy"])
def test_a_check_does_not_wait_for_what_other_commands_need(heavy: str) -> None:
    asked = f"import sys, server.cli; sys.exit({heavy!r} in sys.modules)"
    assert _run("-c", asked).returncode == 0


def test_commands_that_lie_elsewhere_are_listed_and_explained() -> None:
    shown = _run("-m", "server.cli", "--help").stdout
    for name in ("check", "release", "serve", "worker", "bodies", "rules", "version", "phantom", "send"):
        assert f" {name} " in shown
    assert "--to" in _run("-m", "server.cli", "send", "--help").stdout
    wrong = _run("-m", "server.cli", "chekc")
    assert (wrong.returncode, "No such command" in wrong.stderr) == (2, True)
