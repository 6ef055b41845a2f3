"""What a report could not answer, by the cause: so that what many checks lacked is said once."""

from __future__ import annotations

from dataclasses import dataclass

from server.inspection.report import Report
from server.rules.finding import Finding
from server.rules.limit import Outcome

UNANSWERED = (Outcome.NOT_MEASURED, Outcome.CRASHED)


@dataclass(frozen=True, slots=True)
class Silence:
    """One cause. says: in words; because: the rule whose finding is the cause, None where there is none; findings: the answers
    that are lacking for it, one for each rule, about all the records and sites together."""

    says: str
    because: str | None
    findings: tuple[Finding, ...]


def silences_of(report: Report) -> tuple[Silence, ...]:
    """Every cause, in the order of the findings."""
    by_cause: dict[tuple[str, str | None], dict[str, Finding]] = {}
    for finding in report.findings:
        if finding.outcome in UNANSWERED:
            made = by_cause.setdefault((finding.says, finding.because), {})
            before = made.get(finding.rule)
            made[finding.rule] = finding if before is None else _together(before, finding)
    return tuple(Silence(says, because, tuple(made.values())) for (says, because), made in by_cause.items())


def _together(a: Finding, b: Finding) -> Finding:
    """One finding about all that two are about."""
    codes = dict(zip((*a.site_index, *b.site_index), (*a.sites, *b.sites), strict=False))
    return a.model_copy(
        update={
            "records": tuple(dict.fromkeys((*a.records, *b.records))),
            "sites": tuple(codes.values()),
            "site_index": tuple(codes),
        }
    )
