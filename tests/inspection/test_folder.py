from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from server.inspection.child import ChildOutOfMemory
from server.inspection.folder import FolderUnusable, FormUnusable, check_folder, read_folder
from server.inspection.measuring import RecordFile, measure_record
from server.inspection.report import Report, Verdict
from server.measures.measure import Measurement
from server.rules.limit import Outcome
from tests.measures.files import patch, stl
from tests.rules.good_set import GOOD_FORM, NOW

HEAVY = "denture.stl"
FORM = {**GOOD_FORM, "records": [r for r in GOOD_FORM["records"] if r["role"] in ("jaw", "denture")]}
"""Two records: which of them is lost is the question here, not what they say of one another."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    tmp_path.joinpath("case.json").write_text(json.dumps(FORM))
    for k, record in enumerate(FORM["records"]):
        tmp_path.joinpath(record["file"]).write_bytes(stl(patch(40.0 + k)))
    return tmp_path


def _here(function: Callable[..., tuple[Measurement, ...]], *arguments: object) -> tuple[Measurement, ...]:
    return function(*arguments)


def _loses_one(
    function: Callable[..., tuple[Measurement, ...]], *arguments: object
) -> tuple[Measurement, ...]:
    first = arguments[0]
    if function is measure_record and isinstance(first, RecordFile) and first.entry.file == HEAVY:
        raise ChildOutOfMemory("Measuring takes more memory than is allowed.")
    return function(*arguments)


def _of(report: Report, rule: str) -> dict[str, Outcome]:
    return {f.records[0]: f.outcome for f in report.findings if f.rule == rule and len(f.records) == 1}


def test_a_record_too_heavy_is_returned_and_named(folder: Path) -> None:
    report = check_folder(read_folder(folder), now=NOW, run=_loses_one)
    assert report.verdict is Verdict.RETURN
    heavy = _of(report, "file/too-heavy")
    assert {file for file, outcome in heavy.items() if outcome is Outcome.FAILED} == {HEAVY}
    assert len(heavy) == len(FORM["records"]) > 1


def test_nothing_that_needs_its_surface_passes(folder: Path) -> None:
    report = check_folder(read_folder(folder), now=NOW, run=_loses_one)
    passed = {f.rule for f in report.findings if HEAVY in f.records and f.outcome is Outcome.PASSED}
    assert not {rule for rule in passed if rule.startswith(("file/", "surface/"))}


def test_the_same_folder_has_no_such_finding_where_nothing_is_lost(folder: Path) -> None:
    report = check_folder(read_folder(folder), now=NOW, run=_here)
    assert set(_of(report, "file/too-heavy").values()) == {Outcome.PASSED}


@pytest.mark.parametrize("name", ["../jaw.stl", "/etc/hostname"])
def test_a_form_that_names_files_elsewhere_is_refused(folder: Path, name: str) -> None:
    form = {**FORM, "records": [{"role": "jaw", "file": name, "unit": "mm"}]}
    folder.joinpath("case.json").write_text(json.dumps(form))
    with pytest.raises((FolderUnusable, FormUnusable)):
        read_folder(folder)


def test_a_missing_file_is_named(folder: Path) -> None:
    folder.joinpath(HEAVY).unlink()
    with pytest.raises(FolderUnusable, match=HEAVY):
        read_folder(folder)
