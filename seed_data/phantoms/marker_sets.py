"""Implant positions as photogrammetry gives them: a mesh of one reference body per site, or a table of positions."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.reference_mesh import reference_mesh
from seed_data.phantoms.rigid import Matrix, any_direction, move, tiny_motion
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.surface import Floats, Ints


class MarkerForm(StrEnum):
    MESH = "mesh"
    CSV = "csv"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class MarkerSet:
    """placed: where each site's reference body is, in the joint frame, in the order of the file; sites: the site of
    each; body: the kind shown; with_teeth, with_clock: whether a table names teeth and clocking."""

    form: MarkerForm
    placed: tuple[Placed, ...]
    sites: tuple[int, ...]
    teeth: tuple[str, ...]
    body: str | None
    with_teeth: bool
    with_clock: bool
    T_file_joint: Matrix

    def mesh(self) -> tuple[Floats, Ints]:
        """One reference body per site, in the file's frame."""
        vertices, faces, count = [], [], 0
        for placed in self.placed:
            body = reference_mesh(KINDS[placed.kind])
            vertices.append(move(self.T_file_joint, move(placed.T_joint_body, body.vertices)))
            faces.append(body.faces.astype(np.int64) + count)
            count += len(body.vertices)
        return np.concatenate(vertices), np.concatenate(faces)

    def rows(self) -> list[dict[str, str | float]]:
        """The rows of the table, in the file's frame, mm."""
        made = []
        for placed, tooth in zip(self.placed, self.teeth, strict=True):
            T = self.T_file_joint @ placed.T_joint_body
            row: dict[str, str | float] = {"tooth": tooth if self.with_teeth else ""}
            row |= dict(zip(("x_mm", "y_mm", "z_mm"), (round(float(c), 6) for c in T[:3, 3]), strict=True))
            row |= dict(
                zip(("axis_x", "axis_y", "axis_z"), (round(float(c), 9) for c in T[:3, 2]), strict=True)
            )
            if self.with_clock:
                row |= dict(
                    zip(
                        ("clock_x", "clock_y", "clock_z"), (round(float(c), 9) for c in T[:3, 0]), strict=True
                    )
                )
            made.append(row)
        return made

    def table_bytes(self) -> bytes:
        rows = self.rows()
        if self.form is MarkerForm.JSON:
            return (json.dumps(rows, indent=1) + "\n").encode()
        lines = [",".join(rows[0])] + [",".join(str(cell) for cell in row.values()) for row in rows]
        return ("\n".join(lines) + "\n").encode()


def draw_markers(
    seed: int, placed: tuple[Placed, ...], teeth: tuple[str, ...], T_file_joint: Matrix
) -> MarkerSet:
    """The set of a seed, with 1-6 µm and 0.01-0.06° of error per site."""
    rng = dice(seed, "markers")
    form = (MarkerForm.MESH, MarkerForm.MESH, MarkerForm.CSV, MarkerForm.JSON)[int(rng.integers(4))]
    order = tuple(int(k) for k in rng.permutation(len(placed)))
    body = "rb-45" if form is MarkerForm.MESH and rng.random() < 0.3 else None
    return MarkerSet(
        form=form,
        placed=tuple(_measured(rng, placed[k], body) for k in order),
        sites=order,
        teeth=tuple(teeth[k] for k in order),
        body=body,
        with_teeth=bool(rng.random() < 0.6),
        with_clock=bool(rng.random() < 0.7),
        T_file_joint=T_file_joint,
    )


def _measured(rng: Dice, placed: Placed, body: str | None) -> Placed:
    shift = any_direction(rng) * pick(rng, 0.001, 0.006)
    T = tiny_motion(rng, placed.seat_mm, angle_deg=pick(rng, 0.01, 0.06), shift_mm=shift)
    return Placed(body or placed.kind, T @ placed.T_joint_body)
