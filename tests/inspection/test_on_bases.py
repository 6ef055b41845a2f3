"""A clean set whose jaws were closed by a base before they were sent: as good as open scans."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import trimesh

from seed_data.phantoms.phantom import save_work
from seed_data.phantoms.telling import truth_of
from server.inspection.folder import check_folder, read_folder
from server.inspection.report import Verdict
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import Remembering, above_note, light_mouth
from tests.metrology.shapes import on_a_base
from tests.rules.good_set import NOW

BELOW_MM = 6.0


@pytest.mark.parametrize(
    "roles", [{Role.OPPOSING}, {Role.OPPOSING, Role.JAW, Role.TISSUE}], ids=["other", "all"]
)
def test_a_clean_set_on_bases_is_clear(roles: set[Role], tmp_path: Path) -> None:
    work = light_mouth(Arch.LOWER).scanned
    save_work(tmp_path, work, truth_of(work))
    based = [_put_on_base(path) for path in _files(tmp_path, roles)]
    assert len(based) == len(roles)
    report = check_folder(read_folder(tmp_path), now=NOW, run=Remembering())
    assert [(f.rule, f.records, f.says) for f in above_note(report)] == []
    assert report.verdict is Verdict.CLEAR


def _files(folder: Path, roles: set[Role]) -> Iterator[Path]:
    for record in read_folder(folder).records:
        if record.entry.role in roles:
            yield folder / record.entry.file


def _put_on_base(path: Path) -> None:
    """The largest piece of the scan, closed by a wall and a floor square to where it faces."""
    pieces = trimesh.load_mesh(path).split(only_watertight=False)
    mesh = max(pieces, key=lambda piece: len(piece.faces))
    scan = Scan(np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.int32))
    topology = topology_of(scan)
    up = topology.areas_mm2 @ topology.normals
    model = on_a_base(scan, up / np.linalg.norm(up), BELOW_MM)
    made = trimesh.Trimesh(model.vertices, model.faces, process=False)
    assert made.is_watertight
    made.export(path)
