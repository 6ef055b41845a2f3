"""`archproof phantom`: what it refuses, and what it lists."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from seed_data.phantoms.faults import ALL
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import read_truth
from server.cli import app
from server.records.teeth import Arch
from tests.inspection.spoiling import LIGHT_SEEDS, LIGHTEST, light_mouth

USAGE = 2


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "OUT"),
        (["OUT", "--fault", "surface-no-such"], "surface-hole"),
        (["OUT", "--fault", "no-such"], "none"),
        (["OUT", "--sites", "3"], "sites"),
        (["OUT", "--sites", "9"], "sites"),
        (["OUT", "--detail", "0.1"], "detail"),
        (["OUT", "--noise-um", "-1"], "noise"),
        (["OUT", "--arch", "both"], "arch"),
        (["OUT", "--frames", "odd"], "frames"),
    ],
)
def test_it_refuses_with_a_reason(arguments: list[str], says: str, tmp_path: Path) -> None:
    named = [str(tmp_path / "made") if word == "OUT" else word for word in arguments]
    answer = CliRunner().invoke(app, ["phantom", *named], env={"COLUMNS": "400"})
    assert answer.exit_code == USAGE
    assert says in answer.output
    assert not (tmp_path / "made").exists()


def test_every_fault_is_listed_with_its_rule() -> None:
    answer = CliRunner().invoke(app, ["phantom", "--list-faults"])
    assert answer.exit_code == 0
    listed = [line.split()[:2] for line in answer.output.splitlines()]
    assert listed == [[fault.name, fault.rule] for fault in ALL]
    assert len({fault.name for fault in ALL}) == len(ALL)


def test_the_same_seed_gives_the_same_bytes_wherever_it_is_made(tmp_path: Path) -> None:
    """By the command, and record by record in a session that has scanned others before."""
    arch, out = Arch.LOWER, tmp_path / "made"
    options = ["--seed", str(LIGHT_SEEDS[arch]), "--arch", arch.value, "--detail", str(LIGHTEST)]
    answer = CliRunner().invoke(app, ["phantom", str(out), *options, "--fault", "form-missing"])
    assert answer.exit_code == 0, answer.output
    assert "form-missing: form/missing at return" in answer.output
    scanned, truth = light_mouth(arch).scanned, read_truth(out)
    assert [fault.rule for fault in truth.faults] == ["form/missing"]
    assert truth.model_copy(update={"faults": ()}) == truth_of(scanned)
    for plan in scanned.files.values():
        assert (out / plan.name).read_bytes() == plan.data
