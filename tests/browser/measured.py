"""A case as the lab finds it: sent to a running portal by a clinic's program, measured, with a preview of every surface."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import httpx

from seed_data.demo import load_scenario
from tests.browser.conftest import cut_hole
from tests.portal.house import CLINIC
from tests.portal.running import add_bodies_to, open_running, wait_for

PATIENCE_S = 420.0
(MOUTH,) = (case for case in load_scenario().cases if case.key == "plover")


@dataclass(frozen=True)
class LabCase:
    """A case with a hole in its jaw scan, measured, with a preview of every surface."""

    url: str
    path: str


@contextmanager
def measured_case(folder: Path) -> Iterator[LabCase]:
    """The case of an invented mouth with a hole in its jaw scan, in a portal that runs while the block does."""
    running = open_running(folder, measuring_processes="2")
    add_bodies_to(running, folder)
    running.start()
    try:
        headers = {"Authorization": f"Bearer {running.tokens[CLINIC]}"}
        with httpx.Client(base_url=running.url, headers=headers, timeout=120) as clinic:
            path = _sent(clinic, folder)
            wait_for(lambda: clinic.get(path).json()["is_judged"], PATIENCE_S)
        drawn = running.data / "store" / "previews"
        wait_for(lambda: len(list(drawn.rglob("mm-*"))) >= n_surfaces(), PATIENCE_S)
        yield LabCase(running.url, path.removeprefix("/api/v1"))
    finally:
        running.close()


def _sent(clinic: httpx.Client, folder: Path) -> str:
    turn = MOUTH.rounds[-1]
    form = turn.form(datetime.now(UTC)).model_dump(mode="json", exclude_none=True) | {"records": []}
    opened = clinic.post("/api/v1/cases", json=form)
    assert opened.status_code == 201, opened.text
    path = opened.headers["location"]
    for record in turn.records:
        said = {"role": record.role.value, "unit": record.unit.value, "body": record.body}
        data = record.load()
        if record.file_name == "jaw.stl":
            (folder / "jaw.stl").write_bytes(data)
            cut_hole(folder / "jaw.stl", folder / "cut.stl", radius_mm=4.0)
            data = (folder / "cut.stl").read_bytes()
        asked = {key: value for key, value in said.items() if value}
        sent = clinic.put(f"{path}/files/{record.file_name}", content=data, params=asked)
        assert sent.status_code == 201, sent.text
    return str(path)


def n_surfaces() -> int:
    """How many of its records are surfaces."""
    return sum(r.file_name.endswith((".stl", ".ply", ".obj")) for r in MOUTH.rounds[-1].records)
