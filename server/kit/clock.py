"""The time, from one place, so that a test or `--now` can set it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta


def _utc_now() -> datetime:
    return datetime.now(UTC)


@dataclass(frozen=True)
class Clock:
    """`now()` is always aware and in UTC."""

    now: Callable[[], datetime] = _utc_now


@dataclass
class SetClock:
    """A clock for tests: it stands where it was put."""

    at: datetime
    clock: Clock = field(init=False)

    def __post_init__(self) -> None:
        self.clock = Clock(lambda: self.at)

    def advance(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)
