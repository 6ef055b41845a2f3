"""Limits: two numbers, a unit and a source; how a value and its uncertainty stand to them; the words for it.

Source: the decision near a limit follows ISO 14253-1 and JCGM 106:2012 (from memory): conformity is stated
only where the value plus its expanded uncertainty stays inside the limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum


class Sense(StrEnum):
    UPPER = "upper"
    LOWER = "lower"


class Outcome(StrEnum):
    PASSED = "passed"
    DOUBTFUL = "doubtful"
    FAILED = "failed"
    NOT_APPLICABLE = "not_applicable"
    NOT_MEASURED = "not_measured"
    CRASHED = "crashed"


class Level(StrEnum):
    CLEAR = "clear"
    NOTE = "note"
    LOOK = "look"
    RETURN = "return"

    @property
    def gravity(self) -> int:
        return _GRAVITY[self]


_GRAVITY = {Level.CLEAR: 0, Level.NOTE: 1, Level.LOOK: 2, Level.RETURN: 3}


def gravest(levels: list[Level]) -> Level:
    """The gravest of some levels; clear where there are none."""
    return max(levels, key=lambda level: level.gravity, default=Level.CLEAR)


class Standing(StrEnum):
    LITERATURE = "literature"
    PRACTICE = "common practice or our own proposal"
    MEMORY = "from memory, unconfirmed"


def unit_tail(unit: str) -> str:
    """A unit as it follows a number: after a space, degrees without one."""
    return unit if unit in ("", "°") else f" {unit}"


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a value is looked at and where it is returned. Two-sided limits are two limits.

    An upper limit has look <= return_; a lower limit mirrors it. A limit that only asks for a look never
    returns: its return_ is infinite. `source` is the words for where the numbers come from.
    """

    look: float
    return_: float
    unit: str
    source: str
    standing: Standing = Standing.PRACTICE
    sense: Sense = Sense.UPPER

    def __post_init__(self) -> None:
        low, high = (self.look, self.return_) if self.sense is Sense.UPPER else (self.return_, self.look)
        if not low <= high:
            raise ValueError("the look limit must be reached before the return limit")

    def judge(self, value: float, u95: float = 0.0) -> tuple[Outcome, Level]:
        """Within when v + U <= look; beyond when v - U > return; failed at look between the two when that is
        certain (v - U > look), doubtful where the uncertainty straddles a limit: the lab looks."""
        sign = 1.0 if self.sense is Sense.UPPER else -1.0
        v, look, back = sign * value, sign * self.look, sign * self.return_
        if v + u95 <= look:
            return Outcome.PASSED, Level.CLEAR
        if v - u95 > back:
            return Outcome.FAILED, Level.RETURN
        certain = v - u95 > look and v + u95 <= back
        return (Outcome.FAILED if certain else Outcome.DOUBTFUL), Level.LOOK

    @classmethod
    def look_only(
        cls,
        look: float,
        unit: str,
        source: str,
        standing: Standing = Standing.PRACTICE,
        sense: Sense = Sense.UPPER,
    ) -> Limit:
        """A limit beyond which the lab looks and that returns nothing, however far the value goes."""
        return cls(look, math.inf if sense is Sense.UPPER else -math.inf, unit, source, standing, sense)

    @property
    def never_returns(self) -> bool:
        return math.isinf(self.return_)

    def with_numbers(self, look: float, return_: float | None, source: str) -> Limit:
        """The same limit with a sheet's own numbers and source; without a return number it never returns."""
        if return_ is None:
            return_ = math.inf if self.sense is Sense.UPPER else -math.inf
        return replace(self, look=look, return_=return_, source=source)

    @property
    def words(self) -> str:
        beyond = "above" if self.sense is Sense.UPPER else "below"
        unit = unit_tail(self.unit)
        if self.never_returns:
            return f"look {beyond} {self.look:g}{unit}"
        if self.look == self.return_:
            return f"return {beyond} {self.return_:g}{unit}"
        return f"look {beyond} {self.look:g}{unit}, return {beyond} {self.return_:g}{unit}"
