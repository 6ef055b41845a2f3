"""Sending a file to a portal that runs as a process of its own, beside writing the same bytes with fsync."""

from __future__ import annotations

import base64
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests.bench.timing import Figure, peak_mb
from tests.portal.house import CLINIC, open_house

MB = 1_000_000
PART_BYTES = 8 * MB
SIZES_MB, LARGE_MB = (10, 100), 1000
REPEATS = 3


def figures(folder: Path, *, is_large: bool) -> Iterator[Figure]:
    home = folder / "uploads"
    shutil.rmtree(home, ignore_errors=True)
    house = open_house(home, max_record_bytes=2_000 * MB)
    cases = [house.case() for _ in range(8)]
    house.portal.database.close()
    with _portal(home) as (address, pid):
        client = httpx.Client(
            base_url=address,
            timeout=600.0,
            headers={"Authorization": f"Bearer {house.tokens[CLINIC]}", "Tus-Resumable": "1.0.0"},
        )
        _send(client, cases[0], 1)
        yield _speed(client, cases[1], home)
        yield _flatness(client, cases[2:], pid, (*SIZES_MB, *((LARGE_MB,) if is_large else ())))
    shutil.rmtree(home, ignore_errors=True)


def _speed(client: httpx.Client, case_id: str, home: Path) -> Figure:
    size_mb, sent, written = 64, [], []
    for _ in range(REPEATS):
        sent.append(_send(client, case_id, size_mb))
        written.append(_write(home / "written", size_mb))
    ours, disk = size_mb / sorted(sent)[1], size_mb / sorted(written)[1]
    shown = {"upload_mb_s": ours, "fsync_mb_s": disk, "size_mb": size_mb}
    return Figure("upload ÷ writing with fsync", ours / disk, "×", 0.5, is_least=True, shown=shown)


def _flatness(client: httpx.Client, cases: list[str], pid: int, sizes_mb: tuple[int, ...]) -> Figure:
    peaks = {}
    for case_id, size_mb in zip(cases, sizes_mb, strict=False):
        _send(client, case_id, size_mb)
        peaks[f"peak_mb_after_{size_mb}"] = peak_mb(pid)
    first, last = peaks[f"peak_mb_after_{sizes_mb[0]}"], peaks[f"peak_mb_after_{sizes_mb[-1]}"]
    return Figure(
        f"portal memory, {sizes_mb[-1]} MB sent beyond {sizes_mb[0]} MB",
        last - first,
        "MB",
        32.0,
        shown=peaks,
    )


def _send(client: httpx.Client, case_id: str, size_mb: int) -> float:
    """Seconds from the first request to the answer that the last byte is safe."""
    part = os.urandom(MB) * (PART_BYTES // MB)
    said = {"filename": "jaw.stl", "unit": "mm", "role": "jaw", "case": case_id}
    pairs = ",".join(f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in said.items())
    begun = time.perf_counter()
    made = client.post(
        "/api/v1/uploads", headers={"Upload-Length": str(size_mb * MB), "Upload-Metadata": pairs}
    )
    made.raise_for_status()
    offset = 0
    while offset < size_mb * MB:
        answer = client.patch(
            made.headers["location"],
            content=part[: size_mb * MB - offset],
            headers={"Upload-Offset": str(offset), "Content-Type": "application/offset+octet-stream"},
        )
        answer.raise_for_status()
        offset = int(answer.headers["upload-offset"])
    return time.perf_counter() - begun


def _write(path: Path, size_mb: int) -> float:
    block = os.urandom(MB)
    begun = time.perf_counter()
    with path.open("wb", buffering=0) as file:
        for _ in range(size_mb):
            file.write(block)
        os.fsync(file.fileno())
    seconds = time.perf_counter() - begun
    path.unlink()
    return seconds


@contextmanager
def _portal(home: Path) -> Iterator[tuple[str, int]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    words = ["serve", "--no-worker", "--data", str(home), "--port", str(port)]
    environment = {**os.environ, "ARCHPROOF_MAX_RECORD_BYTES": str(2_000 * MB)}
    with (home / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "server.cli", *words],
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment,
        )
        try:
            _wait(f"http://127.0.0.1:{port}/sign-in", process, home / "log")
            yield f"http://127.0.0.1:{port}", process.pid
        finally:
            process.terminate()
            process.wait(timeout=30)


def _wait(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    for _ in range(300):
        if process.poll() is not None:
            break
        try:
            httpx.get(url, timeout=2.0)
            return
        except httpx.TransportError:
            time.sleep(0.2)
    raise RuntimeError("the portal did not start: " + log.read_text(errors="replace")[-2000:])
