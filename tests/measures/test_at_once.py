"""Measures of a case by threads: each once, none before those it builds on, and the same answer as one by one."""

from __future__ import annotations

from threading import Barrier, Lock

from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, NotMeasured, Result, Status
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.records.teeth import Arch
from tests.measures.mouths import LandMouth


class Told(Result):
    name: str
    below: tuple[str, ...] = ()


class Log:
    def __init__(self) -> None:
        self._lock, self.names = Lock(), list[str]()

    def add(self, name: str) -> None:
        with self._lock:
            self.names.append(name)


def _measure(
    name: str, log: Log, *below: CaseMeasure[Told], meet: Barrier | None = None
) -> CaseMeasure[Told]:
    def compute(bench: CaseBench) -> Told:
        log.add(name)
        if meet is not None:
            meet.wait(timeout=20.0)
        return Told(name=name, below=tuple(bench.together(b).name for b in below))

    roles = frozenset({Role.JAW})
    return CaseMeasure(name=name, revision=1, result=Told, roles=roles, compute=compute, builds_on=below)


def _bench() -> CaseBench:
    return CaseBench(CaseForm(working_arch=Arch.LOWER), LandMouth().bench("jaw.stl").records, {})


def test_none_is_made_before_what_it_builds_on_and_each_once() -> None:
    log = Log()
    a, b = _measure("a", log), _measure("b", log)
    c = _measure("c", log, a, b)
    d = _measure("d", log, c)
    made = _bench().run((d, c, b, a), {})
    assert [m.measure for m in made] == ["d", "c", "b", "a"]
    assert sorted(log.names) == ["a", "b", "c", "d"]
    assert log.names.index("c") > max(log.names.index("a"), log.names.index("b"))
    assert log.names[-1] == "d"


def test_two_that_do_not_build_on_one_another_are_made_at_once() -> None:
    log, meet = Log(), Barrier(2)
    made = _bench().run((_measure("a", log, meet=meet), _measure("b", log, meet=meet)), {})
    assert {m.status for m in made} == {Status.MEASURED}


def test_what_is_not_asked_for_is_made_where_it_is_needed_and_once() -> None:
    log = Log()
    below = _measure("below", log)
    _bench().run((_measure("one", log, below), _measure("other", log, below)), {})
    assert log.names.count("below") == 1


def test_one_that_crashes_stops_none_of_the_others() -> None:
    log = Log()

    def crash(bench: CaseBench) -> Told:
        raise ZeroDivisionError

    def refuse(bench: CaseBench) -> Told:
        raise NotMeasured("no")

    jaw = frozenset({Role.JAW})
    crashes = CaseMeasure(name="crashes", revision=1, result=Told, roles=jaw, compute=crash)
    refuses = CaseMeasure(name="refuses", revision=1, result=Told, roles=jaw, compute=refuse)
    made = _bench().run((crashes, refuses, _measure("fine", log)), {})
    assert [m.status for m in made] == [Status.CRASHED, Status.NOT_MEASURED, Status.MEASURED]
