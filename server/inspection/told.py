"""A report as lines of plain text, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from server.inspection.report import Report
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.numbers import limit_words, measured

_MARKS = {Level.RETURN: "RETURN", Level.LOOK: "LOOK  ", Level.NOTE: "note  "}


def report_lines(report: Report, pictures: Path | None = None) -> Iterator[str]:
    """The verdict, then every finding that is not clear, the gravest first. pictures: the folder they were written to."""
    yield f"{report.verdict.value.upper()}: {report.says}"
    yield ""
    for finding in sorted(report.findings, key=lambda f: -f.level.gravity):
        if finding.level is not Level.CLEAR:
            yield from _finding_lines(finding, pictures)
    passed = sum(f.outcome is Outcome.PASSED for f in report.findings)
    yield ""
    yield f"{passed} checks passed. Sheet: {report.sheet.name} {report.sheet.version}. {report.software}"
    yield "Not a diagnosis: the dentist decides. Limits come from practice and laboratory studies; see `archproof rules`."


def _finding_lines(finding: Finding, pictures: Path | None) -> Iterator[str]:
    about = ", ".join((*finding.records, *(f"site {tooth}" for tooth in finding.sites)))
    yield f"{_MARKS[finding.level]} {finding.rule}" + (f"  [{about}]" if about else "")
    yield f"       {finding.says}"
    if finding.value is not None and finding.limit is not None:
        value = measured(finding.value, finding.u95, finding.unit)
        yield f"       {value}; {limit_words(finding.limit, finding.unit)}"
    if finding.remedy:
        yield f"       → {finding.remedy}"
    if finding.picture and pictures is not None:
        yield f"       picture: {pictures / finding.picture}"
