"""The virtual scanner: a solid becomes a record, as a device would have caught it.

Every record is meshed on a grid of its own and disturbed on its own; no two share a triangle or a speck of noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.disturb import Drift, Noise, noise_along_normals, soft_tags, specks
from seed_data.phantoms.mesher import Field, Mesh, mesh_of
from seed_data.phantoms.rigid import Matrix, any_direction, any_rotation, move, turn
from seed_data.phantoms.sight import mended, seen_from, without_gaps
from seed_data.phantoms.surface import (
    area_mm2,
    border_edges,
    is_closed,
    largest_piece,
    mean_edge_mm,
    vertex_normals,
    without_pinches,
)
from server.records.roles import Role

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GRIDS = 5
"""An all-round scan is meshed again on another grid where a cell was too coarse for what it held."""
SOFT = -1
"""Label of vertices that belong to no scan body."""


@dataclass(frozen=True, slots=True)
class Settings:
    """How one record is scanned. views: directions to the scanner, none for an all-round scan of a loose part.

    body_moves: per site, the rigid motion (joint frame) by which stitching has moved that body in this record;
    part_moves: the same per part of the subject. body_coverage: per site, the share of its body that is captured.
    """

    spacing_mm: float
    noise: Noise
    drift: Drift
    ragged_mm: float = 1.2
    views: Floats | None = None
    holes: int = 0
    specks: int = 0
    tags: int = 0
    body_moves: tuple[Matrix, ...] = ()
    part_moves: tuple[Matrix, ...] = ()
    body_coverage: tuple[float, ...] = ()


@dataclass(frozen=True)
class Draft:
    """A record in the joint frame, before it is written.

    vertices_mm (n, 3), faces (m, 3); true_mm (n, 3): where each vertex lies on the undisturbed surface; label (n,):
    the site whose body it belongs to, or SOFT. body_shares: by site, how much of the body's surface above the tissue
    was captured. T_file_joint leads to the file's frame.
    """

    name: str
    role: Role
    vertices_mm: Floats
    faces: Ints
    true_mm: Floats
    label: Ints
    settings: Settings
    speck_areas_mm2: tuple[float, ...] = ()
    hole_diameters_mm: tuple[float, ...] = ()
    body_shares: tuple[float, ...] = ()
    T_file_joint: Matrix = field(default_factory=lambda: np.eye(4))

    @property
    def normals(self) -> Floats:
        return vertex_normals(self.vertices_mm, self.faces)

    @property
    def spacing_mm(self) -> float:
        return mean_edge_mm(self.vertices_mm, self.faces)

    def in_file(self) -> Floats:
        return move(self.T_file_joint, self.vertices_mm)

    def to_file(self, point_mm: Floats) -> Floats:
        """A joint-frame point in the file's frame."""
        return move(self.T_file_joint, point_mm)

    def direction_to_file(self, direction: Floats) -> Floats:
        return turn(self.T_file_joint, direction)

    def cut(self, keep_vertex: NDArray[np.bool_]) -> Draft:
        """Only the facets whose three corners are kept."""
        mesh, used = Mesh(self.vertices_mm, self.faces).cut_to(keep_vertex)
        return replace(
            self,
            vertices_mm=mesh.vertices_mm,
            faces=mesh.faces,
            true_mm=self.true_mm[used],
            label=self.label[used],
        )

    def with_more(self, vertices: Floats, faces: Ints, label: int = SOFT) -> Draft:
        """With loose facets added, which lie on no true surface."""
        return replace(
            self,
            vertices_mm=np.vstack([self.vertices_mm, vertices]),
            faces=np.vstack([self.faces, faces + len(self.vertices_mm)]),
            true_mm=np.vstack([self.true_mm, np.full_like(vertices, np.nan)]),
            label=np.concatenate([self.label, np.full(len(vertices), label)]),
        )


@dataclass(frozen=True, slots=True)
class Part:
    """A solid to be meshed, and the low and high corner of where it lies."""

    surface: Field
    low_mm: Floats
    high_mm: Floats


@dataclass(frozen=True, slots=True)
class Subject:
    """What is scanned: one solid, or both jaws closed. extent: negative where the scan reaches; s_of: arc length
    along the arch, for the drift; bodies: by site, the distance to its body, None where it has none."""

    name: str
    role: Role
    parts: tuple[Part, ...]
    extent: Field | None
    s_of: Field
    bodies: tuple[Field | None, ...] = ()


@dataclass(frozen=True, slots=True)
class _Raw:
    """A mesh on the true surface, with the site and the part that each vertex belongs to."""

    mesh: Mesh
    label: Ints
    part: Ints

    def cut(self, keep: NDArray[np.bool_]) -> _Raw:
        mesh, used = self.mesh.cut_to(keep)
        return _Raw(mesh, self.label[used], self.part[used])

    def areas_by_label_mm2(self, count: int) -> Floats:
        """By site, the area of the facets that lie on its body with all corners."""
        owner = self.label[self.mesh.faces]
        own = (owner == owner[:, :1]).all(axis=1) & (owner[:, 0] >= 0)
        a, b, c = (self.mesh.vertices_mm[self.mesh.faces[own, k]] for k in range(3))
        areas = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2.0
        return np.bincount(owner[own, 0], weights=areas, minlength=count).astype(np.float64)

    def largest(self, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """The largest piece of each part."""
        kept = np.zeros(len(keep), dtype=bool)
        for k in np.unique(self.part):
            own = keep & (self.part == k)
            if own[self.mesh.faces].all(axis=1).any():
                kept |= largest_piece(len(keep), self.mesh.faces, own)
        return kept


def scan(seed: int, subject: Subject, settings: Settings, *, take: str = "") -> Draft:
    """The record of a subject under settings; the same seed, names and take always give the same record."""
    rng = dice(seed, "scan", subject.name, take)
    raw = _meshed(rng, subject, settings)
    for _ in range(GRIDS):
        if subject.extent is not None or is_closed(raw.mesh.faces):
            break
        raw = _meshed(rng, subject, settings)
    whole = raw.areas_by_label_mm2(len(subject.bodies))
    if subject.extent is not None:
        raw = raw.cut(_captured(rng, subject, settings, raw))
    raw, holes = _with_holes(rng, raw, settings.holes)
    shares = raw.areas_by_label_mm2(len(subject.bodies)) / np.maximum(whole, 1e-9)
    return replace(
        _disturbed(rng, subject, settings, raw, holes), body_shares=tuple(float(s) for s in shares)
    )


def _meshed(rng: Dice, subject: Subject, settings: Settings) -> _Raw:
    vertices, faces, parts, count = [], [], [], 0
    for k, part in enumerate(subject.parts):
        mesh = mesh_of(
            part.surface,
            low_mm=part.low_mm,
            high_mm=part.high_mm,
            spacing_mm=settings.spacing_mm,
            turn=any_rotation(rng),
            nudge=rng.uniform(0.0, 1.0, 3),
            wanted=None if subject.extent is None else _widened(subject.extent, settings.ragged_mm + 1.0),
        )
        vertices.append(mesh.vertices_mm)
        faces.append(mesh.faces + count)
        parts.append(np.full(len(mesh.vertices_mm), k))
        count += len(mesh.vertices_mm)
    points = np.concatenate(vertices)
    label = np.full(len(points), SOFT)
    for index, body in enumerate(subject.bodies):
        if body is not None:
            label[np.abs(body(points)) < 0.02] = index
    return _Raw(Mesh(points, np.concatenate(faces)), label, np.concatenate(parts))


def _widened(extent: Field, by_mm: float) -> Field:
    return lambda points: extent(points) - by_mm


def _captured(rng: Dice, subject: Subject, settings: Settings, raw: _Raw) -> NDArray[np.bool_]:
    assert subject.extent is not None
    points, faces = raw.mesh.vertices_mm, raw.mesh.faces
    inside = subject.extent(points) + _ragged(rng, points, settings.ragged_mm) < 0.0
    inside = raw.largest(inside)
    if settings.views is not None:
        seen = seen_from(points, vertex_normals(points, faces), settings.views, raw.part)
        inside = mended(faces, inside, seen, raw.label >= 0)
    inside = raw.largest(without_gaps(faces, raw.largest(inside)))
    inside = raw.largest(without_pinches(faces, inside))
    inside = without_gaps(faces, inside) & ~_never_seen(rng, points, raw.label, settings.body_coverage)
    return raw.largest(without_pinches(faces, inside))


def _never_seen(rng: Dice, points: Floats, label: Ints, coverage: tuple[float, ...]) -> NDArray[np.bool_]:
    """What a tip that never went round a body missed: the part of it that lies farthest to one side."""
    missed = np.zeros(len(points), dtype=bool)
    for site, share in enumerate(coverage):
        own = np.flatnonzero(label == site)
        if len(own) and share < 1.0:
            aside = points[own] @ _a_side(rng)
            missed[own[aside > np.quantile(aside, share)]] = True
    return missed


def _a_side(rng: Dice) -> Floats:
    """A direction to one side or from above: a body missed all round its foot would hang on nothing."""
    side = any_direction(rng)
    return side if side[2] > -0.3 else side * (1.0, 1.0, -1.0)


def _ragged(rng: Dice, points: Floats, size_mm: float) -> Floats:
    """An irregular shift of the border, mostly inward: long waves, short waves, and a frayed edge."""
    total = np.zeros(len(points))
    for wavelength, share in ((28.0, 0.55), (9.0, 0.35), (3.0, 0.22), (1.2, 0.12)):
        for _ in range(5):
            k = rng.standard_normal(3)
            k *= 2 * np.pi / (wavelength * pick(rng, 0.8, 1.25) * np.linalg.norm(k))
            total += share * np.sin(points @ k + pick(rng, 0.0, 6.3)) / np.sqrt(2.5)
    return size_mm * (0.8 + total)


def _with_holes(rng: Dice, raw: _Raw, count: int) -> tuple[_Raw, tuple[float, ...]]:
    """Pierces the surface in a few places far from bodies and borders; openings stay well below 3 mm."""
    points = raw.mesh.vertices_mm
    border = np.unique(border_edges(raw.mesh.faces))
    taboo = np.concatenate([points[border], points[raw.label >= 0]])
    spacing = mean_edge_mm(points, raw.mesh.faces)
    keep = np.ones(len(points), dtype=bool)
    diameters: list[float] = []
    for at in points[rng.integers(len(points), size=40 * count)]:
        if len(diameters) == count:
            break
        if len(taboo) and float(((taboo - at) ** 2).sum(axis=1).min()) < 16.0:
            continue
        radius = pick(rng, 0.35, 0.6)
        keep &= ((points - at) ** 2).sum(axis=1) > radius**2
        taboo = np.vstack([taboo, at[None]])
        diameters.append(2.0 * radius + spacing)
    return raw.cut(without_pinches(raw.mesh.faces, keep)) if diameters else raw, tuple(diameters)


def _disturbed(rng: Dice, subject: Subject, settings: Settings, raw: _Raw, holes: tuple[float, ...]) -> Draft:
    true, faces = raw.mesh.vertices_mm, raw.mesh.faces
    normals = vertex_normals(true, faces)
    moved = true + settings.drift.at(subject.s_of(true))
    for index, T in enumerate(settings.body_moves):
        moved[raw.label == index] = move(T, true[raw.label == index])
    for index, T in enumerate(settings.part_moves):
        moved[raw.part == index] = move(T, moved[raw.part == index])
    lift = noise_along_normals(rng, settings.noise, true)
    tags = soft_tags(rng, true, faces, settings.tags)
    tags[raw.label != SOFT] = 0.0
    moved += (lift + tags)[:, None] * normals
    draft = Draft(
        name=subject.name,
        role=subject.role,
        vertices_mm=moved,
        faces=faces,
        true_mm=np.where(tags[:, None] > 1e-3, np.nan, true),
        label=raw.label,
        settings=settings,
        hole_diameters_mm=holes,
    )
    areas = []
    for points, loose in specks(rng, moved, normals, faces, settings.specks, settings.spacing_mm):
        draft = draft.with_more(points, loose)
        areas.append(area_mm2(points, loose))
    return replace(draft, speck_areas_mm2=tuple(areas))
