"""Makes the demo's record sets anew: `python -m seed_data.demo.build`."""

from __future__ import annotations

import json
import lzma
import shutil
import time
from pathlib import Path

import typer

from seed_data.demo.packing import pack_mesh
from seed_data.demo.plot import CASES, CasePlot, RoundPlot
from seed_data.demo.store import RECORDS
from seed_data.phantoms.faults import fault_named
from seed_data.phantoms.marker_sets import MarkerForm
from seed_data.phantoms.mesh_files import Format, Habits
from seed_data.phantoms.order_form import NEEDED_BY
from seed_data.phantoms.phantom import draft_work, run_stages
from seed_data.phantoms.work import Stage, Work
from server.records.roles import Unit

DETAIL = 0.62
"""Lighter than real size, so that all of it can be shipped; every clean limit still holds."""
PLAIN = Habits(header="", facet_normals="computed", is_shuffled=False, has_separate_corners=False)


def build() -> None:
    """Writes seed_data/demo/records."""
    shutil.rmtree(RECORDS, ignore_errors=True)
    for plot in CASES:
        begun = time.perf_counter()
        for number, round_ in enumerate(plot.rounds, start=1):
            _write_round(plot, number, round_)
        size = sum(path.stat().st_size for path in (RECORDS / plot.key).iterdir())
        typer.echo(f"{plot.key:8} {size / 1e6:5.2f} MB  {time.perf_counter() - begun:5.1f} s")
    total = sum(path.stat().st_size for path in RECORDS.rglob("*") if path.is_file())
    typer.echo(f"in all   {total / 1e6:5.2f} MB")


def _write_round(plot: CasePlot, number: int, round_: RoundPlot) -> None:
    """The form of a round, and the records that are new in it."""
    folder = RECORDS / plot.key
    folder.mkdir(parents=True, exist_ok=True)
    work = draft_work(
        plot.seed, plot.sites, plot.arch, random_frames=plot.random_frames, detail=DETAIL, noise_um=None
    )
    _plain_files(work)
    faults = [fault_named(name) for name in round_.faults]
    if number > 1:
        work.subjects = {key: subject for key, subject in work.subjects.items() if key in round_.retaken}
        work.settings = {key: work.settings[key] for key in work.subjects}
    elif round_.keys is not None:
        work.subjects = {key: subject for key, subject in work.subjects.items() if key in round_.keys}
        work.settings = {key: work.settings[key] for key in work.subjects}
    run_stages(work, faults, retake=set(round_.retaken))
    keys = [key for key in work.files if round_.keys is None or key in round_.keys]
    touched = {fault.stage for fault in faults}
    for key in keys if number == 1 else round_.retaken:
        _write_record(folder, number, key, work, raw=Stage.FILE in touched)
    form = {**work.form, "patient_code": plot.patient_code, "needed_by": NEEDED_BY}
    names = {work.files[key].name for key in keys}
    form["records"] = [entry for entry in form["records"] if entry["file"] in names]
    (folder / f"form-{number}.json").write_text(json.dumps(form, indent=1) + "\n")


def _plain_files(work: Work) -> None:
    """Every mesh a binary STL in mm, called by its role."""
    for key, plan in work.files.items():
        plan.unit = plan.declared_unit = Unit.MM
        plan.habits = PLAIN
        if key == "markers" and work.markers is not None and work.markers.form is not MarkerForm.MESH:
            plan.name = f"markers.{work.markers.form.value}"
        else:
            plan.form, plan.name, plan.has_colour = Format.STL, f"{key}.stl", False


def _write_record(folder: Path, number: int, key: str, work: Work, *, raw: bool) -> None:
    plan = work.files[key]
    name = f"{number}-{plan.name}"
    if (key in work.drafts and not raw) or (
        raw and key in work.drafts and plan.data[:80].strip(b"\0") == b""
    ):
        draft = work.drafts[key]
        (folder / f"{name}.mesh").write_bytes(pack_mesh(draft.in_file(), draft.faces))
    else:
        (folder / f"{name}.xz").write_bytes(lzma.compress(plan.data, preset=9 | lzma.PRESET_EXTREME))


if __name__ == "__main__":
    build()
