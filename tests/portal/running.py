"""A portal that runs as a process of its own on a data folder, can be killed at any moment and started again, and whose
state is read from its database and its files by other means than its own code."""

from __future__ import annotations

import hashlib
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from seed_data.demo import load_scenario
from server.accounts.tokens import actor_of_token
from server.app import open_portal
from server.kit.settings import Settings
from server.review.bodies import ArrivedBody, add_bodies
from tests.portal.house import CLINIC, LAB, PASSWORD, open_house

ROOT = Path(__file__).resolve().parents[2]
START_S = 120.0
SOON_S = 200.0
"""A verdict under a test may wait for a machine that has other work; a test that waits so long has failed."""
PART = {"Tus-Resumable": "1.0.0", "Content-Type": "application/offset+octet-stream"}


@dataclass
class Running:
    """The folder, and the process on it while there is one."""

    folder: Path
    tokens: dict[str, str]
    settings: dict[str, str]
    port: int
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0
    csrf: dict[str, str] = field(default_factory=dict)
    browsers: dict[str, httpx.Client] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> Path:
        return self.folder / "portal.log"

    @property
    def data(self) -> Path:
        return self.folder / "data"

    @property
    def pid(self) -> int:
        assert self.process is not None
        return self.process.pid

    def start(self) -> None:
        """Starts the portal and waits until it answers."""
        command = [
            sys.executable,
            "-m",
            "server.cli",
            "serve",
            "--port",
            str(self.port),
            "--data",
            str(self.data),
        ]
        environment = {**os.environ, **{f"ARCHPROOF_{k.upper()}": v for k, v in self.settings.items()}}
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                command, cwd=ROOT, stdout=log, stderr=log, env=environment, start_new_session=True
            )
        self.starts += 1
        wait_for(self._answers, START_S, lambda: self.log.read_text(errors="replace")[-3000:])

    def _answers(self) -> bool:
        if self.process is not None and self.process.poll() is not None:
            raise RuntimeError(self.log.read_text(errors="replace")[-3000:])
        try:
            return httpx.get(f"{self.url}/sign-in", timeout=5).status_code == 200
        except httpx.TransportError:
            return False

    def kill(self, *, whole_group: bool = True) -> None:
        """kill -9, of the process with its children or of the process alone; returns when it is gone."""
        assert self.process is not None
        if whole_group:
            os.killpg(self.process.pid, signal.SIGKILL)
        else:
            self.process.kill()
        self.process.wait(30)
        self.process = None

    def restart(self) -> None:
        self.kill()
        self.start()

    def close(self) -> None:
        """Ends what still runs, in good order."""
        for client in self.browsers.values():
            client.close()
        if self.process is not None:
            self.process.terminate()
            self.process.wait(30)

    def children(self) -> set[int]:
        """The measuring children: everything below the portal's process, the tracker of Python's own apart."""
        below = {self.pid}
        while more := {pid for pid, parent, _ in _processes() if parent in below} - below:
            below |= more
        words = {pid: command for pid, _, command in _processes()}
        return {pid for pid in below - {self.pid} if "resource_tracker" not in words.get(pid, "")}

    def rows(self, query: str, *values: object) -> list[Any]:
        """What the database holds, read past the portal."""
        base = sqlite3.connect(f"file:{self.data / 'archproof.db'}?mode=ro", uri=True, timeout=30)
        try:
            return base.execute(query, values).fetchall()
        finally:
            base.close()

    def one(self, query: str, *values: object) -> Any:
        ((value,),) = self.rows(query, *values)
        return value

    def blob(self, sha256: str) -> Path:
        return self.data / "store" / "blobs" / sha256[:2] / sha256[2:4] / sha256

    def scratch_bytes(self) -> int:
        return sum(p.stat().st_size for p in (self.data / "store" / ".scratch").iterdir())

    def browser(self, who: str) -> httpx.Client:
        """A signed-in client of the pages."""
        if who not in self.browsers:
            client = httpx.Client(base_url=self.url, timeout=60)
            answer = client.post("/sign-in", data={"email": who, "password": PASSWORD, "onward": "/"})
            assert answer.status_code == 303, answer.text
            found = re.search(r'data-csrf="([^"]+)"', client.get("/tokens").text)
            assert found is not None
            self.csrf[who], self.browsers[who] = found.group(1), client
        return self.browsers[who]

    def post(self, who: str, path: str, **fields: str) -> httpx.Response:
        return self.browser(who).post(path, data={"csrf_token": self.csrf[who], **fields})

    def new_case(self) -> str:
        answer = self.post(CLINIC, "/cases")
        assert answer.status_code == 303, answer.text
        return answer.headers["location"].split("/")[2]

    def ask(self, method: str, path: str, *, content: Any = None, **headers: str) -> httpx.Response:
        """A request as a program with the clinic's token makes it."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = {"Authorization": f"Bearer {self.tokens[CLINIC]}", "Tus-Resumable": "1.0.0"} | named
        return httpx.request(method, self.url + path, content=content, headers=sent, timeout=60)

    def begin(self, case_id: str, data: bytes, name: str, role: str = "") -> str:
        """The path of a new upload."""
        from base64 import b64encode

        said = {"filename": name, "case": case_id, "unit": "mm", "role": role}
        pairs = ",".join(f"{k} {b64encode(v.encode()).decode()}" for k, v in said.items() if v)
        answer = self.ask("POST", "/api/v1/uploads", Upload_Length=str(len(data)), Upload_Metadata=pairs)
        assert answer.status_code == 201, answer.text
        return str(answer.headers["location"])

    def patch(self, path: str, offset: int, content: bytes | Iterator[bytes]) -> httpx.Response:
        kind = "application/offset+octet-stream"
        return self.ask("PATCH", path, content=content, Upload_Offset=str(offset), Content_Type=kind)

    def offset(self, path: str) -> int:
        answer = self.ask("HEAD", path)
        assert answer.status_code == 200, answer.status_code
        return int(answer.headers["upload-offset"])

    def send(self, case_id: str, data: bytes, name: str, role: str = "") -> str:
        """Sends a whole file; the id of its record."""
        path = self.begin(case_id, data, name, role)
        answer = self.patch(path, 0, data)
        assert answer.status_code == 204, answer.text
        return str(self.one("select id from records where case_id = ?", case_id))

    def is_kept_once(self, case_id: str, data: bytes) -> bool:
        """Whether these bytes are one record of the case, and lie whole in the store."""
        sha256 = hashlib.sha256(data).hexdigest()
        kept = self.rows("select sha256, size_bytes from records where case_id = ?", case_id)
        on_disk = hashlib.sha256(self.blob(sha256).read_bytes()).hexdigest()
        return kept == [(sha256, len(data))] and on_disk == sha256

    def is_at_rest(self, case_id: str) -> bool:
        """Whether nothing of the case waits: every record measured and judged, no job left."""
        waiting = self.one(
            "select count(*) from records where case_id = ? and measuring in ('waiting', 'measuring')",
            case_id,
        )
        jobs = self.one("select count(*) from workflow_status where status in ('PENDING', 'ENQUEUED')")
        judged = self.one("select count(*) from judgements where case_id = ?", case_id)
        return bool(waiting == jobs == 0 < judged)

    def judged_rules(self, case_id: str) -> set[str]:
        """Where the report of the round at hand says return or look."""
        import json

        report = self.one(
            "select j.report from judgements j join rounds r on r.judgement_id = j.id where j.case_id = ? "
            "order by r.number desc limit 1",
            case_id,
        )
        findings = json.loads(report)["findings"]
        return {f["rule"] for f in findings if f["level"] in ("return", "look")}


def open_running(folder: Path, **settings: str) -> Running:
    """A portal with people and tokens in it that is not started yet."""
    house = open_house(folder / "data")
    house.portal.database.close()
    chosen = {"job_poll_s": "0.05", "measuring_processes": "1", "log_level": "WARNING", **settings}
    return Running(folder, dict(house.tokens), chosen, _free_port())


def add_bodies_to(made: Running, folder: Path) -> None:
    """The lab's catalogue of three invented bodies, as somebody of the lab would have added it before. folder: for their files."""
    portal = open_portal(Settings(data_dir=made.data, run_worker=False))
    lab = actor_of_token(portal, made.tokens[LAB])
    assert lab is not None
    arrived = []
    for body in load_scenario().bodies:
        path = folder / f"{body.entry.id}.stl"
        path.write_bytes(body.load())
        arrived.append(ArrivedBody(body.entry, path))
    add_bodies(portal, lab, arrived, lambda function, *given: function(*given))
    portal.database.close()


def wait_for(holds: Callable[[], bool], seconds: float = SOON_S, says: Callable[[], str] = str) -> None:
    """Returns once it holds, for what stays so once it has come: looks twenty times a second, to leave the processor to
    what is waited for. Raises AssertionError."""
    _wait(holds, seconds, 0.05, says)


def catch(holds: Callable[[], bool], seconds: float = SOON_S) -> None:
    """The same for a moment that passes: looks every two milliseconds."""
    _wait(holds, seconds, 0.002, str)


def _wait(holds: Callable[[], bool], seconds: float, every_s: float, says: Callable[[], str]) -> None:
    until = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > until:
            raise AssertionError(f"not within {seconds:g} s {says()}")
        time.sleep(every_s)


def is_running(pid: int) -> bool:
    """Whether the process lives; one that is dead and not yet collected does not."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return stat.rpartition(")")[2].split()[0] not in ("Z", "X")


def _processes() -> list[tuple[int, int, str]]:
    """Of every process that can be looked at: its id, its parent's, its command line."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
                command = (folder / "cmdline").read_bytes().decode(errors="replace")
            except (OSError, IndexError):
                continue
            found.append((int(folder.name), parent, command))
    return found


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


__all__ = ["CLINIC", "LAB", "PART", "Running", "catch", "is_running", "open_running", "wait_for"]
