"""The catalogue as a table: for the page in the portal, and as Markdown for `archproof rules --markdown`.

Everything comes from the rules themselves and from the headings of their files, so that what is written
about a rule cannot drift away from it.
"""

from __future__ import annotations

import importlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.limit import Level, Limit, Standing
from server.rules.rule import VALUE, Rule, Scope
from server.rules.wording import source_words

HEADINGS = ("Why", "How", "Not seen")
"""What every rule's file says after its first line; “Source” may follow."""


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of a rule. name: "" where the rule has only one. words: both numbers with side and unit.
    definitive: the same on the sheet *definitive*, "" where nothing differs."""

    name: str
    words: str
    definitive: str
    standing: str
    source: str

    @property
    def source_words(self) -> str:
        return source_words(self.source, self.standing)


@dataclass(frozen=True, slots=True)
class RuleRow:
    """One rule as people read it. applies_to: records, each site or the case. level: of rules without limits.
    standing: what stands behind its numbers, or behind its yes or no."""

    id: str
    group: str
    revision: int
    title: str
    applies_to: str
    summary: str
    why: str
    how: str
    not_seen: str
    standing: str
    source: str
    remedy: str
    level: Level | None
    definitive_level: Level | None
    limits: tuple[LimitRow, ...]

    @property
    def source_words(self) -> str:
        return source_words(self.source, self.standing)


def catalogue_rows(rules: Iterable[Rule] = RULES) -> tuple[RuleRow, ...]:
    """Every rule of the catalogue, in its order. Raises ValueError where a rule's file lacks a heading."""
    return tuple(_row(rule) for rule in rules)


def catalogue_markdown(rules: Iterable[Rule] = RULES) -> str:
    """The catalogue as one Markdown document: a table, then a paragraph for each rule."""
    rows = catalogue_rows(rules)
    lines = ["# Rules", "", "| rule | applies to | look and return | standing |", "|---|---|---|---|"]
    lines += [
        f"| [{row.id}](#{_anchor(row.id)}) | {row.applies_to} | {_verdicts(row)} | {row.standing} |"
        for row in rows
    ]
    for row in rows:
        lines += ["", *_section(row)]
    return "\n".join(lines) + "\n"


def module_of(rule: Rule) -> str:
    """The name of the module that a rule's id stands for: file/far-origin is catalogue/file/far_origin.py."""
    return "server.rules.catalogue." + rule.id.replace("/", ".").replace("-", "_")


def headings_of(text: str) -> dict[str, str]:
    """The parts of a rule's text: "" for what stands before the first heading; each on one line."""
    parts = re.split(rf"^({'|'.join((*HEADINGS, 'Source'))}):", text.strip(), flags=re.M)
    named = {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}
    return {name: " ".join(part.split()) for name, part in named.items()}


def _row(rule: Rule) -> RuleRow:
    text = headings_of(importlib.import_module(module_of(rule)).__doc__ or "")
    lacking = [heading for heading in ("", *HEADINGS) if not text.get(heading)]
    if lacking:
        raise ValueError(
            f"{rule.id}: its file does not say {', '.join(n or 'what it finds' for n in lacking)}"
        )
    return RuleRow(
        id=rule.id,
        group=rule.group,
        revision=rule.revision,
        title=rule.title,
        applies_to=_applies_to(rule),
        summary=text[""],
        why=text["Why"],
        how=text["How"],
        not_seen=text["Not seen"],
        standing="; ".join(dict.fromkeys(limit.standing.value for limit in rule.limits.values()))
        or Standing.PRACTICE.value,
        source=" ".join(part for part in (rule.source, text.get("Source", "")) if part),
        remedy=rule.remedy,
        level=None if rule.limits else rule.level,
        definitive_level=None if rule.limits else rule.definitive_level,
        limits=tuple(
            _limit_row(name, limit, rule.definitive.get(name)) for name, limit in rule.limits.items()
        ),
    )


def _limit_row(name: str, limit: Limit, definitive: Limit | None) -> LimitRow:
    shown = "" if name == VALUE else name
    stricter = definitive.words if definitive else ""
    return LimitRow(shown, limit.words, stricter, limit.standing.value, limit.source)


def _applies_to(rule: Rule) -> str:
    if rule.scope is not Scope.RECORD:
        return "each site" if rule.scope is Scope.SITE else "the case"
    if rule.roles == frozenset(Role):
        return "every record"
    return ", ".join(role.words for role in Role if role in rule.roles)


def _verdicts(row: RuleRow) -> str:
    if row.level is not None:
        stricter = f"; definitive: {row.definitive_level.value}" if row.definitive_level else ""
        return row.level.value + stricter
    return "; ".join(_limit_words(limit) for limit in row.limits)


def _limit_words(limit: LimitRow) -> str:
    name = f"{limit.name}: " if limit.name else ""
    stricter = f" (definitive: {limit.definitive})" if limit.definitive else ""
    return f"{name}{limit.words}{stricter}"


def _section(row: RuleRow) -> Iterator[str]:
    yield f"## {row.id}"
    yield ""
    yield f"**{row.title}.** {row.summary}"
    yield ""
    yield f"- Applies to {row.applies_to}; revision {row.revision}."
    yield f"- Why: {row.why}"
    yield f"- How: {row.how}"
    yield f"- Not seen: {row.not_seen}"
    yield f"- What to do: {row.remedy}"
    yield f"- Level: {_verdicts(row)}."
    yield from (f"- Limit{' ' + limit.name if limit.name else ''}: {limit.source}" for limit in row.limits)
    yield f"- Source: {row.source}"


def _anchor(rule_id: str) -> str:
    return rule_id.replace("/", "")
