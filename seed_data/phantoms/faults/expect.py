"""Short ways to say what a fault must lead to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.truth import Expectation, Vector
from seed_data.phantoms.work import Fault, Stage, Work
from server.rules.limit import Level


@dataclass(frozen=True, slots=True)
class Found:
    """What must be found; the fault's own name and rule are added to it."""

    level: Level
    key: str | None = None
    sites: tuple[int, ...] = ()
    place_mm: Vector | None = None
    place_within_mm: float | None = None
    value: float | None = None
    value_within: float | None = None
    unit: str = ""
    also: tuple[str, ...] = ()


Spoil = Callable[[Work, Dice], Found | list[Found]]


def fault(name: str, rule: str, stage: Stage, says: str, spoil: Spoil) -> Fault:
    """A fault whose expectation carries its name and rule, and the file's name for the record's key."""

    def whole(work: Work, rng: Dice) -> list[Expectation]:
        found = spoil(work, rng)
        return [
            _expectation(work, name, rule, says, each)
            for each in (found if isinstance(found, list) else [found])
        ]

    return Fault(name, rule, stage, says, whole)


def _expectation(work: Work, name: str, rule: str, says: str, found: Found) -> Expectation:
    return Expectation(
        fault=name,
        rule=rule,
        level=found.level,
        record=None if found.key is None else work.files[found.key].name,
        site_index=found.sites,
        place_mm=found.place_mm,
        place_within_mm=found.place_within_mm,
        value=found.value,
        value_within=found.value_within,
        unit=found.unit,
        also=found.also,
        says=says,
    )
