"""Whole record sets whose truth is known: clean ones are clear, and of each fault exactly that fault is told.

The mouths are scanned once a session, at the lightest detail there is; a fault's own records are made anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from seed_data.phantoms.faults import ALL
from seed_data.phantoms.work import Fault, Stage, Work
from server.inspection.report import Verdict
from server.records.teeth import Arch
from server.rules.catalogue import RULES
from server.rules.limit import Outcome
from tests.inspection.spoiling import Remembering, above_note, checked, complaints, light_mouth, spoiled

KNOWN = {rule.id for rule in RULES}
RUN = Remembering()


def _told_of(fault: Fault) -> bool:
    """Faults whose rule there is; those of a second round have their own tests."""
    return fault.rule in KNOWN and fault.stage is not Stage.ROUND


FAULTS = [fault for fault in ALL if _told_of(fault)]


@pytest.mark.parametrize(
    ("arch", "frames"), [(Arch.LOWER, "shared"), (Arch.LOWER, "random"), (Arch.UPPER, "random")]
)
def test_a_clean_set_is_clear(arch: Arch, frames: str, tmp_path: Path) -> None:
    mouth = light_mouth(arch)
    work = mouth.in_random_frames().scanned if frames == "random" else mouth.scanned
    report, truth = checked(work, tmp_path, RUN)
    assert [(f.rule, f.records, f.says) for f in above_note(report)] == []
    assert [f.rule for f in report.findings if f.outcome is Outcome.CRASHED] == []
    assert (report.verdict, report.verdict.exit_code) == (Verdict.CLEAR, 0)
    assert (truth.arch, truth.random_frames) == (arch, frames == "random")


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_is_told_and_nothing_else(fault: Fault, tmp_path: Path) -> None:
    report, truth = checked(_spoiled(fault), tmp_path, RUN)
    assert truth.faults
    assert complaints(report, truth.faults) == []


def _spoiled(fault: Fault) -> Work:
    """The lower mouth with the fault; what only records in frames of their own can lack, in such frames."""
    try:
        return spoiled(light_mouth(Arch.LOWER), fault)
    except LookupError:
        return spoiled(light_mouth(Arch.LOWER).in_random_frames(), fault)


@pytest.mark.parametrize("name", ["surface-hole", "file-truncated", "form-tooth-code", "vertical-changed"])
def test_a_fault_that_goes_unseen_is_complained_of(name: str, tmp_path: Path) -> None:
    """The check above can fail: a clean report beside a fault, and a fault's report beside no fault."""
    fault = next(fault for fault in FAULTS if fault.name == name)
    clean, _ = checked(light_mouth(Arch.LOWER).scanned, tmp_path / "clean", RUN)
    report, truth = checked(spoiled(light_mouth(Arch.LOWER), fault), tmp_path / "spoiled", RUN)
    assert complaints(clean, truth.faults)
    assert complaints(report, ())


def test_every_rule_of_files_and_surfaces_and_form_has_a_fault() -> None:
    """But for what no fault can make: an unforeseen irregularity of a format is tested with the readers."""
    answered = {fault.rule for fault in FAULTS}
    of_rounds = {fault.rule for fault in ALL if fault.stage is Stage.ROUND}
    assert KNOWN - answered - of_rounds == {"file/irregular"}
