"""Ridge, palate and floor of the mouth of one jaw, and gum beneath teeth, as smooth height maps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice, pick
from seed_data.phantoms.height_map import HeightMap, grid_places, map_from
from seed_data.phantoms.layout import JawLayout
from server.records.teeth import Arch

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Soft:
    """Soft tissue of one jaw. surface: the height map; across, along: the offset from the crest (+ facial) and the
    arc length along it, both as maps; back_v_mm: where the ridge ends; facial_mm, tongue_mm: from the crest to the
    folds, tongue_mm infinite over a palate."""

    surface: HeightMap
    across: Floats
    along: Floats
    back_v_mm: float
    facial_mm: float
    tongue_mm: float


@dataclass(frozen=True, slots=True)
class RidgeShape:
    """What is drawn for one edentulous ridge, mm. crest_*: depth of the crest below the occlusal sphere."""

    crest_front_mm: float
    crest_back_mm: float
    facial_drop_mm: float
    facial_width_mm: float
    tongue_drop_mm: float
    tongue_width_mm: float
    fold_mm: float


def draw_ridge(rng: Dice, arch: Arch, *, crest_mm: float) -> RidgeShape:
    """A ridge whose crest lies about `crest_mm` below the occlusal sphere. Widths and vaults within ordinary ranges."""
    upper = arch is Arch.UPPER
    return RidgeShape(
        crest_front_mm=crest_mm + pick(rng, -0.2, 1.2),
        crest_back_mm=crest_mm + pick(rng, -0.2, 0.6),
        facial_drop_mm=pick(rng, 7.0, 10.0),
        facial_width_mm=pick(rng, 4.4, 5.4),
        tongue_drop_mm=pick(rng, 9.0, 15.0) if upper else pick(rng, 6.5, 9.0),
        tongue_width_mm=pick(rng, 9.5, 12.0) if upper else pick(rng, 4.4, 5.4),
        fold_mm=pick(rng, 7.8, 8.6),
    )


def ridge(rng: Dice, layout: JawLayout, shape: RidgeShape) -> Soft:
    """The edentulous ridge with its palate or tongue space, lumps, folds and the pads at its ends."""
    uv = grid_places()
    s, t = layout.crest.along(uv)
    end = float(layout.crest.s_mm[-1])
    back = _back_v(layout)
    share = np.clip(np.abs(s) / (0.6 * end), 0.0, 1.0)
    depth = shape.crest_front_mm + (shape.crest_back_mm - shape.crest_front_mm) * share
    on_crest = layout.crest.points_mm[
        np.clip(np.searchsorted(layout.crest.s_mm, s), 0, len(layout.crest.s_mm) - 1)
    ]
    crest = layout.occlusal_mm(on_crest) - depth + _waves(rng, s, 0.35, 18.0)
    wide = 1.0 + _waves(rng, s, 0.08, 22.0)
    facial = shape.facial_drop_mm * _fall(t / (shape.facial_width_mm * wide))
    tongue = _tongue_drop(layout.arch, shape, t, share, wide)
    height = crest - np.where(t > 0.0, facial, tongue)
    height += 0.12 * np.clip(t - shape.fold_mm, 0.0, 6.0) ** 2 / 2.0
    height += _pads(rng, uv, layout, back) + _palate_detail(rng, layout, uv, t)
    height += _lumps(rng, uv, 0.30, (7.0, 20.0), 40) + _lumps(rng, uv, 0.035, (2.5, 4.0), 40)
    tongue_mm = np.inf if layout.arch is Arch.UPPER else pick(rng, 7.6, 8.4)
    return Soft(map_from(height, blur_mm=0.9), t, s, back, shape.fold_mm, tongue_mm)


def gum(rng: Dice, layout: JawLayout, *, half_band_mm: float = 5.2) -> Soft:
    """Gum around natural teeth, with the palate or the floor of the mouth beside it."""
    uv = grid_places()
    necks = _necks(layout)
    s, t = layout.crest.along(uv)
    neck = np.interp(s, *necks)
    half = np.interp(np.abs(s), [0.0, 18.0, 40.0], [half_band_mm - 1.2, half_band_mm, half_band_mm + 1.4])
    upper = layout.arch is Arch.UPPER
    facial = pick(rng, 8.0, 10.0) * _fall((t - 1.0) / (half + 1.0))
    tongue_width = half + (6.5 if upper else 1.0)
    tongue = (pick(rng, 11.0, 15.0) if upper else pick(rng, 8.0, 10.0)) * _fall(-(t + 1.0) / tongue_width)
    height = neck + 0.8 - np.where(t > 1.0, facial, np.where(t < -1.0, tongue, 0.0))
    height += _palate_detail(rng, layout, uv, t) + _lumps(rng, uv, 0.2, (6.0, 16.0), 40)
    back = _back_v(layout)
    tongue_mm = 17.0 if upper else 9.0
    return Soft(map_from(height, blur_mm=0.8), t, s, back, 9.5, tongue_mm)


def footprint(soft: Soft, *, facial_mm: float, tongue_mm: float, behind_mm: float) -> HeightMap:
    """Signed distance, in the plane, to the edge of the area within these margins of the folds; negative inside."""
    uv = grid_places()
    edge = np.maximum(soft.across - (soft.facial_mm + facial_mm), soft.back_v_mm - behind_mm - uv[:, 1])
    if np.isfinite(soft.tongue_mm):
        edge = np.maximum(edge, -soft.across - (soft.tongue_mm + tongue_mm))
    return map_from(np.clip(edge, -30.0, 30.0), blur_mm=1.0)


def _necks(layout: JawLayout) -> tuple[Floats, Floats]:
    """Arc length on the crest and height of the necks of the teeth, in order."""
    teeth = layout.teeth
    necks = teeth.origins_mm - teeth.axes[:, 2] * teeth.sizes_mm[:, 2:3]
    s, _ = layout.crest.along(necks[:, :2])
    order = np.argsort(s)
    return s[order], necks[order, 2]


def _back_v(layout: JawLayout) -> float:
    """A little behind the last tooth."""
    return float(layout.facial.points_mm[np.abs(layout.facial.s_mm) < 53.0][:, 1].min()) - 5.0


def _fall(x: Floats) -> Floats:
    """From 0 on the crest to 1 on the floor, level at both ends."""
    clipped = np.clip(x, 0.0, None)
    fallen: Floats = 1.0 - np.exp(-(clipped**2.4))
    return fallen


def _tongue_drop(arch: Arch, shape: RidgeShape, t: Floats, share: Floats, wide: Floats) -> Floats:
    drop = shape.tongue_drop_mm * (1.0 if arch is Arch.UPPER else 0.8 + 0.35 * share)
    fallen: Floats = drop * _fall(-t / (shape.tongue_width_mm * wide))
    return fallen


def _pads(rng: Dice, uv: Floats, layout: JawLayout, back_v: float) -> Floats:
    """Retromolar pads below, tuberosities above: soft swellings at the ridge's ends."""
    total = np.zeros(len(uv))
    behind = layout.crest.points_mm[:, 1] > back_v + 3.0
    for end in (layout.crest.points_mm[behind][0], layout.crest.points_mm[behind][-1]):
        rise = pick(rng, 0.8, 1.8)
        total += rise * np.exp(-((uv - end) ** 2).sum(axis=1) / (2.0 * pick(rng, 3.0, 4.0) ** 2))
    return total


def _palate_detail(rng: Dice, layout: JawLayout, uv: Floats, t: Floats) -> Floats:
    """Papilla, folds and raphe of a palate; the lip's frenum on both jaws."""
    front = float(layout.crest.points_mm[:, 1].max())
    frenum = -pick(rng, 0.8, 1.6) * np.exp(-((uv[:, 0] / 1.6) ** 2)) * np.exp(-(((t - 7.5) / 2.5) ** 2))
    if layout.arch is Arch.LOWER:
        return -frenum
    papilla = 1.1 * np.exp(-((uv[:, 0] / 2.2) ** 2) - (((uv[:, 1] - front + 5.5) / 3.0) ** 2))
    behind = front - uv[:, 1]
    zone = np.exp(-(((behind - 13.0) / 5.5) ** 2)) * np.clip(np.abs(uv[:, 0]) / 3.0, 0.0, 1.0)
    zone *= np.exp(-((uv[:, 0] / 11.0) ** 2))
    tilt = pick(rng, -0.25, 0.25)
    folds = (
        0.45
        * np.sin(2 * np.pi * (behind + 0.3 * np.abs(uv[:, 0]) + tilt * uv[:, 0]) / pick(rng, 3.6, 4.6))
        * zone
    )
    raphe = -0.3 * np.exp(-((uv[:, 0] / 0.9) ** 2)) * np.clip((behind - 10.0) / 8.0, 0.0, 1.0)
    detail: Floats = papilla + folds + raphe - frenum
    return detail


def _waves(rng: Dice, s: Floats, size: float, wavelength_mm: float) -> Floats:
    total = np.zeros(len(s))
    for _ in range(4):
        total += np.sin(2 * np.pi * s / (wavelength_mm * pick(rng, 0.7, 1.6)) + pick(rng, 0.0, 6.3))
    return 0.5 * size * total


def _lumps(rng: Dice, uv: Floats, size_mm: float, wavelengths_mm: tuple[float, float], count: int) -> Floats:
    """Irregular relief: a sum of plane waves, RMS `size_mm`."""
    total = np.zeros(len(uv))
    for _ in range(count):
        angle, phase = pick(rng, 0.0, 6.3), pick(rng, 0.0, 6.3)
        k = 2 * np.pi / pick(rng, *wavelengths_mm)
        total += np.sin(k * (uv @ np.array([np.cos(angle), np.sin(angle)])) + phase)
    relief: Floats = size_mm * np.sqrt(2.0 / count) * total
    return relief
