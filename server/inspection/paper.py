"""The report as a PDF: it reads well to someone who has never seen the portal. Set by typst from data alone, so that nothing
a person wrote is ever taken for markup."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import typst

from server.explain.figures import Figure, Figures, figure_of, svg_of
from server.inspection.report import Report, Verdict
from server.inspection.silence import silences_of
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.cautions import CAUTIONS
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.numbers import limit_words, measured
from server.rules.wording import listed, sentence, source_words

TEMPLATE = Path(__file__).resolve().parents[2] / "templates" / "report" / "report.typ"
_TITLES = {rule.id: rule.title for rule in RULES}
_VERDICTS = {
    Verdict.CLEAR: "Clear by what could be measured",
    Verdict.LOOK: "The lab must look",
    Verdict.RETURN: "Return to the clinic",
}
_LEVELS = {Level.RETURN: "Return", Level.LOOK: "Look", Level.NOTE: "Note"}
_SAID = (Outcome.FAILED, Outcome.DOUBTFUL, Outcome.CRASHED)
MOST_PLACES = 4
"""Places drawn at most; each takes a fifth of a second."""
Place = Callable[[Finding], str]
"""The picture of the place that a finding points at, as SVG; empty where there is none."""


def no_place(_: Finding) -> str:
    return ""


@dataclass(frozen=True, slots=True)
class AcceptedLine:
    """A finding that somebody accepted: which, why and who."""

    rule: str
    about: str
    reason: str
    by: str


def report_pdf(
    report: Report, form: CaseForm, accepted: Iterable[AcceptedLine] = (), place: Place = no_place
) -> bytes:
    """The report as the bytes of a PDF (A4). accepted: what the lab has waived; place: draws where a finding points."""
    told = json.dumps(_data(report, form, tuple(accepted), place), ensure_ascii=False)
    at = datetime.fromisoformat(report.judged_at)
    made = typst.compile(_source(), sys_inputs={"data": told}, timestamp=int(at.timestamp()))
    if not isinstance(made, bytes):
        raise TypeError("the report is one document")
    return made


@cache
def _source() -> bytes:
    return TEMPLATE.read_bytes()


def _data(report: Report, form: CaseForm, accepted: tuple[AcceptedLine, ...], place: Place) -> dict[str, Any]:
    roles = {entry.file: entry.role for entry in form.records}
    grave = sorted(
        (f for f in report.findings if f.level in (Level.LOOK, Level.RETURN)), key=lambda f: -f.level.gravity
    )
    notes = [f for f in report.findings if f.level is Level.NOTE and f.outcome in _SAID]
    drawn = Drawn(report.figures, place)
    return {
        "verdict": _VERDICTS[report.verdict],
        "kind": report.verdict.value,
        "says": report.says,
        "facts": _facts(report, form),
        "findings": [_finding(f, roles, drawn) for f in grave],
        "notes": _notes(notes, roles),
        "values": [_value(f, roles) for f in report.findings if f.value is not None and f.limit is not None],
        "accepted": [[a.rule, a.about, a.reason, a.by] for a in accepted],
        "not_measured": [*map(sentence, report.not_measured), *_silences(report, roles)],
        "records": [[sentence(roles[r["file"]].words), r["file"], r["sha256"]] for r in report.records],
        "cautions": list(CAUTIONS),
        "software": report.software,
    }


def _facts(report: Report, form: CaseForm) -> list[list[str]]:
    said = (
        ("Case", form.patient_code),
        ("Working jaw", form.working_arch.value if form.working_arch else None),
        ("To be made", form.prosthesis.value if form.prosthesis else None),
        ("Implants", ", ".join(site.tooth or "?" for site in form.sites) or None),
        ("Judged", f"{datetime.fromisoformat(report.judged_at):%Y-%m-%d %H:%M %Z}"),
        ("Tolerance sheet", f"{report.sheet.name}, version {report.sheet.version}"),
    )
    return [[label, words] for label, words in said if words]


class Drawn:
    """The pictures of a report: each is shown once, at the first finding that rests on it; and MOST_PLACES of the places of
    findings that have none."""

    def __init__(self, figures: Figures, place: Place) -> None:
        self._figures = figures
        self._place = place
        self._shown: set[str] = set()
        self._n_places = 0

    def of(self, finding: Finding) -> str:
        """As SVG; empty where there is none, or where it has been shown."""
        figure: Figure | None = figure_of(finding, self._figures)
        if figure is None:
            return self._place_of(finding)
        if figure.name in self._shown:
            return ""
        self._shown.add(figure.name)
        return svg_of(figure)

    def _place_of(self, finding: Finding) -> str:
        if not finding.where or self._n_places == MOST_PLACES:
            return ""
        made = self._place(finding)
        self._n_places += bool(made)
        return made


def _silences(report: Report, roles: Mapping[str, Role]) -> list[str]:
    """What could not be answered, each cause once with the checks that hang on it."""
    lines = []
    for silence in silences_of(report):
        checks = [
            " – ".join(filter(None, (_TITLES.get(f.rule, f.rule), _about(f, roles))))
            for f in silence.findings
        ]
        because = f" (because of: {_TITLES.get(silence.because, silence.because)})" if silence.because else ""
        lines.append(f"{silence.says}{because} Not checked for it: {'; '.join(checks)}")
    return lines


def _finding(finding: Finding, roles: Mapping[str, Role], drawn: Drawn) -> dict[str, str]:
    limit = finding.limit
    return {
        "level": _LEVELS[finding.level],
        "kind": finding.level.value,
        "title": _TITLES.get(finding.rule, finding.rule),
        "rule": finding.rule,
        "about": _about(finding, roles),
        "says": finding.says,
        "value": _value_words(finding),
        "limit": limit_words(limit, finding.unit) if limit else "",
        "source": source_words(limit.source, limit.standing) if limit else "",
        "remedy": finding.remedy,
        "picture": drawn.of(finding),
    }


def _notes(notes: Iterable[Finding], roles: Mapping[str, Role]) -> list[list[str]]:
    """What is said alike of several records or sites, once."""
    said: dict[tuple[str, str], list[str]] = {}
    for finding in notes:
        said.setdefault((finding.rule, finding.says), []).append(_about(finding, roles))
    return [
        [_TITLES.get(rule, rule), listed(list(dict.fromkeys(filter(None, about)))), says]
        for (rule, says), about in said.items()
    ]


def _value(finding: Finding, roles: Mapping[str, Role]) -> list[str]:
    assert finding.limit is not None
    return [
        _TITLES.get(finding.rule, finding.rule),
        _about(finding, roles),
        _value_words(finding),
        limit_words(finding.limit, finding.unit),
    ]


def _value_words(finding: Finding) -> str:
    return "" if finding.value is None else measured(finding.value, finding.u95, finding.unit)


def _about(finding: Finding, roles: Mapping[str, Role]) -> str:
    names = list(dict.fromkeys(roles[file].words for file in finding.records if file in roles))
    sites = ", ".join(code or "?" for code in finding.sites)
    return " · ".join(filter(None, (sentence(listed(names)), f"site {sites}" if sites else "")))
