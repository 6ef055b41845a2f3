"""Several records of a case on their benches, and what is measured of them together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import suppress
from threading import RLock
from typing import Any, TypeVar

from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.making import made_of
from server.measures.measure import (
    CaseMeasure,
    CaseRows,
    Measurement,
    NotMeasured,
    PairMeasure,
    RecordMeasure,
    Result,
    Status,
    case_inputs,
    is_asked_for,
    resting_on,
)
from server.metrology.made_once import made_once
from server.records.case_form import CaseForm
from server.records.roles import Role

R = TypeVar("R", bound=Result)
T = TypeVar("T")

THREADS = 2
"""How much of a case is measured at once. Most of the time goes by in compiled code, which threads run side by side."""


class CaseBench:
    """Several records of a case under measurement together, and those they replace, by file name.

    Measures that do not build on one another are made at once, by threads; each is made by one of them alone.
    """

    def __init__(
        self, form: CaseForm, records: Mapping[str, RecordBench], replaced: Mapping[str, RecordBench]
    ) -> None:
        self.form = form
        self.records = records
        self.replaced = replaced
        self._kept: Mapping[str, Measurement] = {}
        self._pairs: dict[str, Measurement] = {}
        self._together: dict[str, Measurement] = {}
        self._told: dict[str, Result] = {}
        self._locks: dict[str, Any] = {}
        self._once: dict[str, Any] = {}

    @property
    def bodies(self) -> BodySet:
        """The body catalogue, the same for all records."""
        return next((bench.bodies for bench in self.records.values()), BodySet())

    def files_of(self, role: Role) -> tuple[str, ...]:
        """The files of a role, in the form's order."""
        return tuple(file for file, bench in self.records.items() if bench.role is role)

    def result(self, file: str, measure: RecordMeasure[R]) -> R:
        """The result of a measure of one record that this one needs. Raises NotMeasured where that was not measured."""
        bench = self.records[file]
        with self._held(file):
            bench.ensure(measure, self._kept)
        return bench.result(measure)

    def together(self, measure: CaseMeasure[R]) -> R:
        """The result of a measure over several records that this one builds on. Raises NotMeasured where that was not
        measured."""
        told = self._told.get(measure.name)
        if isinstance(told, measure.result):
            return told
        made = self._together.get(measure.name) or self._make(measure)
        if made.status is not Status.MEASURED:
            raise NotMeasured(made.says, because=made.because)
        read = measure.result.model_validate(made.result)
        self._told[measure.name] = read
        return read

    def together_or_none(self, measure: CaseMeasure[R]) -> R | None:
        """The same for who can do without."""
        try:
            return self.together(measure)
        except NotMeasured:
            return None

    def once(self, name: str, make: Callable[[], T]) -> T:
        """What several measures reckon alike from the records, by a name of its own; made by the first that asks."""
        with self._held(name):
            if name not in self._once:
                self._once[name] = make()
            made: T = self._once[name]
            return made

    def pair(self, measure: PairMeasure[R], first: str, second: str) -> R:
        """The result of a measure of two records, by file, made only where it is not kept. Raises NotMeasured."""
        one, two = self.records[first], self.records[second]
        key = self._pair_key(measure, first, second)
        made = self._made_pair(key)
        if made is None:
            self._prepare(measure, (first, second))
            made = made_of(measure, key, lambda: measure.compute(one, two))
        self._pairs[key] = made
        if made.status is not Status.MEASURED:
            raise NotMeasured(made.says, because=made.because)
        return measure.result.model_validate(made.result)

    def compare_all(self, measure: PairMeasure[Any], pairs: Sequence[tuple[str, str]]) -> None:
        """Makes a measure of those pairs of which it is not kept, several at once; `pair` then finds each of them made,
        however it ended."""
        lacking = [pair for pair in pairs if self._made_pair(self._pair_key(measure, *pair)) is None]
        files = tuple(dict.fromkeys(file for pair in lacking for file in pair))
        self._prepare(measure, files)

        def prepare(file: str) -> None:
            with suppress(NotMeasured):
                self.records[file].prepare()

        def make(pair: tuple[str, str]) -> None:
            with suppress(NotMeasured):
                self.pair(measure, *pair)

        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(prepare, files))
            list(pool.map(make, lacking))

    def _pair_key(self, measure: PairMeasure[Any], first: str, second: str) -> str:
        rests_on = resting_on(self.bodies.digest, self.form.spots)
        return measure.key(self._rows[first], self._rows[second], rests_on)

    def _made_pair(self, key: str) -> Measurement | None:
        """A measure of two records made on this bench, or kept from before and then only where it did not crash."""
        kept = self._kept.get(key)
        return self._pairs.get(key) or (None if kept is None or kept.status is Status.CRASHED else kept)

    def _prepare(self, measure: PairMeasure[Any], files: Iterable[str]) -> None:
        """Makes what a measure of two records needs of each."""
        for file in files:
            for need in measure.needs:
                if self.records[file].role in need.roles:
                    with self._held(file):
                        self.records[file].ensure(need, self._kept)

    def run(self, measures: Iterable[CaseMeasure[Any]], kept: Mapping[str, Measurement]) -> list[Measurement]:
        """Makes every case measure that is asked for, in order, taking those found in `kept` (by key) as they are; after
        them, the measures of two records that were asked for on the way."""
        self._kept = kept
        asked = [m for m in measures if is_asked_for(m, self._rows)]
        made = self._made_in_turn(asked)
        return [*(made[m.name] for m in asked), *self._pairs.values()]

    def _held(self, name: str) -> Any:
        """The lock under which one thread makes a measure of that name, or one of that file's."""
        return self._locks.setdefault(name, RLock())

    def _made_in_turn(self, asked: Sequence[CaseMeasure[Any]]) -> dict[str, Measurement]:
        """Makes each measure once those it builds on are made, as many at once as there are THREADS, the first ones first."""
        names = {measure.name for measure in asked}
        waiting = {m.name: {b.name for b in m.builds_on if b.name in names} for m in asked}
        made: dict[str, Measurement] = {}
        running: dict[Future[Measurement], str] = {}
        with ThreadPoolExecutor(THREADS) as pool:
            while len(made) < len(names):
                for measure in asked:
                    is_ready = measure.name in waiting and waiting[measure.name] <= made.keys()
                    if is_ready and len(running) < THREADS:
                        del waiting[measure.name]
                        running[pool.submit(self._make, measure)] = measure.name
                for done in wait(running, return_when=FIRST_COMPLETED).done:
                    made[running.pop(done)] = done.result()
        return made

    def _make(self, measure: CaseMeasure[Any]) -> Measurement:
        with self._held(measure.name):
            if measure.name not in self._together:
                key = measure.key(case_inputs(measure, self._rows), self.form, self.bodies.digest)
                kept = self._kept.get(key)
                if kept is None or kept.status is Status.CRASHED:
                    kept = made_of(measure, key, lambda: measure.compute(self))
                self._together[measure.name] = kept
            return self._together[measure.name]

    @made_once
    def _rows(self) -> CaseRows:
        return {
            name: (b.role, b.unit, b.sha256, self.replaced[name].sha256 if name in self.replaced else "")
            for name, b in self.records.items()
        }
