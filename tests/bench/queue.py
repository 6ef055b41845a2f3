"""The lab's queue with 100 and with 100 000 cases, as its page is built; and that every list walks an index."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from fastapi.testclient import TestClient
from sqlalchemy import event
from sqlmodel import insert

from server.accounts.people import clinics
from server.accounts.work import PORTAL, writing
from server.app import build_app, open_portal
from server.cases.tables import NO_NEED_BY, Case, CaseState, CaseWord
from server.kit.portal import Portal
from server.kit.settings import Settings
from tests.bench.timing import Figure, p95
from tests.browser.portal import LAB_EMAIL, PASSWORD, add_accounts

FEW, MANY = 100, 100_000
PAGES = 60
BATCH = 5_000
ADDRESSES = (
    "/queue",
    "/queue?state=all",
    "/queue?state=released&verdict=look",
    "/queue?state=all&clinic={clinic}",
    "/queue?state=with-lab&clinic={clinic}&verdict=return",
    "/queue?state=all&text=weir",
    "/queue?state=all&text=r-00",
    "/queue?state=all&text=r-000077",
)


def figures(folder: Path) -> Iterator[Figure]:
    few, many = (_times_ms(folder / f"queue-{count}", count) for count in (FEW, MANY))
    for address in ADDRESSES:
        shown = {"p95_ms_few": p95(few[address]), "p95_ms_many": p95(many[address])}
        ratio = shown["p95_ms_many"] / shown["p95_ms_few"]
        yield Figure(f"GET {address}: p95, 100 000 ÷ 100 cases", ratio, "×", 3.0, shown=shown)
    scans = many["scans"]
    yield Figure("list queries that walk a whole table", float(len(scans)), "", 0.0, shown={"plans": scans})


def _times_ms(folder: Path, count: int) -> dict[str, list[Any]]:
    shutil.rmtree(folder, ignore_errors=True)
    portal = open_portal(Settings(data_dir=folder, run_worker=False))
    add_accounts(portal)
    clinic_id = _fill(portal, count)
    client = TestClient(build_app(portal), base_url="http://portal.test", follow_redirects=False)
    client.post("/sign-in", data={"email": LAB_EMAIL, "password": PASSWORD, "onward": "/"})
    plans = _Plans(portal)
    taken: dict[str, list[Any]] = {}
    for address in ADDRESSES:
        url = address.format(clinic=clinic_id)
        plans.is_on = True
        answer = client.get(url)
        plans.is_on = False
        assert answer.status_code == 200, answer.text[:200]
        taken[address] = [_one_ms(client, url) for _ in range(PAGES)]
    taken["scans"] = plans.scans
    portal.database.close()
    shutil.rmtree(folder, ignore_errors=True)
    return taken


def _one_ms(client: TestClient, url: str) -> float:
    begun = time.perf_counter()
    client.get(url)
    return 1000.0 * (time.perf_counter() - begun)


def _fill(portal: Portal, count: int) -> str:
    """Invented cases of one clinic over some years, and the words they are found by; the clinic's id. So many are with
    the lab that its page is full in either size, and only the walk to it differs."""
    rng = np.random.default_rng(7)
    now = datetime.now(UTC)
    with writing(portal, PORTAL) as work:
        clinic_id = clinics(work)[0].id
    states = rng.choice(list(CaseState), count, p=[0.02, 0.60, 0.02, 0.34, 0.02])
    verdicts = rng.choice(["clear", "look", "return"], count)
    hours = rng.integers(-30_000, 100, count)
    for first in range(0, count, BATCH):
        last = min(first + BATCH, count)
        rows = [
            _row(k, clinic_id, str(states[k]), str(verdicts[k]), now, int(hours[k]))
            for k in range(first, last)
        ]
        with writing(portal, PORTAL) as work:
            work.session.exec(insert(Case), params=rows)
            words = [{"word": row["patient_code"].casefold(), "case_id": row["id"]} for row in rows]
            words += [{"word": word, "case_id": row["id"]} for row in rows for word in ("weir", "lane")]
            work.session.exec(insert(CaseWord), params=words)
    return clinic_id


def _row(k: int, clinic_id: str, state: str, verdict: str, now: datetime, hours: int) -> dict[str, Any]:
    due = now + timedelta(hours=hours) if k % 10 else None
    return {
        "id": f"case{k:08d}",
        "clinic_id": clinic_id,
        "state": CaseState(state),
        "patient_code": f"R-{k:06d}",
        "form": {},
        "round_number": 1,
        "needed_by": due,
        "queue_at": due or NO_NEED_BY,
        "lightness": {"return": 0, "look": 1, "clear": 3}[verdict],
        "verdict": verdict,
        "headline": "An opening 11.2 mm across lies inside the jaw scan.",
        "open_returns": 1,
        "open_looks": 2,
        "created_at": now,
        "updated_at": now,
        "submitted_at": now,
    }


class _Plans:
    """Asks the database, for every statement it hears while on, how it will be answered."""

    def __init__(self, portal: Portal) -> None:
        self.is_on = False
        self.scans: list[str] = []
        event.listen(portal.database.engine, "before_cursor_execute", self._hear)

    def _hear(self, connection: Any, cursor: Any, statement: str, parameters: Any, *_rest: Any) -> None:
        if not self.is_on or not statement.lstrip().upper().startswith("SELECT"):
            return
        plan = (
            connection.connection.cursor().execute(f"EXPLAIN QUERY PLAN {statement}", parameters).fetchall()
        )
        steps = [str(row[3]) for row in plan]
        is_few = any("SEARCH cases" in step and "(id=?)" in step for step in steps)
        for step in steps if "cases" in statement else ():
            walks = step.startswith("SCAN") and "INDEX" not in step and "case" in step
            sorts = "USE TEMP B-TREE FOR ORDER BY" in step and not is_few
            if walks or sorts:
                self.scans.append(f"{step}: {statement[:160]}")
