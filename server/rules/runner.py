"""Judges a case under a sheet: every rule of the catalogue answers, and silence never means passed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence, SiteEvidence
from server.rules.finding import Finding, LimitApplied
from server.rules.limit import Level, Limit, Outcome
from server.rules.numbers import doubt_words
from server.rules.rule import DoesNotApply, NotSeen, Observation, Rule, Seen
from server.rules.sheet import ToleranceSheet


@dataclass(frozen=True, slots=True)
class _About:
    """What a rule was asked about: the files and sites that its findings name."""

    files: tuple[str, ...] = ()
    sites: tuple[int, ...] = ()


def judge(rules: Iterable[Rule], case: CaseEvidence, sheet: ToleranceSheet) -> tuple[Finding, ...]:
    """The findings of all rules, in the catalogue's order; at least one per rule, one per record or site."""
    return tuple(finding for rule in rules for finding in _judge_rule(rule, case, sheet))


def _judge_rule(rule: Rule, case: CaseEvidence, sheet: ToleranceSheet) -> list[Finding]:
    findings: list[Finding] = []
    for about, observe in _questions(rule, case):
        findings += _ask(rule, case, sheet, about, observe)
    return findings or [
        _plain(rule, case, _About(), Outcome.NOT_APPLICABLE, Level.CLEAR, "No record this applies to.")
    ]


def _questions(rule: Rule, case: CaseEvidence) -> Iterator[tuple[_About, Callable[[], Iterable[Seen]]]]:
    if rule.of_record is not None:
        for record in case.of_roles(rule.roles):
            yield _About(files=(record.file,)), _bind_record(rule, record, case)
    elif rule.of_site is not None:
        for index, site in enumerate(case.form.sites):
            yield _About(sites=(index,)), _bind_site(rule, SiteEvidence(index, site), case)
    elif rule.of_case is not None:
        of_case = rule.of_case
        yield _About(), lambda: of_case(case)


def _bind_record(rule: Rule, record: RecordEvidence, case: CaseEvidence) -> Callable[[], Iterable[Seen]]:
    assert rule.of_record is not None
    observe = rule.of_record
    return lambda: observe(record, case)


def _bind_site(rule: Rule, site: SiteEvidence, case: CaseEvidence) -> Callable[[], Iterable[Seen]]:
    assert rule.of_site is not None
    observe = rule.of_site
    return lambda: observe(site, case)


def _ask(
    rule: Rule,
    case: CaseEvidence,
    sheet: ToleranceSheet,
    about: _About,
    observe: Callable[[], Iterable[Seen]],
) -> list[Finding]:
    try:
        return [_finding(rule, case, sheet, about, seen) for seen in observe()]
    except Lacking as lacking:
        if lacking.crashed:
            says = _sentence(lacking.says)
            return [_plain(rule, case, about, Outcome.CRASHED, Level.LOOK, says, lacking.because)]
        return [_not_measured(rule, case, about, lacking.says, lacking.because)]
    except Exception as fault:  # noqa: BLE001 - the one broad except: a crash is an outcome that people see
        says = f"This check broke ({type(fault).__name__}); it is our fault, not the record's."
        return [_plain(rule, case, about, Outcome.CRASHED, Level.LOOK, says)]


def _finding(rule: Rule, case: CaseEvidence, sheet: ToleranceSheet, about: _About, seen: Seen) -> Finding:
    if isinstance(seen, DoesNotApply):
        return _plain(rule, case, about, Outcome.NOT_APPLICABLE, Level.CLEAR, seen.says)
    if isinstance(seen, NotSeen):
        return _not_measured(rule, case, about, seen.says, seen.because)
    limit = sheet.limit(rule, seen.limit) if seen.value is not None and rule.limits else None
    outcome, level = _decide(rule, sheet, seen, limit)
    applied = _applied(limit) if limit else None
    unit = limit.unit if limit else ""
    sites = tuple(dict.fromkeys((*about.sites, *seen.site_index)))
    return Finding(
        rule=rule.id,
        revision=rule.revision,
        outcome=outcome,
        level=level,
        records=tuple(dict.fromkeys((*about.files, *seen.other_records))),
        sites=_tooth_codes(case, sites),
        site_index=sites,
        value=seen.value,
        u95=seen.u95 if seen.value is not None else None,
        unit=unit,
        limit=applied,
        where=seen.where,
        says=_said(seen, outcome, applied, unit),
        remedy=(seen.remedy or rule.remedy) if level.gravity > Level.CLEAR.gravity else "",
    )


def _said(seen: Observation, outcome: Outcome, limit: LimitApplied | None, unit: str) -> str:
    """The rule's sentence, and where the lab has to look because of the uncertainty alone, that it is so."""
    if outcome is not Outcome.DOUBTFUL or limit is None or seen.value is None:
        return seen.says
    return f"{seen.says} {doubt_words(seen.value, seen.u95, limit, unit)}"


def _decide(
    rule: Rule, sheet: ToleranceSheet, seen: Observation, limit: Limit | None
) -> tuple[Outcome, Level]:
    if limit is not None and seen.value is not None:
        outcome, level = limit.judge(seen.value, seen.u95)
        return (outcome, seen.level) if seen.level and outcome is not Outcome.PASSED else (outcome, level)
    if seen.broken:
        return Outcome.FAILED, seen.level or sheet.level(rule)
    return Outcome.PASSED, Level.CLEAR


def _not_measured(rule: Rule, case: CaseEvidence, about: _About, says: str, because: str | None) -> Finding:
    """A look where another rule's finding is the cause, else a note."""
    level = Level.LOOK if because else Level.NOTE
    return _plain(rule, case, about, Outcome.NOT_MEASURED, level, _sentence(says), because)


def _plain(
    rule: Rule,
    case: CaseEvidence,
    about: _About,
    outcome: Outcome,
    level: Level,
    says: str,
    because: str | None = None,
) -> Finding:
    return Finding(
        rule=rule.id,
        revision=rule.revision,
        outcome=outcome,
        level=level,
        records=about.files,
        sites=_tooth_codes(case, about.sites),
        site_index=about.sites,
        says=says,
        because=because,
    )


def _tooth_codes(case: CaseEvidence, sites: tuple[int, ...]) -> tuple[str, ...]:
    return tuple(case.form.sites[index].tooth for index in sites)


def _applied(limit: Limit) -> LimitApplied:
    return LimitApplied(
        look=limit.look,
        return_=limit.return_,
        source=limit.source,
        standing=limit.standing.value,
        sense=limit.sense.value,
    )


def _sentence(says: str) -> str:
    text = says.strip() or "It was not measured"
    text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."
