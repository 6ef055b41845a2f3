"""Gathers the truth of a finished work."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.marker_sets import MarkerForm, MarkerSet
from seed_data.phantoms.mouth import Mouth
from seed_data.phantoms.reference_mesh import reference_mesh
from seed_data.phantoms.rigid import Matrix, angle_between_deg, inverse, rigid
from seed_data.phantoms.scanner import Draft
from seed_data.phantoms.sites import channel_exit, clearance_mm
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.surface import area_mm2, face_normals
from seed_data.phantoms.truth import (
    BiteTruth,
    NoiseTruth,
    PhantomTruth,
    Pose,
    RecordTruth,
    SiteTruth,
    rows,
    vector,
)
from seed_data.phantoms.work import FilePlan, Work
from server.records.roles import Role

Floats = NDArray[np.float64]

AXIS_STEP_MM = 0.005


def truth_of(work: Work) -> PhantomTruth:
    placed = work.mouth.placed
    pairs = [(a, b) for i, a in enumerate(placed) for b in placed[i + 1 :]]
    left = -1.0 if work.mouth.layout.right_sign > 0 else 1.0
    marks = work.form.get("vertical") or {}
    seated, reference = marks.get("seated_mm"), marks.get("reference_mm")
    change = None
    if seated is not None and reference is not None:
        change = seated - reference - marks.get("planned_change_mm", 0.0)
    return PhantomTruth(
        seed=work.seed,
        detail=work.detail,
        arch=work.mouth.arch,
        numbering=work.numbering,
        random_frames=work.random_frames,
        patients_left_in_joint=(left, 0.0, 0.0),
        sites=tuple(_site(work, k) for k in range(len(placed))),
        divergence_deg=max(angle_between_deg(a.axis, b.axis) for a, b in pairs),
        clearance_mm=min(clearance_mm(a, b) for a, b in pairs),
        bite=_bite(work),
        vertical_change_mm=None if change is None else round(change, 6),
        records=tuple(_record(work, key, plan) for key, plan in work.files.items()),
        faults=tuple(work.expectations),
    )


def seat_to_opposing_mm(placed: Placed, mouth: Mouth, T_moved: Matrix) -> float | None:
    """Along the axis from the seat to the opposing jaw; None where it is not met within 40 mm."""
    back = inverse(T_moved)
    steps = placed.seat_mm + placed.axis * np.arange(0.0, 40.0, AXIS_STEP_MM)[:, None]
    inside = np.flatnonzero(mouth.opposing.distance(steps @ back[:3, :3].T + back[:3, 3]) < 0.0)
    return float(inside[0] * AXIS_STEP_MM) if len(inside) else None


def _site(work: Work, index: int) -> SiteTruth:
    placed = work.mouth.placed[index]
    leaves = channel_exit(placed, work.mouth.denture)
    facial = False
    if leaves is not None:
        _, across = work.mouth.layout.facial.along(leaves[None, :2])
        facial = bool(across[0] > 0.0)
    return SiteTruth(
        site_index=index,
        tooth=work.mouth.tooth(index).code(work.numbering),
        body=placed.kind,
        seat_mm=vector(placed.seat_mm),
        axis=vector(placed.axis),
        clock=vector(placed.clock),
        tilt_deg=angle_between_deg(placed.axis, np.array([0.0, 0.0, 1.0])),
        seat_to_opposing_mm=seat_to_opposing_mm(placed, work.mouth, work.T_opposing_moved),
        seat_to_outer_mm=None if leaves is None else float(np.linalg.norm(leaves - placed.seat_mm)),
        exit_mm=None if leaves is None else vector(leaves),
        exit_is_facial=facial,
    )


def _bite(work: Work) -> BiteTruth | None:
    """Least distances of the denture's back teeth from the opposing jaw, from the chewing points of its crowns."""
    if "opposing" not in work.files or "denture" not in work.files:
        return None
    back = inverse(work.T_opposing_moved)
    teeth = work.mouth.denture.teeth
    gaps = {}
    for side in (-1, 1):
        behind = np.flatnonzero((teeth.numbers >= 4) & (teeth.sides == side))
        points = np.concatenate([teeth.chewing_points(int(k)) for k in behind])
        ground = _ground(points, work.mouth)
        f = work.mouth.opposing.distance(ground @ back[:3, :3].T + back[:3, 3])
        gaps[side] = float(f.min())
    left = -work.mouth.layout.right_sign
    return BiteTruth(
        T_opposing_moved=rows(work.T_opposing_moved), gap_left_mm=gaps[left], gap_right_mm=gaps[-left]
    )


def _ground(points: Floats, mouth: Mouth) -> Floats:
    """Chewing points moved down to the denture's outer surface, where grinding has taken some away."""
    points = points.copy()
    for _ in range(6):
        points[:, 2] -= np.clip(mouth.denture.outer(points), -0.3, 0.3)
    return points


def _record(work: Work, key: str, plan: FilePlan) -> RecordTruth:
    T_file = work.frame(key)
    T_jaw = work.frame("jaw")
    draft = work.drafts.get(key)
    made = RecordTruth(
        file=plan.name,
        role=plan.role,
        unit=plan.unit,
        format=plan.form.value,
        T_joint_record=rows(inverse(T_file)),
        T_jaw_record=rows(T_jaw @ inverse(T_file)),
        is_inside_out=plan.is_inside_out,
        inside_out_share=plan.inside_out_share,
        double_layer_mm2=plan.double_layer_mm2,
    )
    if plan.role is Role.MARKERS and work.markers is not None:
        return _markers(work, work.markers, made)
    return made if draft is None else _scanned(work, key, draft, made)


def _scanned(work: Work, key: str, draft: Draft, made: RecordTruth) -> RecordTruth:
    noise, drift = draft.settings.noise, draft.settings.drift
    moves = draft.settings.body_moves
    bodies = []
    for index, placed in enumerate(work.shown.get(key, ())):
        if placed is not None:
            T = moves[index] if moves else _drifted(work, key, placed, draft)
            pose = _pose(work, index, placed.kind, draft.T_file_joint @ T @ placed.T_joint_body)
            share = draft.body_shares[index] if draft.body_shares else 1.0
            bodies.append(pose.model_copy(update={"coverage_ratio": share}))
    volume = None
    if draft.role is Role.DENTURE:
        a, normals = draft.vertices_mm[draft.faces[:, 0]], face_normals(draft.vertices_mm, draft.faces)
        volume = float(np.einsum("ij,ij->", a, normals) / 6.0)
    return made.model_copy(
        update={
            "n_faces": len(draft.faces),
            "spacing_mm": draft.spacing_mm,
            "noise": NoiseTruth(
                white_mm=noise.white_mm, correlated_mm=noise.correlated_mm, patch_mm=noise.patch_mm
            ),
            "drift_end_mm": vector(drift.end_mm),
            "bodies": tuple(bodies),
            "area_mm2": area_mm2(draft.vertices_mm, draft.faces),
            "volume_mm3": volume,
            "hole_diameters_mm": draft.hole_diameters_mm,
            "island_areas_mm2": draft.speck_areas_mm2,
            "T_record_relation_error": rows(draft.settings.part_moves[1])
            if draft.role is Role.BITE and draft.settings.part_moves
            else None,
        }
    )


def _drifted(work: Work, key: str, placed: Placed, draft: Draft) -> Matrix:
    """Where stitching has carried the imprint of a body."""
    return rigid(np.eye(3), draft.settings.drift.at(work.subjects[key].s_of(placed.seat_mm[None, :]))[0])


def _markers(work: Work, markers: MarkerSet, made: RecordTruth) -> RecordTruth:
    rows_ = zip(markers.sites, markers.placed, strict=True)
    bodies = [_pose(work, k, p.kind, markers.T_file_joint @ p.T_joint_body) for k, p in rows_]
    n = None if markers.form is not MarkerForm.MESH else sum(_faces_of(p.kind) for p in markers.placed)
    return made.model_copy(
        update={
            "bodies": tuple(bodies),
            "format": markers.form.value if n is None else made.format,
            "n_faces": n,
        }
    )


def _faces_of(kind: str) -> int:
    return reference_mesh(KINDS[kind]).n_faces


def _pose(work: Work, index: int, kind: str, T: Matrix) -> Pose:
    tooth = work.mouth.tooth(index).code(work.numbering) if index < len(work.mouth.sites) else ""
    return Pose(
        site_index=index,
        tooth=tooth,
        body=kind,
        seat_mm=vector(T[:3, 3]),
        axis=vector(T[:3, 2]),
        clock=vector(T[:3, 0]),
    )
