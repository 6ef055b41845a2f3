"""Judgements as kept, and the waivers that stand beside them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from sqlmodel import select

from server.accounts.work import Work
from server.cases.lookup import current_round
from server.cases.tables import Case, Round
from server.errors import NotFound
from server.inspection.report import Report, Verdict
from server.inspection.sentence import gravest_of
from server.inspection.tables import Judgement, Waiver
from server.kit.ids import new_id
from server.rules.finding import Finding
from server.rules.limit import Level, gravest

NOT_COMPLETE = "Nothing to rescan so far, by what could be measured. Not complete yet."
ALL_ACCEPTED = "All that was found is accepted by the lab."
NO_VERDICT_LIGHTNESS = 3
OPEN_LEVELS = (Level.LOOK, Level.RETURN)


def is_judged(work: Work, round_: Round, fingerprint: str) -> bool:
    """Whether the round's latest report rests on just what the fingerprint stands for."""
    row = work.session.get(Judgement, round_.judgement_id) if round_.judgement_id else None
    return row is not None and row.fingerprint == fingerprint


def keep_judgement(work: Work, case: Case, round_: Round, report: Report, fingerprint: str) -> Judgement:
    """Adds the report to the round, and lets the case's columns follow it."""
    judgement = Judgement(
        id=new_id(),
        case_id=case.id,
        round_number=round_.number,
        fingerprint=fingerprint,
        verdict=report.verdict.value,
        report=report.model_dump(mode="json"),
        at=work.now,
    )
    work.session.add(judgement)
    round_.judgement_id = judgement.id
    mirror(case, report, waivers_of(work, case.id), is_open=round_.submitted_at is None)
    return judgement


def mirror(case: Case, report: Report, waivers: Mapping[str, Waiver], *, is_open: bool = False) -> None:
    """Writes into the case what lists show of its report. While a round is open and only lacks what has not come yet,
    there is no verdict to show."""
    if is_open and report.is_only_incomplete:
        case.verdict, case.headline = None, NOT_COMPLETE
        case.open_returns, case.open_looks, case.lightness = 0, 0, NO_VERDICT_LIGHTNESS
        return
    left = open_findings(report, waivers)
    levels = [f.level for f in left]
    is_to_redo = report.verdict is Verdict.RETURN and len(left) == len(open_findings(report, {}))
    case.verdict = report.verdict.value
    case.headline = (report.says if is_to_redo else lab_says(report, left))[:2000]
    case.open_returns, case.open_looks = levels.count(Level.RETURN), levels.count(Level.LOOK)
    case.lightness = Level.RETURN.gravity - gravest(levels).gravity


def lab_says(report: Report, left: list[Finding]) -> str:
    """What is wrong in words, less what the lab has accepted. left: the findings that are still open."""
    n_accepted = len(open_findings(report, {})) - len(left)
    if not left:
        return ALL_ACCEPTED if n_accepted else report.says
    more = f" {len(left) - 1} more." if len(left) > 1 else ""
    accepted = f" {n_accepted} accepted by the lab." if n_accepted else ""
    return f"{gravest_of(left).says}{more}{accepted}"


def report_of(work: Work, round_: Round) -> Report | None:
    """The latest report on a round; None where it was never judged."""
    row = work.session.get(Judgement, round_.judgement_id) if round_.judgement_id else None
    return Report.model_validate(row.report) if row is not None else None


def waivers_of(work: Work, case_id: str) -> dict[str, Waiver]:
    """The waivers of a case by the finding they accept."""
    rows = work.session.exec(select(Waiver).where(Waiver.case_id == case_id).order_by(Waiver.at))  # type: ignore[arg-type]
    return {row.finding_key: row for row in rows}


def finding_key(finding: Finding, report: Report) -> str:
    """Names a finding by its rule, the bytes of its records and its sites: what a waiver binds to."""
    digests = {record["file"]: record["sha256"] for record in report.records}
    about = (finding.rule, *sorted(digests.get(f, f) for f in finding.records), *map(str, finding.site_index))
    return hashlib.sha256("|".join(about).encode()).hexdigest()


def open_findings(report: Report, waivers: Mapping[str, Waiver]) -> list[Finding]:
    """The findings at look or return that nobody has waived at that level or a graver one."""
    return [f for f in report.findings if f.level in OPEN_LEVELS and not is_waived(f, report, waivers)]


def is_waived(finding: Finding, report: Report, waivers: Mapping[str, Waiver]) -> bool:
    waiver = waivers.get(finding_key(finding, report))
    return waiver is not None and Level(waiver.level).gravity >= finding.level.gravity


class NotJudged(NotFound):
    """There is no report on the round at hand yet."""

    code = "not-judged"


def judged_report(work: Work, case: Case) -> Report:
    """The latest report on the round at hand. Raises NotJudged."""
    found = report_of(work, current_round(work, case))
    if found is None:
        raise NotJudged("The round at hand has not been judged yet.")
    return found
