"""`archproof send` as a clinic runs it: a process of its own against a portal that runs as another."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.portal.house import CLINIC, waves
from tests.portal.running import ROOT, Running, open_running
from tests.rules.good_set import GOOD_FORM

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    made = open_running(tmp_path_factory.mktemp("portal"), job_poll_s="0.3")
    made.start()
    yield made
    made.close()


def send(
    running: Running, folder: Path, *options: str, token: str | None = None
) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-m", "server.cli", "send", str(folder), "--to", running.url, *options]
    environment = {**os.environ, "ARCHPROOF_TOKEN": running.tokens[CLINIC] if token is None else token}
    return subprocess.run(
        words, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("case")
    (made / "opposing.stl").write_bytes(waves(3, n=60))
    (made / "jaw.stl").write_bytes(waves(4, n=60)[:5000])
    records = [{"role": role, "file": f"{role}.stl", "unit": "mm"} for role in ("jaw", "opposing")]
    (made / "case.json").write_text(json.dumps({**GOOD_FORM, "records": records}))
    return made


def test_the_verdict_comes_back_and_a_mended_file_changes_it(running: Running, folder: Path) -> None:
    first = send(running, folder)
    assert first.returncode == 20, first.stderr
    assert first.stdout.startswith("RETURN: ")
    assert "file/truncated" in first.stdout
    assert "jaw.stl: sent, 5000 bytes" in first.stderr
    (folder / "jaw.stl").write_bytes(waves(4, n=60))
    second = send(running, folder)
    assert "file/truncated" not in second.stdout, second.stderr
    assert "opposing.stl: sent" not in second.stderr
    assert running.one("select count(*) from cases") == 1


def test_without_a_token_nothing_is_sent(running: Running, folder: Path) -> None:
    refused = send(running, folder, token="")
    assert refused.returncode == 30
    assert "ARCHPROOF_TOKEN" in refused.stderr
    assert refused.stdout == ""


def test_a_wrong_token_is_refused_in_words(running: Running, folder: Path) -> None:
    refused = send(running, folder, token="x" * 40)
    assert refused.returncode == 30
    assert "token" in refused.stderr.lower()
