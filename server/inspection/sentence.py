"""The one sentence on top: whether something must be scanned again before the patient leaves."""

from __future__ import annotations

from collections.abc import Sequence

from server.inspection.report import Verdict
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.wording import clause, listed

WILL_LOOK = "Nothing must be rescanned yet; the lab will look at this: "
"""What a clinic reads before the gravest thing that only the lab has to look at."""


def headline(
    verdict: Verdict, findings: Sequence[Finding], case: CaseEvidence, not_measured: Sequence[str]
) -> str:
    """One or two sentences for the clinic, the gravest first; what was not measured is always said."""
    if verdict is Verdict.CLEAR:
        return f"Nothing to rescan by what could be measured. Not measured: {listed(not_measured)}."
    level = Level.RETURN if verdict is Verdict.RETURN else Level.LOOK
    grave = [f for f in findings if f.level is level]
    first = gravest_of(grave)
    more = f" {_count(len(grave) - 1)} below." if len(grave) > 1 else ""
    if verdict is Verdict.LOOK:
        return f"{WILL_LOOK}{clause(first.says)}{more}"
    if first.rule.startswith("form/"):
        return f"Before the patient leaves, complete what the lab needs: {clause(first.says)}{more}"
    return f"Before the patient leaves, redo the {_what(first, case)}: {clause(first.says)}{more}"


def gravest_of(findings: Sequence[Finding]) -> Finding:
    """The one to be told first, of at least one: what must be scanned again comes before what must be written."""
    return max(findings, key=lambda f: (f.level.gravity, not f.rule.startswith("form/")))


def _what(finding: Finding, case: CaseEvidence) -> str:
    roles = [r.role.words for r in case.records if r.file in finding.records]
    return " and the ".join(dict.fromkeys(roles)) or "record"


def _count(n: int) -> str:
    return "One more reason is" if n == 1 else f"{n} more reasons are"
