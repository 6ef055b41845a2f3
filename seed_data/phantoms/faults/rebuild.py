"""Changes of the mouth itself, after which every record of the work is planned anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.marker_sets import MarkerForm, MarkerSet
from seed_data.phantoms.mesh_files import Format
from seed_data.phantoms.mouth import Mouth, assembled, plan_mouth
from seed_data.phantoms.rigid import Matrix, about, rigid
from seed_data.phantoms.sites import Planned
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.subjects import jaw_subject, settings_for, subjects_of
from seed_data.phantoms.work import Work

Floats = NDArray[np.float64]


def another_mouth(work: Work) -> Mouth:
    """Of another patient, with as many implants in the same jaw."""
    return plan_mouth(work.seed + 5003, arch=work.mouth.arch, sites=len(work.mouth.sites))


def with_site(work: Work, index: int, placed: Placed) -> None:
    """Puts one implant elsewhere, in the mouth and so in every record; positions from photogrammetry follow."""
    old = work.mouth.sites[index].placed
    sites = list(work.mouth.sites)
    sites[index] = Planned(sites[index].side, sites[index].number, placed)
    work.mouth = assembled(replace(work.mouth, sites=tuple(sites)))
    subjects = subjects_of(work.seed, work.mouth)
    for key in ("jaw", "tissue", "denture"):
        work.subjects[key] = subjects[key]
        work.settings[key] = settings_for(work.seed, subjects[key], work.mouth, work.device)
    for key in [key for key in work.subjects if key.startswith("bite")]:
        work.subjects[key] = subjects[key]
    work.shown = dict.fromkeys(("jaw", "denture"), work.mouth.placed)
    if work.markers is not None:
        motion = placed.T_joint_body @ np.linalg.inv(old.T_joint_body)
        move_marker(work, index, lambda T: motion @ T)


def with_jaw(work: Work, index: int, placed: Placed | None) -> None:
    """Shows another body, or none, at one site of the jaw scan alone."""
    shown = list(work.shown["jaw"])
    shown[index] = placed
    work.shown["jaw"] = tuple(shown)
    work.subjects["jaw"] = jaw_subject(work.mouth, tuple(shown))


def markers_of(work: Work) -> MarkerSet:
    """The work's implant positions. Raises LookupError where there are none."""
    if work.markers is None:
        raise LookupError("this phantom has no implant positions")
    return work.markers


def move_marker(work: Work, site: int, change: Callable[[Matrix], Matrix]) -> None:
    """Changes the pose of one site's reference body in the positions alone."""
    markers = markers_of(work)
    placed = tuple(
        Placed(p.kind, change(p.T_joint_body)) if s == site else p
        for s, p in zip(markers.sites, markers.placed, strict=True)
    )
    work.markers = replace(markers, placed=placed)


def as_mesh(work: Work) -> None:
    """Lets the positions come as a mesh of reference bodies."""
    work.markers = replace(markers_of(work), form=MarkerForm.MESH)
    plan = work.files["markers"]
    plan.form, plan.name = Format.STL, f"{plan.name.rsplit('.', 1)[0]}.stl"


def as_table(work: Work) -> None:
    """Lets the positions come as a table."""
    if markers_of(work).form is MarkerForm.MESH:
        work.markers = replace(markers_of(work), form=MarkerForm.CSV, body=None)
        plan = work.files["markers"]
        plan.body, plan.name = None, f"{plan.name.rsplit('.', 1)[0]}.csv"


def shifted(placed: Placed, by_mm: Floats) -> Placed:
    return Placed(placed.kind, rigid(np.eye(3), by_mm) @ placed.T_joint_body)


def tilted(placed: Placed, axis: Floats, angle_deg: float) -> Placed:
    """Turned about its own seat."""
    R = about(axis, np.radians(angle_deg))
    T = placed.T_joint_body
    return Placed(placed.kind, rigid(R @ T[:3, :3], T[:3, 3]))
