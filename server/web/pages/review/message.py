"""The message with which a case goes back, drafted from its findings in words for the chair."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from server.records.roles import Role
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.wording import clause
from server.web.pages.reasons import about_words, title_of

MAX_LENGTH = 3800


def drafted_return(patient_code: str, findings: Sequence[Finding], roles: Mapping[str, Role]) -> str:
    """A draft: what is to be done again, why, and how; then what the lab only looked at."""
    grave = [f for f in findings if f.level is Level.RETURN]
    looks = [f for f in findings if f.level is Level.LOOK]
    opening = (
        f"Case {patient_code}: before we can begin, we need the following again."
        if patient_code
        else ("Before we can begin, we need the following again.")
    )
    lines = [opening, ""]
    for number, finding in enumerate(grave, start=1):
        lines += [f"{number}. {_about(finding, roles)}: {clause(finding.says)}", f"   {finding.remedy}", ""]
    if not grave:
        lines += ["(Write here what is to be done again.)", ""]
    if looks:
        lines.append("We also looked at this; say so if you can tell us more:")
        lines += [f"- {_about(f, roles)}: {clause(f.says)}" for f in looks]
        lines.append("")
    lines.append("Replace only what is named; everything else stays as it is.")
    text = "\n".join(lines)
    return text if len(text) <= MAX_LENGTH else text[:MAX_LENGTH].rsplit("\n", 1)[0] + "\n…"


def _about(finding: Finding, roles: Mapping[str, Role]) -> str:
    return about_words(finding, roles) or title_of(finding.rule)
