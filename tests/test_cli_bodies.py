"""`archproof bodies FOLDER` as a command: what it adds, what it says, how it leaves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from server.accounts.work import PORTAL, reading
from server.app import open_portal
from server.cases.bodies import body_ids
from server.cli import app
from server.kit.settings import Settings
from tests.review.offered import mesh_of


def folder_of(folder: Path, *kinds: str, **said: Any) -> Path:
    folder.mkdir(exist_ok=True)
    for kind in kinds:
        (folder / f"{kind}.stl").write_bytes(mesh_of(kind))
        entry = {"id": kind, "mesh": f"{kind}.stl", **said}
        (folder / f"{kind}.json").write_text(json.dumps(entry))
    return folder


def run(folder: Path, data: Path) -> Result:
    return CliRunner().invoke(app, ["bodies", str(folder), "--data", str(data)])


def ids(data: Path) -> tuple[str, ...]:
    portal = open_portal(Settings(data_dir=data))
    with reading(portal, PORTAL) as work:
        found = body_ids(work)
    portal.database.close()
    return found


def test_it_adds_a_folder_and_says_what_became_of_each(tmp_path: Path) -> None:
    data = tmp_path / "portal"
    first = run(folder_of(tmp_path / "lab", "rb-45", "rb-60"), data)
    assert first.exit_code == 0, first.output
    assert first.output.splitlines() == ["rb-45: added.", "rb-60: added."]
    assert ids(data) == ("rb-45", "rb-60")
    folder_of(tmp_path / "lab", "rb-60", may_stay_in_mouth=True)
    second = run(tmp_path / "lab", data)
    assert second.exit_code == 0
    assert second.output.splitlines()[0] == "rb-45: is there already, unchanged."
    assert second.output.splitlines()[1].startswith("rb-60: added; the version before")


def _far_seat(folder: Path) -> None:
    folder_of(folder, "rb-60", seat_origin=[0, 0, 90])


def _unknown_field(folder: Path) -> None:
    folder_of(folder, "rb-60", colour="blue")


def _no_mesh(folder: Path) -> None:
    (folder_of(folder, "rb-60") / "rb-60.stl").unlink()


def _mesh_outside(folder: Path) -> None:
    folder_of(folder, "rb-60", mesh="../rb-45.stl")


def _nothing(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for path in folder.iterdir():
        path.unlink()


@pytest.mark.parametrize("spoil", [_far_seat, _unknown_field, _no_mesh, _mesh_outside, _nothing])
def test_a_folder_that_cannot_be_used_leaves_with_30_and_adds_nothing(tmp_path: Path, spoil: Any) -> None:
    data, lab = tmp_path / "portal", folder_of(tmp_path / "lab", "rb-45")
    spoil(lab)
    left = run(lab, data)
    assert left.exit_code == 30
    assert ids(data) == ()


def test_a_folder_that_is_not_there_leaves_with_30(tmp_path: Path) -> None:
    assert run(tmp_path / "nowhere", tmp_path / "portal").exit_code == 30
