from __future__ import annotations

import os
import pickle
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.context import SpawnProcess
from pathlib import Path
from threading import Thread

import pytest

from server.inspection.child import (
    ChildDied,
    ChildFailed,
    ChildLimits,
    ChildOutOfMemory,
    ChildPool,
    ChildrenUnavailable,
    ChildTimedOut,
)
from tests.inspection import tasks

LIMITS = ChildLimits(memory_bytes=400 * 1024**2, wall_s=20.0, cpu_s=1.0)

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="watched on Linux alone")


@pytest.fixture(scope="module")
def pool() -> Iterator[ChildPool]:
    with ChildPool(1, LIMITS) as pool:
        yield pool


def test_an_answer_comes_back(pool: ChildPool) -> None:
    assert pool.run(tasks.add, 2, 3) == 5


def test_a_child_is_another_process_and_is_kept(pool: ChildPool) -> None:
    first = pool.run(tasks.pid)
    assert first != os.getpid()
    assert pool.run(tasks.pid) == first


def test_a_child_does_algebra_in_one_thread_and_the_portal_as_it_likes(pool: ChildPool) -> None:
    own = os.environ.get("OPENBLAS_NUM_THREADS")
    assert pool.run(tasks.variable, "OPENBLAS_NUM_THREADS") == "1"
    assert os.environ.get("OPENBLAS_NUM_THREADS") == own


def test_an_exception_comes_back_by_name_and_costs_no_child(pool: ChildPool) -> None:
    before = pool.run(tasks.pid)
    with pytest.raises(ChildFailed) as failed:
        pool.run(tasks.fail, "seven words")
    assert (failed.value.code, failed.value.type_name, failed.value.says) == (
        "child-failed",
        "LookupError",
        "seven words",
    )
    assert pool.run(tasks.pid) == before


def test_an_answer_that_cannot_be_sent_is_a_failure(pool: ChildPool) -> None:
    with pytest.raises(ChildFailed):
        pool.run(tasks.unpicklable)
    assert pool.run(tasks.add, 1, 1) == 2


def test_an_answer_of_a_foreign_class_is_not_read(pool: ChildPool) -> None:
    with pytest.raises(ChildDied):
        pool.run(tasks.foreign)
    assert pool.run(tasks.add, 1, 1) == 2


def test_a_task_that_cannot_be_sent_is_refused_here(pool: ChildPool) -> None:
    with pytest.raises((pickle.PicklingError, AttributeError)):
        pool.run(lambda: 1)
    assert pool.run(tasks.add, 1, 1) == 2


@linux
def test_a_busy_loop_is_ended_by_its_processor_time(pool: ChildPool) -> None:
    before, begun = pool.run(tasks.pid), time.monotonic()
    with pytest.raises(ChildTimedOut) as lost:
        pool.run(tasks.busy)
    assert lost.value.code == "child-timed-out"
    assert time.monotonic() - begun < 15
    assert pool.run(tasks.pid) != before


def test_a_sleeper_is_ended_by_the_clock() -> None:
    limits = ChildLimits(LIMITS.memory_bytes, wall_s=0.5, cpu_s=5.0)
    with ChildPool(1, limits) as pool:
        assert pool.run(tasks.sleep, 0.1) == 0.1
        begun = time.monotonic()
        with pytest.raises(ChildTimedOut):
            pool.run(tasks.sleep, 60.0)
        assert time.monotonic() - begun < 5
        assert pool.run(tasks.add, 1, 1) == 2


@linux
def test_growing_memory_is_ended() -> None:
    """With processor time to spare, which touching pages takes on a busy machine."""
    with ChildPool(1, ChildLimits(LIMITS.memory_bytes, 60.0, 60.0)) as pool:
        before = pool.run(tasks.pid)
        with pytest.raises(ChildOutOfMemory) as lost:
            pool.run(tasks.hold, 1 << 33)
        assert lost.value.code == "child-out-of-memory"
        assert pool.run(tasks.pid) != before


@linux
def test_too_much_memory_asked_at_once_is_not_given(pool: ChildPool) -> None:
    with pytest.raises(ChildOutOfMemory):
        pool.run(tasks.ask_at_once, 8 * 1024**3)
    assert pool.run(tasks.add, 1, 1) == 2


@pytest.mark.parametrize("task", [tasks.leave, tasks.crash])
def test_a_child_that_dies_is_told_and_replaced(pool: ChildPool, task: Callable[[], None]) -> None:
    before = pool.run(tasks.pid)
    with pytest.raises(ChildDied) as lost:
        pool.run(task)
    assert lost.value.code == "child-died"
    assert pool.run(tasks.pid) != before


@pytest.mark.parametrize(
    "task",
    [
        tasks.connect,
        tasks.bind,
        tasks.run_a_program,
        tasks.system,
        tasks.execute,
        tasks.spawn,
        tasks.fork,
        tasks.kill_parent,
    ],
)
def test_lines_and_programs_are_refused(pool: ChildPool, task: Callable[[], None]) -> None:
    with pytest.raises(ChildFailed) as refused:
        pool.run(task)
    assert refused.value.type_name == "PermissionError"
    assert "refused while measuring" in refused.value.says


@pytest.mark.parametrize("task", [tasks.write, tasks.write_low, tasks.move_out, tasks.through_a_link])
def test_writing_outside_is_refused(pool: ChildPool, task: Callable[[str], None], tmp_path: Path) -> None:
    target = tmp_path / "outside"
    with pytest.raises(ChildFailed, match="refused while measuring") as refused:
        pool.run(task, str(target))
    assert refused.value.type_name == "PermissionError"
    assert not target.exists()


def test_removing_outside_is_refused(pool: ChildPool, tmp_path: Path) -> None:
    target = tmp_path / "outside"
    target.write_text("x")
    with pytest.raises(ChildFailed, match="refused while measuring"):
        pool.run(tasks.remove, str(target))
    assert target.exists()


def test_the_scratch_folder_may_be_written(pool: ChildPool) -> None:
    assert pool.run(tasks.scratch) == b"kept"


@linux
def test_the_system_limits_hold(pool: ChildPool) -> None:
    assert pool.run(tasks.standard_input) == b""
    assert pool.run(tasks.core_limit) == 0
    with pytest.raises(ChildFailed) as full:
        pool.run(tasks.fill_a_file)
    assert full.value.type_name == "OSError"


def test_many_threads_share_few_children() -> None:
    with ChildPool(2, LIMITS) as pool, ThreadPoolExecutor(8) as threads:
        answers = list(threads.map(lambda n: pool.run(tasks.add, n, n), range(200)))
        pids = set(threads.map(lambda _: pool.run(tasks.pid), range(40)))
    assert answers == [2 * n for n in range(200)]
    assert len(pids) <= 2


def test_one_that_dies_leaves_the_others_alone() -> None:
    with ChildPool(2, LIMITS) as pool, ThreadPoolExecutor(4) as threads:
        lost = [threads.submit(pool.run, tasks.leave) for _ in range(3)]
        good = [threads.submit(pool.run, tasks.add, n, 1) for n in range(20)]
        assert [answer.result(60) for answer in good] == [n + 1 for n in range(20)]
        for answer in lost:
            with pytest.raises(ChildDied):
                answer.result(60)


def test_children_outlive_the_thread_that_asked_first() -> None:
    with ChildPool(1, LIMITS) as pool:
        asking = Thread(target=pool.run, args=(tasks.add, 1, 1))
        asking.start()
        asking.join(60)
        time.sleep(0.2)
        assert pool.run(tasks.add, 1, 1) == 2


def test_a_child_killed_while_idle_is_replaced() -> None:
    with ChildPool(1, LIMITS) as pool:
        before = pool.run(tasks.pid)
        os.kill(before, 9)
        time.sleep(0.2)
        assert pool.run(tasks.pid) != before


def test_a_system_that_starts_no_process_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    with ChildPool(1, LIMITS) as pool:
        with monkeypatch.context() as patched:
            patched.setattr(SpawnProcess, "start", _no_more)
            with pytest.raises(ChildrenUnavailable, match="no more processes"):
                pool.run(tasks.add, 1, 1)
        assert _until_it_answers(pool) == 2


def _no_more(_: object) -> None:
    raise BlockingIOError("no more processes")


def _until_it_answers(pool: ChildPool) -> int:
    for _ in range(20):
        try:
            return pool.run(tasks.add, 1, 1)
        except ChildrenUnavailable:
            continue
    raise AssertionError("never answered again")


def test_a_child_that_cannot_start_is_told() -> None:
    with ChildPool(1, LIMITS, tasks.break_at_start) as pool:
        for _ in range(2):
            with pytest.raises(ChildrenUnavailable, match="cannot warm up"):
                pool.run(tasks.add, 1, 1)


@pytest.mark.parametrize("warm_up", [None, tasks.hang_at_start])
def test_closing_ends_what_runs(warm_up: Callable[[], None] | None) -> None:
    pool = ChildPool(1, ChildLimits(LIMITS.memory_bytes, 600.0, 600.0), warm_up)
    with ThreadPoolExecutor(2) as threads:
        running = threads.submit(pool.run, tasks.sleep, 600.0)
        waiting = threads.submit(pool.run, tasks.sleep, 600.0)
        time.sleep(1.0)
        begun = time.monotonic()
        pool.close()
        for task in (running, waiting):
            with pytest.raises(ChildrenUnavailable):
                task.result(20)
    assert time.monotonic() - begun < 10
    with pytest.raises(ChildrenUnavailable):
        pool.run(tasks.add, 1, 1)
    pool.close()


@linux
def test_a_busy_child_does_not_outlive_its_parent() -> None:
    parent = subprocess.run(
        [sys.executable, "-m", "tests.inspection.dying_parent"],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert parent.returncode == -9
    stat = Path("/proc") / parent.stdout.decode().strip() / "stat"
    until = time.monotonic() + 10
    while _is_running(stat):
        assert time.monotonic() < until
        time.sleep(0.05)


def _is_running(stat: Path) -> bool:
    try:
        return stat.read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_a_pool_never_used_starts_nothing() -> None:
    ChildPool(4, LIMITS).close()
