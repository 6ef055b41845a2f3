"""From findings to what people read: a title, the value against its limit, the place, the remedy."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

from server.inspection.report import Report
from server.inspection.silence import silences_of
from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.rules.wording import sentence
from server.web.pages.chair.page import ReasonView
from server.web.pages.parts import WAIVED_TAG, SilenceView, Unasked, finding_tag
from server.web.pages.pictures import Pictures
from server.web.pages.scales import ScaleView, scale_of
from server.web.pages.shots.views import ShotView

_TITLES = {rule.id: rule.title for rule in RULES}
_SAID = (Outcome.FAILED, Outcome.DOUBTFUL, Outcome.CRASHED)


def title_of(rule_id: str) -> str:
    """What a rule is called; its id where the catalogue no longer has it."""
    return _TITLES.get(rule_id, rule_id)


def anchor_of(finding: Finding) -> str:
    """A name for the place of a finding on a page: the same as long as it says the same."""
    about = "|".join((finding.rule, *finding.records, *(str(i) for i in finding.site_index), finding.says))
    return "reason-" + hashlib.sha256(about.encode()).hexdigest()[:12]


def scale_for(finding: Finding) -> ScaleView | None:
    """The figure of a finding that has a value and a limit."""
    if finding.value is None or finding.limit is None:
        return None
    return scale_of(finding.value, finding.u95, finding.unit, finding.limit)


def where_words(finding: Finding) -> str:
    """The first place of a finding, in its record's own coordinates, and how many more there are."""
    if not finding.where:
        return ""
    first = finding.where[0]
    x, y, z = first.point_mm
    more = len(finding.where) - 1
    tail = f", and {more} more place{'' if more == 1 else 's'}" if more else ""
    return f"{first.record}, near x {x:.1f}, y {y:.1f}, z {z:.1f} mm{tail}"


def about_words(finding: Finding, roles: Mapping[str, Role]) -> str:
    """What a finding is about: the records by role, the sites by tooth."""
    names = list(dict.fromkeys(roles[file].words for file in finding.records if file in roles))
    parts = [sentence(" and ".join(names))] if names else []
    if finding.sites:
        parts.append("site " + ", ".join(code or f"no. {i + 1}" for code, i in _sites(finding)))
    return " · ".join(parts)


def _sites(finding: Finding) -> Iterable[tuple[str, int]]:
    return zip(finding.sites, finding.site_index, strict=False)


def reason_of(
    finding: Finding,
    roles: Mapping[str, Role],
    waived_words: str = "",
    pictures: Pictures | None = None,
    shot: ShotView | None = None,
) -> ReasonView:
    """One finding in chairside words. pictures: of its report; shot: of its place."""
    first_role = next((roles[file] for file in finding.records if file in roles), None)
    return ReasonView(
        id=anchor_of(finding),
        kind=finding.level.value,
        tag=WAIVED_TAG if waived_words else finding_tag(finding.level, finding.outcome),
        title=title_of(finding.rule),
        about=about_words(finding, roles),
        says=finding.says,
        scale=scale_for(finding),
        where=where_words(finding),
        remedy=finding.remedy,
        slot_id=f"slot-{first_role.value}" if first_role else "",
        rule=finding.rule,
        waived_words=waived_words,
        picture=pictures.of(finding) if pictures else None,
        shot=shot,
    )


def at_level(report: Report | None, level: Level) -> list[Finding]:
    """Findings of that level that say something was found, or that something broke on our side."""
    found = report.findings if report else ()
    return [
        f for f in found if f.level is level and (f.outcome in _SAID or level in (Level.LOOK, Level.RETURN))
    ]


def unmeasured(report: Report | None, roles: Mapping[str, Role]) -> tuple[SilenceView, ...]:
    """What no verdict covers, by its cause: what this version never measures, and what could not be measured this time."""
    if report is None:
        return ()
    lines = [SilenceView(sentence(text), "", ()) for text in dict.fromkeys(report.not_measured)]
    for silence in silences_of(report):
        because = title_of(silence.because) if silence.because else ""
        checks = (Unasked(f.rule, title_of(f.rule), about_words(f, roles)) for f in silence.findings)
        lines.append(SilenceView(silence.says, because, tuple(checks)))
    return tuple(lines)


def n_unmeasured(silences: Iterable[SilenceView]) -> int:
    """How many things and checks that are."""
    return sum(silence.n_checks for silence in silences)
