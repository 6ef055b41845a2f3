"""`archproof release`: packs what is clear or accepted, and says what stands against the rest."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from server.cli import app
from server.handoff.package.archive import require_whole
from tests.portal.house import waves
from tests.rules.good_set import GOOD_FORM

NOW = "2031-05-04T09:00:00+00:00"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A case whose only record is a landscape: much of it lacks, which somebody may accept."""
    folder = tmp_path_factory.mktemp("case")
    (folder / "jaw.stl").write_bytes(waves(1))
    form: dict[str, Any] = {**GOOD_FORM, "records": [{"role": "jaw", "file": "jaw.stl", "unit": "mm"}]}
    (folder / "case.json").write_text(json.dumps(form))
    return folder


def released(folder: Path, out: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["release", str(folder), str(out), "--now", NOW, *words])


def test_what_stands_against_it_is_said_and_nothing_is_written(folder: Path, tmp_path: Path) -> None:
    answer = released(folder, tmp_path / "out.zip")
    assert answer.exit_code == 20
    assert "Not packed" in answer.output
    assert list(tmp_path.iterdir()) == []


def test_what_is_at_return_wants_the_prescribers_consent(folder: Path, tmp_path: Path) -> None:
    accepting = ("--accept", "A trial.", "--by", "Tomas Wrede")
    assert released(folder, tmp_path / "out.zip", *accepting).exit_code == 20
    answer = released(folder, tmp_path / "out.zip", *accepting, "--consent")
    assert answer.exit_code == 0, answer.output
    manifest = require_whole(tmp_path / "out.zip")
    assert manifest.patient_code == "R-1042"
    assert manifest.released_by == "Tomas Wrede"
    assert {accepted.reason for accepted in manifest.accepted} == {"A trial."}
    assert any(accepted.has_consent for accepted in manifest.accepted)
    assert [record.file for record in manifest.records] == ["jaw.stl"]
    assert [path.name for path in tmp_path.iterdir()] == ["out.zip"]


def test_who_accepts_must_be_named(folder: Path, tmp_path: Path) -> None:
    assert released(folder, tmp_path / "out.zip", "--accept", "A trial.").exit_code == 2


def test_a_folder_that_is_none_cannot_be_released(tmp_path: Path) -> None:
    assert released(tmp_path / "nothing", tmp_path / "out.zip").exit_code == 30
