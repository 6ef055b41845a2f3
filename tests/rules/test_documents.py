from __future__ import annotations

import pytest

from server.rules.catalogue import RULES
from server.rules.documents import catalogue_markdown, catalogue_rows, headings_of
from server.rules.limit import Level


def test_every_rule_has_its_row_in_the_catalogues_order() -> None:
    assert [row.id for row in catalogue_rows()] == [rule.id for rule in RULES]


@pytest.mark.parametrize("row", catalogue_rows(), ids=lambda row: row.id)
def test_every_rule_renders_with_all_that_people_ask(row: object) -> None:
    told = [
        getattr(row, name) for name in ("title", "applies_to", "summary", "why", "how", "not_seen", "source")
    ]
    assert all(told)
    assert getattr(row, "limits") or isinstance(getattr(row, "level"), Level)  # noqa: B009 - any row


def test_the_document_holds_every_rule_limit_and_remedy() -> None:
    document = catalogue_markdown()
    for row in catalogue_rows():
        assert f"## {row.id}\n" in document
        assert row.remedy in document
        assert all(limit.words in document for limit in row.limits)


def test_the_table_has_as_many_cells_in_every_line() -> None:
    table = [line for line in catalogue_markdown().splitlines() if line.startswith("|")]
    assert len(table) == len(RULES) + 2
    assert {line.count("|") for line in table} == {5}


def test_headings_split_a_text() -> None:
    text = "One line.\n\nWhy: a\nb.\nHow: c (Why: not here).\nNot seen: d.\nSource: e.\n"
    assert headings_of(text) == {
        "": "One line.",
        "Why": "a b.",
        "How": "c (Why: not here).",
        "Not seen": "d.",
        "Source": "e.",
    }
