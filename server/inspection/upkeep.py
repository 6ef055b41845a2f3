"""What a worker does beside its jobs: reports as alive, takes over from workers that died, clears away what is over.

Nothing depends on its being done in time, and doing it twice, or on two hosts at once, changes nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from datetime import timedelta

from sqlmodel import col, select

from server.accounts.login import forget_ended_sessions
from server.accounts.work import PORTAL, reading, writing
from server.cases.jobs import MEASURE_RECORD
from server.cases.repeats import forget_old_repeats
from server.cases.tables import Measuring, Record
from server.inspection.previews import ask_for_previews
from server.kit.changes import forget_changes
from server.kit.heartbeats import beat, leave, silent_workers, strike_off
from server.kit.jobs import JobEngine
from server.kit.logs import log
from server.kit.portal import Portal
from server.notices.outbox import ask_for_due, forget_old_notices
from server.uploads.finishing import finish_what_a_crash_left
from server.uploads.housekeeping import forget_expired_uploads, sweep

MINUTE_S = 60.0
HOUR_S = 3600.0
DAY_S = 24 * HOUR_S
OVERDUE_FACTOR = 3.0


class Upkeep:
    """A thread that keeps the house while the block runs."""

    def __init__(self, portal: Portal, engine: JobEngine) -> None:
        self._portal, self._engine = portal, engine
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._keep, name="upkeep", daemon=True)
        soon_s = time.monotonic() + MINUTE_S
        self._next_s = {self._each_minute: 0.0, self._each_hour: soon_s, self._each_day: soon_s}

    def __enter__(self) -> Upkeep:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self._thread.join(timeout=10.0)
        settings = self._portal.settings
        with self._portal.database.writing() as session:
            leave(session, settings.executor_id)

    def _keep(self) -> None:
        while True:
            self._safely(self._each_beat)
            for duty, every_s in (
                (self._each_minute, MINUTE_S),
                (self._each_hour, HOUR_S),
                (self._each_day, DAY_S),
            ):
                if time.monotonic() >= self._next_s[duty]:
                    self._next_s[duty] = time.monotonic() + every_s
                    self._safely(duty)
            if self._stopped.wait(self._portal.settings.worker_heartbeat_s):
                return

    def _safely(self, duty: Callable[[], None]) -> None:
        try:
            duty()
        except Exception as fault:  # noqa: BLE001 - upkeep goes on; what failed is logged and tried again
            log().error("upkeep failed", job=duty.__name__, exc_info=fault)

    def _each_beat(self) -> None:
        own_id, beat_s = self._portal.settings.executor_id, self._portal.settings.worker_heartbeat_s
        with self._portal.database.writing() as session:
            beat(session, own_id, self._portal.clock.now())
            silent = silent_workers(session, own_id, self._portal.clock.now(), beat_s)
        for executor_id in silent:
            count = self._engine.take_over(executor_id)
            log().warning("took over", executor_id=executor_id, count=count)
            with self._portal.database.writing() as session:
                strike_off(session, executor_id)

    def _each_minute(self) -> None:
        finish_what_a_crash_left(self._portal)
        forget_expired_uploads(self._portal)
        ask_again(self._portal)
        ask_for_due(self._portal)
        with writing(self._portal, PORTAL) as work:
            forget_ended_sessions(work)
            forget_changes(work.session, work.now)
            forget_old_repeats(work)

    def _each_hour(self) -> None:
        sweep(self._portal)
        with writing(self._portal, PORTAL) as work:
            forget_old_notices(work)

    def _each_day(self) -> None:
        ask_for_previews(self._portal)


def ask_again(portal: Portal) -> int:
    """Asks anew for records that have waited far longer than measuring may take; how many. A job is never lost, but a
    record that nobody measures would be, as far as a clinic can see."""
    overdue = portal.clock.now() - timedelta(seconds=portal.settings.measuring_s * OVERDUE_FACTOR)
    waiting = col(Record.measuring).in_([Measuring.WAITING, Measuring.MEASURING])
    with reading(portal, PORTAL) as work:
        query = select(Record.id).where(waiting, col(Record.measuring_since) < overdue)
        left = list(work.session.exec(query))
    for record_id in left:
        with writing(portal, PORTAL) as work:
            record = work.session.get(Record, record_id)
            if record is not None and record.measuring in (Measuring.WAITING, Measuring.MEASURING):
                record.measuring_since = work.now
                portal.jobs.enqueue(work.session, MEASURE_RECORD, record_id)
    return len(left)
