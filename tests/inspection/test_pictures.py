"""The pictures of a report as files, and findings that name them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

from server.explain.figures import Figures
from server.inspection import inspect
from server.inspection.folder import write_pictures
from server.inspection.inspect import judge_case
from server.inspection.report import Report
from server.rules.evidence import CaseEvidence
from tests.rules.positions import positions
from tests.rules.standing import seen, standing


def test_a_finding_names_the_picture_that_is_written_for_it(tmp_path: Path) -> None:
    report = judge_case(standing(seen(0), seen(1, coverage_ratio=0.4), seen(2), seen(3)))
    found = [f for f in report.findings if f.rule == "bodies/coverage" and f.picture]
    assert [(f.picture, f.site_index) for f in found] == [("coverage-jaw-33.png", (1,))]
    paths = write_pictures(report, tmp_path / "made" / "here")
    assert [p.name for p in paths] == [f"coverage-jaw-{code}.png" for code in ("36", "33", "43", "46")]
    with Image.open(tmp_path / "made" / "here" / "coverage-jaw-33.png") as image:
        assert (image.format, image.width) == ("PNG", 960)


def test_every_picture_that_is_named_is_among_the_figures() -> None:
    report = judge_case(positions(account="one site off", named=(2,)))
    names = {f"{figure.name}.png" for figure in report.figures}
    named = {f.picture for f in report.findings if f.picture}
    assert named <= names


def test_a_report_with_figures_survives_json_and_one_from_before_has_none() -> None:
    report = judge_case(positions())
    written = json.loads(json.dumps(report.model_dump(mode="json")))
    assert Report.model_validate(written).figures == report.figures
    del written["figures"]
    assert list(Report.model_validate(written).figures) == []


def test_a_picture_that_breaks_costs_no_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaking(_case: CaseEvidence) -> Figures:
        raise ZeroDivisionError("no arch")

    whole = judge_case(positions())
    monkeypatch.setattr(inspect, "figures_of", breaking)
    report = judge_case(positions())
    assert list(report.figures) == []
    assert (report.verdict, report.findings) == (whole.verdict, whole.findings)
