"""The report: what was found, what was measured, what was not; the JSON of `archproof check` and of the API."""

from __future__ import annotations

from enum import StrEnum
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from server.explain.figures import Figures
from server.measures.measure import Status
from server.rules.finding import Finding
from server.rules.limit import Level, gravest

INCOMPLETE = "form/missing"
"""The rule that says what has not come yet."""


class Verdict(StrEnum):
    CLEAR = "clear"
    LOOK = "look"
    RETURN = "return"

    @property
    def exit_code(self) -> int:
        return {"clear": 0, "look": 10, "return": 20}[self.value]


def verdict_of(findings: tuple[Finding, ...]) -> Verdict:
    """The gravest finding; a note informs only."""
    level = gravest([finding.level for finding in findings])
    return {Level.LOOK: Verdict.LOOK, Level.RETURN: Verdict.RETURN}.get(level, Verdict.CLEAR)


class SheetName(BaseModel):
    model_config = ConfigDict(frozen=True)

    name: str
    version: int


class Timing(BaseModel):
    """Seconds of wall clock. read: reading the files, a part of the measuring child's work."""

    model_config = ConfigDict(frozen=True)

    read: float = 0.0
    measure: float = 0.0
    judge: float = 0.0
    explain: float = 0.0


class Report(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, serialize_by_alias=True)

    schema_: Literal["archproof.report/1"] = Field(default="archproof.report/1", alias="schema")
    verdict: Verdict
    says: str
    software: str
    sheet: SheetName
    judged_at: str
    findings: tuple[Finding, ...]
    measures: dict[str, Any]
    figures: Figures = Figures()
    not_measured: tuple[str, ...] = ()
    records: tuple[dict[str, str], ...] = ()
    timing_s: Timing = Timing()

    @property
    def is_only_incomplete(self) -> bool:
        """Whether nothing graver than a note was found but what has not come yet."""
        grave = [f for f in self.findings if f.level.gravity > Level.NOTE.gravity]
        return bool(grave) and all(f.rule == INCOMPLETE for f in grave)


def case_measure(report: Report | None, name: str) -> dict[str, Any] | None:
    """A measure over several records as a report has it, without its status; None where it was not made."""
    made = report.measures.get(name) if report else None
    if not isinstance(made, dict) or made.get("status") != Status.MEASURED.value:
        return None
    return {key: value for key, value in made.items() if key != "status"}
