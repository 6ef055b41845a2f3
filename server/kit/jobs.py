"""Durable jobs: a thin layer over DBOS, which keeps them in the portal's own database.

A job is enqueued inside the caller's transaction, so that it exists exactly when what it is about exists. It is run at
least once: a host that dies leaves it to itself after a restart, or to another host (`take_over`). Jobs are therefore
idempotent. An argument is one text, an identifier, so that nothing about a person is copied into the job tables.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from dbos import DBOS, DBOSClient, DBOSConfig
from sqlmodel import Session

from server.kit.ids import new_id
from server.kit.logs import log

ATTEMPTS = 3
PAUSE_S = 0.5
"""After a failure a job is tried again in the same process, after this pause, then after twice as long."""

APPLICATION = "archproof"
APPLICATION_VERSION = "1"
"""Constant: DBOS strands the running jobs of an older version otherwise."""

_WORKFLOW = "archproof-job"

Handler = Callable[[str], None]


class Lane(StrEnum):
    """Jobs of one lane do not wait for another's: measuring takes seconds, judging milliseconds. What nobody at a chair
    waits for goes one after the other, beside what comes in. What waits for a machine of somebody else's has its own."""

    HEAVY = "heavy"
    LATER = "later"
    OUTWARD = "outward"
    QUICK = "quick"


@dataclass(frozen=True)
class Job:
    """A kind of job, by the name it is kept under."""

    name: str
    lane: Lane


class JobQueue(Protocol):
    """What services need of the job engine."""

    def enqueue(self, session: Session, job: Job, argument: str) -> None:
        """Adds a job to the running transaction."""


class DurableQueue:
    """Enqueues from any process, whether or not it runs jobs itself."""

    def __init__(self, database_url: str) -> None:
        self._client = DBOSClient(system_database_url=database_url, application_name=APPLICATION)

    def enqueue(self, session: Session, job: Job, argument: str) -> None:
        self._client.enqueue_in_transaction(
            session,
            {
                "workflow_name": _WORKFLOW,
                "queue_name": job.lane.value,
                "workflow_id": f"{job.name}-{new_id()}",
                "app_version": APPLICATION_VERSION,
            },
            job.name,
            argument,
        )

    def close(self) -> None:
        self._client.destroy()


@dataclass(frozen=True)
class Doing:
    """What a job does, and what is done instead where it failed every time, so that nobody waits for ever."""

    run: Handler
    give_up: Handler | None = None


class _PutOff(BaseException):
    """Leaves a job as it is: not done, not failed. It is taken up after the next start.

    Not an Exception, so that the engine does not write it down as the job's failure.
    """


_doings: dict[str, Doing] = {}
_stopping = threading.Event()


@DBOS.step(name="archproof-step")
def _step(name: str, argument: str) -> None:
    doing = _doings[name]
    for attempt in range(1, ATTEMPTS + 1):
        try:
            doing.run(argument)
            return
        except Exception as fault:
            if _stopping.is_set():
                raise _PutOff from fault
            log().error("job failed", job=name, argument=argument, attempt=attempt, exc_info=fault)
        if attempt < ATTEMPTS and _stopping.wait(PAUSE_S * attempt):
            raise _PutOff
    if doing.give_up is not None:
        doing.give_up(argument)


@DBOS.workflow(name=_WORKFLOW)
def _run(name: str, argument: str) -> None:
    _step(name, argument)


def prepare_job_tables(database_url: str) -> None:
    """Creates or updates the job engine's own tables."""
    DBOS.migrate(database_url)


class JobEngine:
    """Runs jobs in this process's threads. One per process: the engine beneath is a singleton."""

    def __init__(self, database_url: str, executor_id: str, doings: Mapping[Job, Doing]) -> None:
        self._url = database_url
        self._executor_id = executor_id
        self._doings = {job.name: doing for job, doing in doings.items()}

    def start(self, *, poll_s: float, heavy_at_once: int) -> None:
        """Starts working, first of all on what this host left unfinished."""
        _stopping.clear()
        _doings.clear()
        _doings.update(self._doings)
        config: DBOSConfig = {
            "name": APPLICATION,
            "system_database_url": self._url,
            "application_version": APPLICATION_VERSION,
            "executor_id": self._executor_id,
            "log_level": "ERROR",
            "enable_otlp": False,
        }
        DBOS(config=config)
        DBOS.launch()
        DBOS.register_queue(
            Lane.HEAVY,
            worker_concurrency=heavy_at_once,
            polling_interval_sec=poll_s,
            on_conflict="always_update",
        )
        for lane, at_once in ((Lane.LATER, 1), (Lane.OUTWARD, 4), (Lane.QUICK, 2)):
            DBOS.register_queue(
                lane, worker_concurrency=at_once, polling_interval_sec=poll_s, on_conflict="always_update"
            )

    def take_over(self, dead_executor_id: str) -> int:
        """Puts the unfinished jobs of a host that is gone back into their queues; how many."""
        left = DBOS.list_workflows(status="PENDING", executor_id=dead_executor_id)
        for workflow in left:
            DBOS.resume_workflow(workflow.workflow_id)
        return len(left)

    def stop(self) -> None:
        """Stops taking jobs; what is under way is run again after the next start."""
        _stopping.set()
        DBOS.destroy(workflow_completion_timeout_sec=0)
