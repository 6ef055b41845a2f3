"""What is measured and against which limits: the rules, and the tolerance sheets that apply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import ClassVar

from server.records.case_form import Prosthesis
from server.rules.documents import RuleRow
from server.rules.limit import Standing
from server.rules.rule import VALUE, Rule
from server.rules.sheet import DEFAULT_SHEETS, ToleranceSheet
from server.rules.wording import sentence
from server.web.pages.parts import Frame, TagView, level_tag

GROUP_WORDS = {
    "file": "Files", "surface": "Surfaces", "bodies": "Scan bodies", "markers": "Implant positions", "bite": "Bite",
    "denture": "Denture", "vertical": "Bite height", "space": "Space", "form": "The form", "round": "Rounds",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class RuleView:
    anchor: str
    row: RuleRow
    level: TagView | None


@dataclass(frozen=True, slots=True)
class RuleGroup:
    title: str
    rules: tuple[RuleView, ...]


@dataclass(frozen=True, slots=True)
class RulesPage:
    template: ClassVar[str] = "catalogue/rules.html"

    frame: Frame
    groups: tuple[RuleGroup, ...]
    count: int


def rules_page(frame: Frame, rows: Sequence[RuleRow]) -> RulesPage:
    """Every rule of the catalogue, by group."""
    groups = tuple(
        RuleGroup(GROUP_WORDS.get(name, name), tuple(_rule(row) for row in group))
        for name, group in groupby(rows, key=lambda row: row.group)
    )
    return RulesPage(frame, groups, len(rows))


def _rule(row: RuleRow) -> RuleView:
    level = level_tag(row.level) if row.level is not None else None
    return RuleView(row.id.replace("/", "-"), row, level)


@dataclass(frozen=True, slots=True)
class SheetRow:
    rule: str
    anchor: str
    title: str
    limit: str
    words: str
    standing: str
    source: str


@dataclass(frozen=True, slots=True)
class SheetView:
    id: str
    name: str
    version: int
    serves: str
    rows: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True)
class SheetsPage:
    template: ClassVar[str] = "catalogue/sheets.html"

    frame: Frame
    sheets: tuple[SheetView, ...]
    from_memory: str = Standing.MEMORY.value


def sheets_page(frame: Frame, rules: Sequence[Rule]) -> SheetsPage:
    """The sheets that apply where the lab has set none of its own, as they are applied."""
    named: dict[str, list[Prosthesis]] = {}
    for prosthesis, sheet in DEFAULT_SHEETS.items():
        named.setdefault(sheet.name, []).append(prosthesis)
    return SheetsPage(
        frame, tuple(_sheet(DEFAULT_SHEETS[kinds[0]], kinds, rules) for kinds in named.values())
    )


def _sheet(sheet: ToleranceSheet, kinds: Sequence[Prosthesis], rules: Sequence[Rule]) -> SheetView:
    rows = [_sheet_row(sheet, rule, name) for rule in rules for name in rule.limits]
    serves = ", ".join(kind.value for kind in kinds)
    return SheetView(sheet.name.replace(" ", "-"), sentence(sheet.name), sheet.version, serves, tuple(rows))


def _sheet_row(sheet: ToleranceSheet, rule: Rule, name: str) -> SheetRow:
    limit = sheet.limit(rule, name)
    return SheetRow(
        rule=rule.id,
        anchor=rule.id.replace("/", "-"),
        title=rule.title,
        limit="" if name == VALUE else name,
        words=limit.words,
        standing=limit.standing.value,
        source=limit.source,
    )
