"""The places that findings point at, drawn for a record set in a folder."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from server.inspection.child import ChildDied
from server.inspection.drawn import drawn
from server.inspection.folder import RecordSet, check_folder, read_folder
from server.inspection.paper import report_pdf
from server.inspection.places import Places, write_places
from server.inspection.report import Report
from tests.measures.files import patch, stl
from tests.rules.good_set import GOOD_FORM, NOW

HOLED = "jaw.stl"
FORM = {**GOOD_FORM, "records": [r for r in GOOD_FORM["records"] if r["role"] in ("jaw", "opposing")]}


def _here(function: Callable[..., Any], *arguments: object) -> Any:
    return function(*arguments)


def _with_hole(facets: NDArray[np.float64]) -> NDArray[np.float64]:
    """Facets (m, 3, 3) without those about their middle."""
    centres = facets.mean(axis=1)
    return facets[np.linalg.norm(centres - centres.mean(axis=0), axis=1) > 5.0]


@pytest.fixture
def checked(tmp_path: Path) -> tuple[RecordSet, Report]:
    tmp_path.joinpath("case.json").write_text(json.dumps(FORM))
    for k, record in enumerate(FORM["records"]):
        facets = patch(50.0 + k, n=60)
        data = stl(_with_hole(facets) if record["file"] == HOLED else facets)
        tmp_path.joinpath(record["file"]).write_bytes(data)
    record_set = read_folder(tmp_path)
    return record_set, check_folder(record_set, now=NOW, run=_here)


def test_a_hole_is_drawn_and_its_finding_names_the_file(
    checked: tuple[RecordSet, Report], tmp_path: Path
) -> None:
    record_set, report = checked
    asked: list[str] = []

    def counted(function: Callable[..., Any], *arguments: Any) -> Any:
        asked.append(arguments[0].entry.file)
        return function(*arguments)

    told = write_places(report, Places(record_set.records, counted), tmp_path / "made" / "here")
    (hole,) = [f for f in told.findings if f.rule == "surface/hole" and f.where]
    assert hole.records == (HOLED,)
    with Image.open(tmp_path / "made" / "here" / hole.picture) as image:
        assert image.format == "PNG"
    named = {f.picture for f in told.findings if (f.picture or "").startswith("place-")}
    assert named == {path.name for path in (tmp_path / "made" / "here").iterdir()}
    assert len(asked) == len(set(asked))
    unnamed = [f.model_copy(update={"picture": None}) for f in told.findings]
    assert unnamed == [f.model_copy(update={"picture": None}) for f in report.findings]


def test_the_paper_shows_it(checked: tuple[RecordSet, Report]) -> None:
    record_set, report = checked
    places = Places(record_set.records, _here)
    without, shown = (report_pdf(report, record_set.form, place=p) for p in (lambda _: "", places.svg))
    assert len(shown) > len(without) + 5_000


def test_a_record_that_shows_no_surface_or_costs_its_child_the_life_has_no_place(
    checked: tuple[RecordSet, Report],
) -> None:
    record_set, report = checked
    (hole,) = [f for f in report.findings if f.rule == "surface/hole" and f.where]

    def dying(*_: object) -> bytes:
        raise ChildDied("gone")

    def empty(*_: object) -> bytes:
        return b""

    assert Places(record_set.records, dying).drawing(hole) is None
    assert Places(record_set.records, empty).svg(hole) == ""
    assert Places((), drawn).drawing(hole) is None
