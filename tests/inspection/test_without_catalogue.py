"""A clean set checked without any reference bodies: what needs them is not measured, and nothing is returned for want of them."""

from __future__ import annotations

import shutil
from pathlib import Path

from seed_data.phantoms.phantom import save_work
from seed_data.phantoms.telling import truth_of
from server.inspection.folder import check_folder, read_folder
from server.records.teeth import Arch
from server.rules.limit import Level, Outcome
from tests.inspection.spoiling import Remembering, light_mouth
from tests.rules.good_set import NOW


def test_what_takes_bodies_to_tell_is_not_measured_and_nothing_is_returned(tmp_path: Path) -> None:
    work = light_mouth(Arch.LOWER).scanned
    save_work(tmp_path, work, truth_of(work))
    shutil.rmtree(tmp_path / "bodies")
    report = check_folder(read_folder(tmp_path), now=NOW, run=Remembering())
    returned = [(f.rule, f.says) for f in report.findings if f.level is Level.RETURN]
    assert returned == []
    fit = next(f for f in report.findings if f.rule == "denture/impression-mismatch")
    assert fit.outcome is Outcome.NOT_MEASURED
    assert "imprints cannot be left out" in fit.says
