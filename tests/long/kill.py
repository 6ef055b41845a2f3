"""`python -m tests.long.kill`: a real portal under work, killed at random moments, then counted: what was acknowledged must
be there, whole, once, measured and judged. Prints its seed and its counts; leaves with 1 where one of them is wrong."""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import httpx

from tests.portal.house import waves
from tests.portal.running import CLINIC, Running, is_running, open_running, wait_for

T = TypeVar("T")
SENDERS = 3
ORPHAN_S = 15.0
REST_S = 900.0
"""All that was accepted is to be measured and judged so long after the last kill."""


@dataclass
class Tally:
    """What was done, and what went wrong. accepted: by case, the SHA-256 of what was acknowledged to the last byte."""

    done: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    accepted: dict[str, str] = field(default_factory=dict)
    hit: set[str] = field(default_factory=set)
    """Records in the hands of a child that was killed: a second such death is rightly taken for the record's fault."""
    lock: threading.Lock = field(default_factory=threading.Lock)

    def did(self, what: str, count: int = 1) -> None:
        with self.lock:
            self.done[what] += count

    def check(self, is_right: bool, what: str, about: object = "") -> None:
        with self.lock:
            self.wrong[what] += not is_right
        if not is_right:
            print(f"WRONG {what}: {about}", flush=True)


class Sender(threading.Thread):
    """Sends one file after the other, each into a case of its own, and hands the case over."""

    def __init__(self, running: Running, tally: Tally, seed: int, stop: threading.Event) -> None:
        super().__init__(daemon=True)
        self.running, self.tally, self.stop, self.seed = running, tally, stop, seed
        self.random = random.Random(seed)

    def run(self) -> None:
        number = 0
        while not self.stop.is_set():
            number += 1
            data = waves(1000 * self.seed + number, n=self.random.randint(8, 60))
            try:
                self._send(data)
            except Exception as fault:  # noqa: BLE001 - counted, and the others go on
                self.tally.check(False, "a sender was refused", repr(fault))
            time.sleep(self.random.uniform(0.0, 1.0))

    def _send(self, data: bytes) -> None:
        case_id = self._until_answered(self.running.new_case)
        path = self._until_answered(lambda: self.running.begin(case_id, data, "jaw.stl", "jaw"))
        safe = 0
        while safe < len(data):
            part = data[safe : safe + self.random.randint(1, len(data))]
            try:
                answer = self.running.patch(path, safe, part)
            except httpx.TransportError:
                self.tally.did("requests cut off")
                stands = self._until_answered(lambda: self.running.offset(path))
                self.tally.check(stands >= safe, "an offset went back", (path, safe, stands))
                safe = stands
                continue
            self.tally.check(answer.status_code == 204, "a part was refused", answer.text)
            safe = int(answer.headers["upload-offset"])
            self.tally.did("parts acknowledged")
        with self.tally.lock:
            self.tally.accepted[case_id] = hashlib.sha256(data).hexdigest()
        answer = self._until_answered(lambda: self.running.post(CLINIC, f"/cases/{case_id}/submit"))
        self.tally.check(answer.status_code in (303, 409), "a submission was refused", answer.text[:200])

    def _until_answered(self, ask: Callable[[], T]) -> T:
        while True:
            try:
                return ask()
            except httpx.TransportError:
                self.tally.did("requests cut off")
                time.sleep(0.2)


def kill_at_random(running: Running, tally: Tally, chance: random.Random) -> None:
    """One kill, of the whole group, of the portal's process alone, or of one child; then the portal runs again."""
    time.sleep(chance.uniform(0.2, 6.0))
    children = running.children()
    kind = chance.choice(["group", "portal alone", "child"])
    if kind == "child":
        in_hand = {key for (key,) in running.rows("select id from records where measuring = 'measuring'")}
        if children and not in_hand & tally.hit:
            tally.hit |= in_hand
            os.kill(chance.choice(sorted(children)), signal.SIGKILL)
            tally.did("kills of a child")
        return
    running.kill(whole_group=kind == "group")
    tally.did(f"kills of the {kind}")
    try:
        wait_for(lambda: not any(map(is_running, children)), ORPHAN_S)
    except AssertionError:
        tally.check(False, "a child outlived its portal", children)
    running.start()


def count(running: Running, tally: Tally) -> None:
    """Looks at every case that was accepted, in the database and on disk."""
    for case_id, sha256 in tally.accepted.items():
        kept = running.rows("select sha256, measuring from records where case_id = ?", case_id)
        tally.check(len(kept) > 0, "lost", case_id)
        tally.check(len(kept) < 2, "kept twice", case_id)
        tally.check(all(sha == sha256 for sha, _ in kept), "another file", case_id)
        on_disk = running.blob(sha256)
        is_whole = on_disk.is_file() and hashlib.sha256(on_disk.read_bytes()).hexdigest() == sha256
        tally.check(is_whole, "damaged", case_id)
        tally.check(all(state == "measured" for _, state in kept), "not measured", case_id)
        prints = running.rows("select fingerprint from judgements where case_id = ?", case_id)
        tally.check(len(prints) > 0, "no verdict", case_id)
        tally.check(len(prints) <= len(set(prints)) + 1, "judged again for the same", case_id)
        tally.check("file/too-heavy" not in running.judged_rules(case_id), "called too heavy", case_id)
        query = "select count(*) from audit_entries where object_id = ? and action = 'case.submit'"
        tally.check(running.one(query, case_id) == 1, "not handed over once", case_id)
    states = running.rows("select status, count(*) from workflow_status group by status")
    tally.check({state for state, _ in states} <= {"SUCCESS"}, "jobs not done", states)
    parts = {key for (key,) in running.rows("select key from upload_parts")}
    store = running.data / "store"
    tally.check(all((store / key).is_file() for key in parts), "a part without its bytes")
    lying = [p for p in (store / "parts").rglob("*") if p.is_file()]
    tally.did("parts on disk that wait to be swept", len(lying) - len(parts))
    tally.done["judgements"] = running.one("select count(*) from judgements")
    tally.done["jobs done"] = sum(number for _, number in states)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=40)
    options.add_argument("--seed", type=int, default=int(time.time()))
    options.add_argument("--minutes", type=float, default=30.0, help="no further kill after this time")
    chosen = options.parse_args()
    print(f"seed {chosen.seed}", flush=True)
    tally, stop = Tally(), threading.Event()
    with tempfile.TemporaryDirectory() as folder:
        running = open_running(Path(folder))
        try:
            running.start()
            running.browser(CLINIC)
            senders = [Sender(running, tally, chosen.seed % 10_000 + n, stop) for n in range(SENDERS)]
            for sender in senders:
                sender.start()
            chance, until = random.Random(chosen.seed), time.monotonic() + 60 * chosen.minutes
            kills = 0
            while kills < chosen.kills and time.monotonic() < until:
                kill_at_random(running, tally, chance)
                kills = sum(number for what, number in tally.done.items() if what.startswith("kills"))
            stop.set()
            for sender in senders:
                sender.join(120)
            wait_for(lambda: all(map(running.is_at_rest, list(tally.accepted))), REST_S)
            count(running, tally)
        finally:
            running.close()
    for what, number in sorted(tally.done.items()):
        print(f"{number:8d} {what}")
    print(f"{len(tally.accepted):8d} accepted")
    for what, number in sorted(tally.wrong.items()):
        print(f"{number:8d} {what}")
    return int(any(tally.wrong.values()))


if __name__ == "__main__":
    sys.exit(main())
