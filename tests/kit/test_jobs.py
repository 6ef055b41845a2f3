"""The job engine in this process, on a database of its own."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import text

from server.kit import jobs
from server.kit.database import Database
from server.kit.jobs import Doing, DurableQueue, Job, JobEngine, Lane, prepare_job_tables

WORK = Job("work", Lane.HEAVY)
OTHER = Job("other", Lane.QUICK)
POLL_S = 0.02


class Bench:
    """A database with its queue, and an engine that may be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        self.url = f"sqlite:///{folder / 'jobs.db'}"
        self.database = Database(self.url)
        prepare_job_tables(self.url)
        self.queue = DurableQueue(self.url)
        self.engine: JobEngine | None = None

    def start(self, doings: dict[Job, Doing], executor_id: str = "here", heavy_at_once: int = 1) -> JobEngine:
        self.engine = JobEngine(self.url, executor_id, doings)
        self.engine.start(poll_s=POLL_S, heavy_at_once=heavy_at_once)
        return self.engine

    def stop(self) -> None:
        if self.engine is not None:
            self.engine.stop()
            self.engine = None

    def ask(self, job: Job, *arguments: str) -> None:
        with self.database.writing() as session:
            for argument in arguments:
                self.queue.enqueue(session, job, argument)

    def left(self) -> int:
        query = "select count(*) from workflow_status where status not in ('SUCCESS', 'ERROR')"
        with self.database.reading() as session:
            return int(session.execute(text(query)).scalar_one())


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(jobs, "PAUSE_S", 0.01)
    made = Bench(tmp_path)
    yield made
    made.stop()
    made.queue.close()
    made.database.close()


def until(holds: Callable[[], bool], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_what_is_asked_for_is_done_once(bench: Bench) -> None:
    done: list[str] = []
    bench.ask(WORK, "a", "b")
    bench.start({WORK: Doing(done.append), OTHER: Doing(lambda x: done.append(x.upper()))})
    bench.ask(OTHER, "c")
    until(lambda: bench.left() == 0)
    assert sorted(done) == ["C", "a", "b"]


def test_a_job_lives_and_dies_with_its_transaction(bench: Bench) -> None:
    with suppress(InterruptedError), bench.database.writing() as session:
        bench.queue.enqueue(session, WORK, "never")
        raise InterruptedError("rolled back")
    assert bench.left() == 0
    bench.ask(WORK, "kept")
    assert bench.left() == 1


def test_what_fails_is_tried_again_and_then_given_up(bench: Bench) -> None:
    tried: list[str] = []
    given_up: list[str] = []

    def fail(argument: str) -> None:
        tried.append(argument)
        raise ValueError("boom")

    bench.ask(WORK, "a")
    bench.start({WORK: Doing(fail, given_up.append)})
    until(lambda: bench.left() == 0)
    assert tried == ["a"] * jobs.ATTEMPTS
    assert given_up == ["a"]


def test_what_fails_once_is_not_given_up(bench: Bench) -> None:
    tried: list[str] = []
    given_up: list[str] = []

    def fail_first(argument: str) -> None:
        tried.append(argument)
        if len(tried) == 1:
            raise ValueError("boom")

    bench.ask(WORK, "a")
    bench.start({WORK: Doing(fail_first, given_up.append)})
    until(lambda: bench.left() == 0)
    assert (tried, given_up) == (["a", "a"], [])


def test_one_that_fails_holds_up_no_other(bench: Bench) -> None:
    done: list[str] = []

    def fail_some(argument: str) -> None:
        if argument == "bad":
            raise ValueError("boom")
        done.append(argument)

    bench.ask(WORK, "bad", "good", "better")
    bench.start({WORK: Doing(fail_some)})
    until(lambda: bench.left() == 0)
    assert sorted(done) == ["better", "good"]


def test_what_a_stop_interrupts_is_done_after_the_next_start(bench: Bench) -> None:
    """The doing breaks because its equipment was taken away; that is neither success nor failure."""
    began, may_end = threading.Event(), threading.Event()
    done: list[str] = []
    given_up: list[str] = []

    def broken_off(argument: str) -> None:
        began.set()
        may_end.wait(30)
        raise RuntimeError("the children are closed")

    bench.ask(WORK, "a", "b")
    bench.start({WORK: Doing(broken_off, given_up.append)})
    assert began.wait(30)
    stopping = threading.Thread(target=bench.stop)
    stopping.start()
    until(jobs._stopping.is_set)
    may_end.set()
    stopping.join()
    assert bench.left() == 2
    bench.start({WORK: Doing(done.append, given_up.append)})
    until(lambda: bench.left() == 0)
    assert sorted(done) == ["a", "b"]
    assert given_up == []


def test_a_quick_job_does_not_wait_for_a_heavy_one(bench: Bench) -> None:
    may_end, done = threading.Event(), threading.Event()
    bench.ask(WORK, "a", "b", "c")
    bench.start({WORK: Doing(lambda _: (may_end.wait(60), None)[1]), OTHER: Doing(lambda _: done.set())})
    bench.ask(OTHER, "x")
    assert done.wait(30)
    may_end.set()
    until(lambda: bench.left() == 0)


def test_no_more_heavy_jobs_at_once_than_allowed(bench: Bench) -> None:
    lock = threading.Lock()
    running: list[int] = [0]
    most: list[int] = [0]

    def count(_: str) -> None:
        with lock:
            running[0] += 1
            most[0] = max(most[0], running[0])
        time.sleep(0.05)
        with lock:
            running[0] -= 1

    bench.ask(WORK, *map(str, range(8)))
    bench.start({WORK: Doing(count)}, heavy_at_once=2)
    until(lambda: bench.left() == 0)
    assert most == [2]


def test_another_host_takes_over_what_a_dead_one_had_begun(bench: Bench) -> None:
    began, may_end = threading.Event(), threading.Event()
    done: list[str] = []

    def broken_off(_: str) -> None:
        began.set()
        may_end.wait(30)
        raise RuntimeError("dead")

    bench.ask(WORK, "a")
    bench.start({WORK: Doing(broken_off)}, "first")
    assert began.wait(30)
    stopping = threading.Thread(target=bench.stop)
    stopping.start()
    until(jobs._stopping.is_set)
    may_end.set()
    stopping.join()
    second = bench.start({WORK: Doing(done.append)}, "second")
    time.sleep(5 * POLL_S)
    assert done == []
    assert second.take_over("first") == 1
    until(lambda: bench.left() == 0)
    assert done == ["a"]
    assert second.take_over("first") == 0
