"""The catalogue walked: what holds for every rule, whatever it looks at."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

from server.rules import catalogue
from server.rules.catalogue import RULES
from server.rules.documents import HEADINGS, headings_of, module_of
from server.rules.limit import Level, Outcome
from server.rules.rule import Rule
from server.rules.runner import judge
from server.rules.sheet import DEFAULT_SHEETS
from tests.rules.good_set import case

HERE = Path(__file__).parent
FOLDER = Path(catalogue.__file__).parent
GROUPS = ("file", "surface", "form", "round", "bodies", "markers", "bite", "denture", "vertical", "space")

every_rule = pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)


def _files() -> set[Path]:
    found = (path for path in FOLDER.glob("*/*.py") if path.name != "__init__.py")
    return {path for path in found if re.search(r"^RULE\b", path.read_text(), re.M)}


def test_ids_are_unique() -> None:
    assert len({rule.id for rule in RULES}) == len(RULES)


def test_every_rule_file_is_in_the_tuple() -> None:
    listed = {FOLDER / (module_of(rule).split(".catalogue.")[1].replace(".", "/") + ".py") for rule in RULES}
    assert _files() == listed


def test_groups_stand_together_in_order_and_sorted_within() -> None:
    assert [rule.id for rule in RULES] == [
        rule.id for rule in sorted(RULES, key=lambda r: (GROUPS.index(r.group), module_of(r)))
    ]


@every_rule
def test_the_id_is_the_path(rule: Rule) -> None:
    assert re.fullmatch(r"[a-z]+/[a-z]+(-[a-z]+)*", rule.id)
    assert importlib.import_module(module_of(rule)).RULE is rule


@every_rule
def test_its_file_says_why_and_how_and_what_it_does_not_see(rule: Rule) -> None:
    said = headings_of(importlib.import_module(module_of(rule)).__doc__ or "")
    assert all(said.get(heading) for heading in ("", *HEADINGS))
    assert said[""].endswith(".")


@every_rule
def test_it_has_a_title_a_remedy_and_a_source(rule: Rule) -> None:
    assert rule.title
    assert not rule.title.endswith(".")
    assert rule.remedy.endswith((".", ")."))
    assert rule.source
    assert rule.revision >= 1
    for limit in (*rule.limits.values(), *rule.definitive.values()):
        assert limit.source


@every_rule
def test_it_has_a_test_file_of_its_own(rule: Rule) -> None:
    group, name = rule.id.split("/")
    path = HERE / "catalogue" / group / f"test_{name.replace('-', '_')}.py"
    assert re.search(r"^(?:async )?def test_", path.read_text(), re.M)


@every_rule
def test_no_rule_imports_a_rule(rule: Rule) -> None:
    text = Path(importlib.import_module(module_of(rule)).__file__ or "").read_text()
    assert "server.rules.catalogue" not in text


@every_rule
def test_the_definitive_sheet_is_never_laxer(rule: Rule) -> None:
    assert set(rule.definitive) <= set(rule.limits)
    for name, stricter in rule.definitive.items():
        sign = 1.0 if stricter.sense.value == "upper" else -1.0
        assert sign * stricter.look <= sign * rule.limits[name].look
        assert sign * stricter.return_ <= sign * rule.limits[name].return_
    if rule.definitive_level is not None:
        assert rule.definitive_level.gravity > rule.level.gravity


@pytest.mark.parametrize("sheet", DEFAULT_SHEETS.values(), ids=lambda sheet: sheet.name)
def test_the_shipped_sheets_name_nothing_unknown(sheet: object) -> None:
    sheet.check_against(RULES)  # type: ignore[attr-defined]


def test_every_rule_answers_a_case_without_records_and_none_crashes() -> None:
    for of in (case(), case(sites=[], records=[], vertical=None), case(numbering=None, working_arch=None)):
        found = judge(RULES, of, DEFAULT_SHEETS[of.form.prosthesis])  # type: ignore[index]
        assert {finding.rule for finding in found} == {rule.id for rule in RULES}
        assert all(finding.outcome is not Outcome.CRASHED for finding in found)
        assert all(finding.remedy for finding in found if finding.outcome is Outcome.FAILED)
        assert all((f.level is Level.CLEAR) == (f.outcome in _CLEAR) for f in found if f.outcome not in _OPEN)


_CLEAR = {Outcome.PASSED, Outcome.NOT_APPLICABLE}
_OPEN = {Outcome.NOT_MEASURED}
