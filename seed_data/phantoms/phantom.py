"""Makes a phantom: a whole record set on disk, with its truth."""

from __future__ import annotations

import json
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.colours import colours_of
from seed_data.phantoms.dice import dice
from seed_data.phantoms.faults import fault_named
from seed_data.phantoms.files_plan import plan_files
from seed_data.phantoms.marker_sets import MarkerForm, draw_markers
from seed_data.phantoms.mesh_files import mesh_bytes, stl_bytes
from seed_data.phantoms.mouth import plan_mouth
from seed_data.phantoms.order_form import draw_form, draw_numbering
from seed_data.phantoms.reference_mesh import reference_mesh
from seed_data.phantoms.scanner import Draft, scan
from seed_data.phantoms.subjects import draw_device, settings_for, subjects_of
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth
from seed_data.phantoms.work import Fault, FilePlan, Stage, Work
from server.records.teeth import Arch


def make_phantom(
    out: Path,
    *,
    seed: int,
    sites: int | None = None,
    arch: Arch | None = None,
    faults: Sequence[str] = (),
    random_frames: bool = False,
    detail: float = 1.0,
    noise_um: float | None = None,
    retake: Sequence[str] = (),
    coverage: float | None = None,
) -> PhantomTruth:
    """Writes a record set into the folder `out` (made if need be) and gives back its truth, also in truth.json.

    seed: decides everything that is not given. sites: 4 to 8. faults: names from `faults.ALL`. random_frames: every
    record in a frame of its own. detail: 1 is real size (0.6-0.9 million triangles); 0.7 about half as many.
    noise_um: total noise of the scanner, instead of the seed's. retake: keys of records (jaw, tissue, denture,
    opposing, bite-left, …) scanned a second time: the same mouth, another mesh and other noise. coverage: every body
    of the jaw scan is captured to a share drawn between this and 1; such a set is not clean. Raises LookupError for an unknown fault, or where a
    fault finds nothing to spoil in this mouth.
    """
    work = draft_work(seed, sites, arch, random_frames=random_frames, detail=detail, noise_um=noise_um)
    if coverage is not None:
        shares = dice(seed, "coverage").uniform(coverage, 1.0, len(work.mouth.sites))
        work.settings["jaw"] = replace(work.settings["jaw"], body_coverage=tuple(float(s) for s in shares))
    run_stages(work, [fault_named(name) for name in faults], retake=set(retake))
    truth = truth_of(work)
    save_work(out, work, truth)
    return truth


def run_stages(work: Work, faults: Sequence[Fault], *, retake: set[str] | None = None) -> None:
    """Scans, writes and lists the records, and lets each fault strike at its stage. What is scanned or written already
    stays as it is."""
    for stage in Stage:
        if stage is Stage.SURFACE:
            _scan_all(work, retake or set())
        elif stage is Stage.FILE:
            _write_meshes(work)
        elif stage is Stage.FORM:
            _list_records(work)
        for fault in faults:
            if fault.stage is stage:
                work.expectations += fault.spoil(work, dice(work.seed, "fault", fault.name))


def draft_work(
    seed: int,
    sites: int | None,
    arch: Arch | None,
    *,
    random_frames: bool,
    detail: float,
    noise_um: float | None,
) -> Work:
    """The clean phantom of a seed, up to the moment before it is scanned."""
    mouth = plan_mouth(seed, arch=arch, sites=sites)
    numbering = draw_numbering(seed)
    device = draw_device(seed, mouth.prosthesis, detail=detail, noise_um=noise_um)
    work = Work(seed, detail, random_frames, mouth, numbering, device, draw_form(seed, mouth, numbering))
    work.subjects = subjects_of(seed, mouth)
    work.settings = {key: settings_for(seed, s, mouth, device) for key, s in work.subjects.items()}
    work.shown = dict.fromkeys(("jaw", "denture"), mouth.placed)
    teeth = tuple(mouth.tooth(k).code(numbering) for k in range(len(mouth.sites)))
    work.markers = draw_markers(seed, mouth.placed, teeth, work.frame("markers"))
    work.files = plan_files(work)
    return work


def _scan_all(work: Work, retake: set[str]) -> None:
    """Scans every subject, two at a time; the outcome does not depend on their order."""
    with ThreadPoolExecutor(max_workers=2) as pool:
        keys = sorted(set(work.subjects) - set(work.drafts), key=lambda key: (key != "denture", key))
        drafts = pool.map(lambda key: _scanned(work, key, "2" if key in retake else ""), keys)
        work.drafts |= {
            key: replace(draft, T_file_joint=work.frame(key)) for key, draft in zip(keys, drafts, strict=True)
        }


def _scanned(work: Work, key: str, take: str) -> Draft:
    return scan(work.seed, work.subjects[key], work.settings[key], take=take)


def _write_meshes(work: Work) -> None:
    for key, draft in work.drafts.items():
        plan = work.files[key]
        if plan.written_from is draft:
            continue
        rng = dice(work.seed, "write", key)
        rgb = colours_of(draft, rng) if plan.has_colour else None
        points = draft.in_file() * (plan.rescale / _in_mm(plan))
        plan.data = mesh_bytes(points, draft.faces, plan.form, plan.habits, rgb=rgb, rng=rng)
        plan.written_from = draft
    if work.markers is not None:
        plan, rng = work.files["markers"], dice(work.seed, "write", "markers")
        if work.markers.form is MarkerForm.MESH:
            points, faces = work.markers.mesh()
            plan.data = mesh_bytes(points / _in_mm(plan), faces, plan.form, plan.habits, rng=rng)
        else:
            plan.data = work.markers.table_bytes()


def _in_mm(plan: FilePlan) -> float:
    return plan.unit.in_mm or 1.0


def _list_records(work: Work) -> None:
    for plan in work.files.values():
        entry = {"role": plan.role.value, "file": plan.name, "unit": plan.declared_unit.value}
        work.form["records"].append(entry | ({"body": plan.body} if plan.body else {}))


def save_work(out: Path, work: Work, truth: PhantomTruth) -> None:
    """Writes the record set, its second round where there is one, and the truth."""
    save_round(out, work, {})
    if work.second_round:
        save_round(out / "round2", work, work.second_round)
    (out / "truth.json").write_text(truth.model_dump_json(indent=1) + "\n")


def save_round(out: Path, work: Work, replaced: dict[str, bytes]) -> None:
    """One complete record set, with the records in `replaced` in place of those of the first round."""
    out.mkdir(parents=True, exist_ok=True)
    for key, plan in work.files.items():
        (out / plan.name).write_bytes(replaced.get(key, plan.data))
    _write_json(out / "case.json", work.form)
    write_bodies(out / "bodies")


def write_bodies(folder: Path) -> None:
    """The body catalogue: an entry and a mesh for each of the three invented kinds."""
    folder.mkdir(parents=True, exist_ok=True)
    for kind in KINDS.values():
        body = reference_mesh(kind)
        data = stl_bytes(body.vertices, body.faces.astype(np.int64), header=kind.id)
        (folder / f"{kind.id}.stl").write_bytes(data)
        _write_json(folder / f"{kind.id}.json", kind.entry().model_dump(mode="json", exclude_none=True))


def _write_json(path: Path, content: object) -> None:
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n")
