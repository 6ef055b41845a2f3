"""Where curves and crowns of both jaws lie, each in its own jaw's frame.

The frame of a jaw: u across, v to the front (0 at the second molars), w towards the opposing jaw (0 on the occlusal
sphere's pole). The opposing jaw's frame is half a turn about v away (`rigid.FLIP`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.anatomy import CROWNS, INTERMOLAR_MM, OCCLUSAL_SPHERE_MM
from seed_data.phantoms.arch_form import (
    ArchCurve,
    beta_curve,
    curve_through,
    depth_for_length,
    shifted_inward,
)
from seed_data.phantoms.dice import Dice, dice, near, pick
from seed_data.phantoms.rigid import about, frame_on
from seed_data.phantoms.teeth import ToothRow
from server.records.teeth import Arch

Floats = NDArray[np.float64]

TAIL_MM = 14.0
INWARD_SHARE = {Arch.UPPER: 0.25, Arch.LOWER: 0.45}
"""Back teeth: centre of the crown towards the tongue from the arch curve, as a share of the crown's width. The
difference brings the inner upper cusps over the lower grooves."""
CUSP_OVERLAP_MM = 1.3
LABIAL_LEAN_DEG = {Arch.UPPER: 18.0, Arch.LOWER: 10.0}


@dataclass(frozen=True, slots=True)
class JawLayout:
    """facial: the curve through edges and outer cusps; crest: the ridge's; pole_v_mm: of the occlusal sphere."""

    arch: Arch
    facial: ArchCurve
    crest: ArchCurve
    teeth: ToothRow
    tooth_s_mm: Floats
    pole_v_mm: float

    def occlusal_mm(self, uv_mm: Floats) -> Floats:
        """Height of the occlusal sphere at (n, 2) places."""
        return _sphere(self.arch, uv_mm, self.pole_v_mm)

    @property
    def right_sign(self) -> int:
        """The sign of u on the patient's right."""
        return 1 if self.arch is Arch.LOWER else -1

    def crest_s_of(self, number: int, side: int) -> float:
        """Arc length on the crest of the place beneath a tooth; `side` is the sign of u."""
        index = self.teeth.index(number, side)
        place = self.facial.at(float(self.tooth_s_mm[index]))
        s, _ = self.crest.along(place[None, :])
        return float(s[0])


def opposite(arch: Arch) -> Arch:
    return Arch.LOWER if arch is Arch.UPPER else Arch.UPPER


def plan_layouts(seed: int, arch: Arch, *, teeth_a_side: int) -> tuple[JawLayout, JawLayout]:
    """The working jaw's layout and the opposing one's, as they meet."""
    rng = dice(seed, "layout")
    upper_width = near(rng, *INTERMOLAR_MM[Arch.UPPER], cut=1.3)
    lower_width = upper_width - pick(rng, 1.5, 2.6)
    size = near(rng, 1.0, 0.03)
    overjet, overbite = pick(rng, 1.6, 2.8), pick(rng, 1.0, 2.2)
    widths = {Arch.UPPER: upper_width, Arch.LOWER: lower_width}
    depths = {
        a: depth_for_length(width_mm=widths[a], half_length_mm=0.985 * size * _half_sum(a)) for a in Arch
    }
    front = depths[arch]
    upper_front = front if arch is Arch.UPPER else front + overjet
    shifts = {
        Arch.UPPER: upper_front - depths[Arch.UPPER],
        Arch.LOWER: upper_front - overjet - depths[Arch.LOWER],
    }
    pole = 0.45 * front
    made = []
    for own, count in ((arch, teeth_a_side), (opposite(arch), 7)):
        curve = beta_curve(width_mm=widths[own], depth_mm=depths[own], tail_mm=TAIL_MM)
        moved = ArchCurve(curve.points_mm + np.array([0.0, shifts[own]]), curve.s_mm, curve.outward)
        teeth, s = _crowns(dice(seed, "crowns", own), own, moved, size, overbite, pole, count)
        made.append(JawLayout(own, moved, _crest(rng, own, moved), teeth, s, pole))
    return made[0], made[1]


def _half_sum(arch: Arch) -> float:
    return sum(c.mesiodistal_mm for c in CROWNS[arch])


def _sphere(arch: Arch, uv_mm: Floats, pole_v_mm: float) -> Floats:
    sign = 1.0 if arch is Arch.LOWER else -1.0
    rho2 = uv_mm[:, 0] ** 2 + (uv_mm[:, 1] - pole_v_mm) ** 2
    h: Floats = sign * rho2 / (2.0 * OCCLUSAL_SPHERE_MM)
    return h


def _crest(rng: Dice, arch: Arch, facial: ArchCurve) -> ArchCurve:
    """The ridge runs behind the front teeth, and beneath the back ones."""
    front = pick(rng, 5.2, 6.8)
    back = pick(rng, 3.0, 4.0) if arch is Arch.UPPER else pick(rng, 4.2, 5.0)
    blend = np.clip((np.abs(facial.s_mm) - 8.0) / 22.0, 0.0, 1.0)
    blend = blend * blend * (3.0 - 2.0 * blend)
    return curve_through(shifted_inward(facial, front + (back - front) * blend))


def _crowns(
    rng: Dice, arch: Arch, facial: ArchCurve, size: float, overbite: float, pole: float, count: int
) -> tuple[ToothRow, Floats]:
    origins, axes, sizes, numbers, sides, places = [], [], [], [], [], []
    for side in (-1, 1):
        s = 0.0
        for number, crown in enumerate(CROWNS[arch][:count], start=1):
            width = crown.mesiodistal_mm * size
            place = side * (s + 0.5 * width) * 0.985
            s += width
            origin, frame = _placed(
                rng, arch, facial, place, number, crown.faciolingual_mm * size, overbite, pole
            )
            cusp = 0.0 if number <= 3 else pick(rng, 1.5, 1.9)
            origins.append(origin)
            axes.append(frame)
            sizes.append(
                (0.5 * width * 1.05, 0.5 * crown.faciolingual_mm * size, crown.length_mm * size, cusp)
            )
            numbers.append(number)
            sides.append(side)
            places.append(place)
    row = ToothRow(np.array(origins), np.array(axes), np.array(sizes), np.array(numbers), np.array(sides))
    return row, np.array(places)


def _placed(
    rng: Dice,
    arch: Arch,
    facial: ArchCurve,
    s: float,
    number: int,
    breadth: float,
    overbite: float,
    pole: float,
) -> tuple[Floats, Floats]:
    """Origin and frame (rows a, b, c) of one crown."""
    outward = facial.outward_at(s)
    inward = 0.3 if number <= 3 else INWARD_SHARE[arch] * breadth
    uv = facial.at(s) - outward * inward + rng.uniform(-0.12, 0.12, 2)
    sign = 1.0 if arch is Arch.LOWER else -1.0
    slope = sign * (uv - np.array([0.0, pole])) / OCCLUSAL_SPHERE_MM
    up = np.array([-slope[0], -slope[1], 1.0])
    out = np.array([outward[0], outward[1], 0.0])
    lean = LABIAL_LEAN_DEG[arch] if number <= 2 else (8.0 if number == 3 else 0.0)
    along = np.cross(out, up)
    up = about(along, -np.radians(lean + rng.uniform(-1.5, 1.5))) @ up
    square = frame_on(up, out)
    c, b = square[:, 2], about(square[:, 2], np.radians(rng.uniform(-3, 3))) @ square[:, 0]
    rise = 0.5 * (CUSP_OVERLAP_MM if number >= 4 else overbite)
    w = float(_sphere(arch, uv[None, :], pole)[0]) + rise
    return np.array([uv[0], uv[1], w]), np.stack([np.cross(b, c), b, c])
