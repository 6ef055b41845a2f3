"""An attribute made once: by whom it is asked, how often, and who waits for whom."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Barrier, Event

import pytest

from server.metrology.made_once import made_once

PATIENCE_S = 20.0


class _Counted:
    def __init__(self) -> None:
        self.times = 0
        self.gate = Event()

    @made_once
    def value(self) -> int:
        """How often it was made."""
        self.gate.wait(PATIENCE_S)
        self.times += 1
        return self.times

    @made_once
    def twice(self) -> int:
        return 2 * self.value

    @made_once
    def broken(self) -> int:
        self.times += 1
        raise ValueError(f"{self.times}")


def test_threads_that_ask_one_object_get_what_one_of_them_made() -> None:
    counted, together = _Counted(), Barrier(4)

    def ask(_: int) -> int:
        together.wait(PATIENCE_S)
        return counted.value

    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(ask, k) for k in range(4)]
        counted.gate.set()
        assert [one.result(PATIENCE_S) for one in asked] == [1, 1, 1, 1]
    assert (counted.twice, counted.times) == (2, 1)


def test_nobody_waits_for_another_object() -> None:
    held, free = _Counted(), _Counted()
    free.gate.set()
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(lambda: held.value)
        assert free.value == 1
        assert not waiting.done()
        held.gate.set()
        assert waiting.result(PATIENCE_S) == 1


def test_what_failed_is_tried_again() -> None:
    counted = _Counted()
    for time in ("1", "2"):
        with pytest.raises(ValueError, match=time):
            _ = counted.broken


def test_it_serves_frozen_objects_and_tells_of_itself_on_the_class() -> None:
    @dataclass(frozen=True)
    class Frozen:
        side: float

        @made_once
        def area(self) -> float:
            """Its area."""
            return self.side**2

    assert Frozen(3.0).area == 9.0
    assert Frozen.area.__doc__ == "Its area."
