"""The rounds of a case, and what changed with each: files, findings cleared, still there, or new, with their values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from zoneinfo import ZoneInfo

from server.cases.lookup import CaseView
from server.cases.tables import MessageKind, Round
from server.inspection.report import Report
from server.records.roles import Role, role_rank
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.numbers import limit_words, measured
from server.rules.wording import sentence
from server.web.pages.chair.page import ChangeView, TurnView
from server.web.pages.parts import BUSY_TAG, TagView, level_tag
from server.web.pages.reasons import about_words, title_of
from server.web.pages.words import time_view

_PREPARED_TAG = TagView("none", "Being prepared", "none")
_GRAVE = (Level.LOOK, Level.RETURN)
_ANSWERED = (Outcome.PASSED, Outcome.DOUBTFUL, Outcome.FAILED)
_Subject = tuple[str, tuple[str, ...], tuple[int, ...], str]


def turns_of(
    view: CaseView, report: Report | None, earlier: Mapping[int, Report], zone: ZoneInfo
) -> tuple[TurnView, ...]:
    """The rounds, the latest first. report: on the current round; earlier: on those before, by number."""
    return tuple(_turn(round_, view, report, earlier, zone) for round_ in reversed(view.rounds))


def _turn(
    round_: Round, view: CaseView, report: Report | None, earlier: Mapping[int, Report], zone: ZoneInfo
) -> TurnView:
    number = round_.number
    own = report if number == view.case.round_number else earlier.get(number)
    tag = level_tag(Level(own.verdict.value)) if own else BUSY_TAG if round_.submitted_at else _PREPARED_TAG
    at = time_view(round_.submitted_at, zone) if round_.submitted_at else None
    changes = [*_files(round_, view, earlier.get(number - 1)), *_between(earlier.get(number - 1), own)]
    if any(m.kind is MessageKind.RETURN and m.round_number == number for m in view.messages):
        changes.append(ChangeView("return", "Returned", "by the lab; see the messages"))
    return TurnView(number, f"Round {number}", at, tag, tuple(changes))


def _files(round_: Round, view: CaseView, before: Report | None) -> Iterator[ChangeView]:
    """What became of the files, by role: as many gone as came are replaced, other numbers are taken out and new. What is kept
    is said of the current round, whose records are at hand."""
    if round_.number == 1:
        return
    there = _roles(before) if before else {}
    records = sorted((r for r in view.records if r.role), key=lambda r: role_rank(r.role))
    kept = [r for r in records if r.first_round < round_.number]
    kept_names = {r.file_name for r in kept}
    is_current = round_.number == view.case.round_number
    for role in Role:
        fresh = [r.file_name for r in records if r.role is role and r.first_round == round_.number]
        gone = [name for name, was in there.items() if was is role and name not in kept_names and is_current]
        if fresh and len(fresh) == len(gone):
            before_words = "" if set(gone) == set(fresh) else f", before {', '.join(gone)}"
            words = f"{role.words} ({', '.join(fresh)}{before_words})"
            yield ChangeView("replace", "Replaced", words)
            continue
        for name in fresh:
            yield ChangeView("replace", "New file", f"{role.words} ({name})")
        for name in gone:
            yield ChangeView("minus", "Taken out", f"{role.words} ({name})")
    if is_current and kept:
        yield ChangeView("none", "Kept", ", ".join(f"{r.role.words} ({r.file_name})" for r in kept if r.role))


def _between(before: Report | None, now: Report | None) -> Iterator[ChangeView]:
    """What one report says otherwise than the one before it."""
    if before is None or now is None:
        return
    was, now_said, all_now = _grave(before), _grave(now), _by_subject(now)
    for subject, finding in was.items():
        if subject in now_said:
            words = _held(_values(finding, now_said[subject]), now_said[subject]) or "as before"
            yield ChangeView(now_said[subject].level.value, "Still there", _of(finding, before, words))
        elif _is_answered(finding, all_now.get(subject), now):
            values = _values(finding, all_now.get(subject))
            yield ChangeView("clear", "Cleared", _of(finding, before, _held(values, finding)))
        else:
            yield ChangeView("none", "No longer measured", _of(finding, before, ""))
    for subject, finding in now_said.items():
        if subject not in was:
            yield ChangeView(
                finding.level.value, "Now found", _of(finding, now, _held(_value(finding), finding))
            )


def _is_answered(was: Finding, answer: Finding | None, now: Report) -> bool:
    """Whether what was found was looked for again and is not there: by the answer on the same subject, else by all of the
    rule's."""
    if answer is not None:
        return answer.outcome in _ANSWERED
    of_rule = [f for f in now.findings if f.rule == was.rule]
    return not any(f.outcome in (Outcome.NOT_MEASURED, Outcome.CRASHED) for f in of_rule)


def _grave(report: Report) -> dict[_Subject, Finding]:
    return {subject: f for subject, f in _by_subject(report).items() if f.level in _GRAVE}


def _by_subject(report: Report) -> dict[_Subject, Finding]:
    """The answers by what they are about: a file that was replaced is about the same as the one before it. Of several the
    gravest."""
    roles = _roles(report)
    ranked = sorted(report.findings, key=lambda f: f.level.gravity)
    return {
        (f.rule, tuple(roles[file].value for file in f.records if file in roles), f.site_index, f.unit): f
        for f in ranked
    }


def _roles(report: Report) -> dict[str, Role]:
    return {str(record["file"]): Role(record["role"]) for record in report.records}


def _of(finding: Finding, report: Report, words: str) -> str:
    about = about_words(finding, _roles(report))
    what = f"{title_of(finding.rule)} – {about}" if about else title_of(finding.rule)
    return f"{what}: {words}" if words else what


def _value(finding: Finding | None) -> str:
    if finding is None or finding.value is None:
        return ""
    return measured(finding.value, finding.u95, finding.unit)


def _values(then: Finding, now: Finding | None) -> str:
    """Both values, where there are two; what was, where there is one."""
    before, after = _value(then), _value(now)
    if before and after:
        return f"{before} before, {after} now" if before != after else f"{after}, as before"
    return f"{before} before" if before else sentence(after)


def _held(words: str, finding: Finding) -> str:
    """The values and the limit they were held against."""
    return f"{words} ({limit_words(finding.limit, finding.unit)})" if words and finding.limit else words
