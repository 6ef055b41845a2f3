"""The use case: a record set with its measurements is judged under a sheet and explained in a report."""

from __future__ import annotations

import logging
import time

from server.explain.figures import Figures, figures_of, picture_of
from server.inspection.report import Report, SheetName, Timing, verdict_of
from server.inspection.sentence import headline
from server.inspection.shown import measures_of, not_measured
from server.rules.catalogue import RULES
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.runner import judge
from server.rules.sheet import ToleranceSheet, default_sheet
from server.version import SOFTWARE

log = logging.getLogger(__name__)


def judge_case(
    case: CaseEvidence, sheet: ToleranceSheet | None = None, *, timing: Timing | None = None
) -> Report:
    """The report on a case. No file is opened: everything comes from the evidence. `sheet`: the default of the
    declared prosthesis where none is given."""
    applied = sheet or default_sheet(case.form.prosthesis)
    begun = time.perf_counter()
    judged = judge(RULES, case, applied)
    seconds = time.perf_counter() - begun
    figures, findings = _explained(case, judged)
    explained = time.perf_counter() - begun - seconds
    verdict, unseen = verdict_of(findings), not_measured(case)
    return Report(
        verdict=verdict,
        says=headline(verdict, findings, case, unseen),
        software=SOFTWARE,
        sheet=SheetName(name=applied.name, version=applied.version),
        judged_at=case.now.isoformat(),
        findings=findings,
        measures=measures_of(case),
        figures=figures,
        not_measured=unseen,
        records=tuple(
            {"file": r.file, "role": r.role.value, "unit": r.entry.unit.value, "sha256": r.sha256}
            for r in case.records
        ),
        timing_s=(timing or Timing()).model_copy(update={"judge": seconds, "explain": explained}),
    )


def _explained(case: CaseEvidence, judged: tuple[Finding, ...]) -> tuple[Figures, tuple[Finding, ...]]:
    """The figures, and the findings with theirs. A picture that breaks is logged and left out: it costs no verdict."""
    try:
        figures = figures_of(case)
        return figures, tuple(_pictured(finding, figures) for finding in judged)
    except Exception:
        log.exception("The figures of a case could not be made.")
        return Figures(), judged


def _pictured(finding: Finding, figures: Figures) -> Finding:
    """The finding with the picture that shows it named, where there is one."""
    picture = picture_of(finding, figures)
    return finding if picture is None else finding.model_copy(update={"picture": picture})
