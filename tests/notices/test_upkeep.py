"""A worker's upkeep asks for what is due, and forgets what came to an end long ago, without being told."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path

from server.inspection.upkeep import Upkeep
from server.kit.jobs import JobEngine
from server.notices.outbox import SEND_NOTICE
from tests.notices.house import give_back, hook, notices, reaching
from tests.notices.receivers import receiving
from tests.portal.house import open_house


@dataclass
class Idle(JobEngine):
    """An engine that runs nothing."""

    taken: list[str] = field(default_factory=list)

    def take_over(self, dead_executor_id: str) -> int:
        self.taken.append(dead_executor_id)
        return 0


def test_what_is_due_is_asked_for(tmp_path: Path) -> None:
    with receiving() as receiver:
        house = reaching(open_house(tmp_path), receiver)
        hook(house, receiver)
        give_back(house)
        house.waiting.jobs.clear()
        house.clock.advance(3600)
        with Upkeep(house.portal, Idle()):
            until = time.monotonic() + 60
            while not house.waiting.jobs:
                assert time.monotonic() < until
                time.sleep(0.02)
    due = [n.id for n in notices(house) if n.webhook_id]
    assert [argument for job, argument in house.waiting.jobs if job == SEND_NOTICE] == due
