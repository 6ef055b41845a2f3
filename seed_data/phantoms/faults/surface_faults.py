"""Faults of group surface: what is wrong with a scanned surface by itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.disturb import Noise, patch
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.places import disc, inner_place, near_body
from seed_data.phantoms.surface import (
    area_mm2,
    border_edges,
    edges_of,
    pieces,
    vertex_normals,
    without_pinches,
)
from seed_data.phantoms.work import Stage, Work
from server.records.teeth import Arch
from server.rules.limit import Level


def _inside_out(key: str, level: Level = Level.NOTE) -> Callable[[Work, Dice], Found]:
    def spoil(work: Work, _rng: Dice) -> Found:
        draft = work.drafts[key]
        work.drafts[key] = replace(draft, faces=draft.faces[:, ::-1])
        work.files[key].is_inside_out = True
        work.files[key].inside_out_share = 1.0
        return Found(level, key)

    return spoil


def _one_shell_turned(work: Work, _rng: Dice) -> Found:
    """In a bite scan the upper jaw is turned inside out, the lower is not."""
    draft = work.drafts["bite-left"]
    count, label = pieces(len(draft.vertices_mm), edges_of(draft.faces))
    heights = np.array([np.nanmedian(draft.true_mm[label == k, 2]) for k in range(count)])
    upper = heights.argmin() if work.mouth.arch is Arch.UPPER else heights.argmax()
    own = label[draft.faces[:, 0]] == int(upper)
    work.drafts["bite-left"] = replace(draft, faces=np.where(own[:, None], draft.faces[:, ::-1], draft.faces))
    work.files["bite-left"].inside_out_share = float(own.mean())
    return Found(Level.NOTE, "bite-left")


def _mixed(work: Work, rng: Dice, *, share: float, level: Level) -> Found:
    draft = work.drafts["opposing"]
    at = inner_place(rng, draft, margin_mm=6.0)
    order = np.argsort(((draft.vertices_mm[draft.faces].mean(axis=1) - at) ** 2).sum(axis=1))
    turned = order[: int(share * len(draft.faces))]
    faces = draft.faces.copy()
    faces[turned] = faces[turned][:, ::-1]
    work.drafts["opposing"] = replace(draft, faces=faces)
    turned_area = area_mm2(draft.vertices_mm, draft.faces[turned])
    value = turned_area / area_mm2(draft.vertices_mm, draft.faces)
    work.files["opposing"].inside_out_share = value
    return Found(
        level,
        "opposing",
        place_mm=work.in_file("opposing", at),
        place_within_mm=40.0,
        value=100.0 * value,
        value_within=20.0 * value,
        unit="%",
    )


def hole_in(work: Work, rng: Dice, *, key: str, diameter_mm: float, level: Level) -> Found:
    """An opening of that diameter; what is left at its rim makes it wider by about one edge."""
    draft = work.drafts[key]
    at = inner_place(rng, draft, margin_mm=diameter_mm / 2 + 4.0)
    keep = ~disc(draft, at, 0.5 * (diameter_mm - draft.spacing_mm))
    work.drafts[key] = draft.cut(without_pinches(draft.faces, keep))
    also = ("denture/not-all-round",) if key == "denture" else ()
    return Found(
        level,
        key,
        place_mm=work.in_file(key, at),
        place_within_mm=diameter_mm / 2 + 1.5,
        value=diameter_mm,
        value_within=0.3 * diameter_mm,
        unit="mm",
        also=also,
    )


def _hole_at_body(work: Work, rng: Dice, *, diameter_mm: float, level: Level) -> Found:
    draft = work.drafts["jaw"]
    site = int(rng.integers(len(work.mouth.sites)))
    at = near_body(rng, draft, work.mouth.placed[site], distance_mm=0.6 + 0.45 * diameter_mm)
    keep = ~disc(draft, at, 0.5 * (diameter_mm - draft.spacing_mm))
    work.drafts["jaw"] = draft.cut(without_pinches(draft.faces, keep))
    return Found(
        level,
        "jaw",
        sites=(site,),
        place_mm=work.in_file("jaw", at),
        place_within_mm=diameter_mm / 2 + 1.5,
        value=diameter_mm,
        value_within=0.4 * diameter_mm,
        unit="mm",
        also=("surface/hole", "bodies/coverage"),
    )


def _islands(work: Work, rng: Dice, *, total_mm2: float, level: Level) -> Found:
    """Loose shells of 8 mm² and more, as a moving tongue leaves them, some millimetres above the scan."""
    draft = work.drafts["tissue"]
    normals = draft.normals
    areas: list[float] = []
    while sum(areas) < total_mm2:
        at = inner_place(rng, draft, margin_mm=5.0)
        index = int(((draft.vertices_mm - at) ** 2).sum(axis=1).argmin())
        centre = at + normals[index] * rng.uniform(3.0, 12.0)
        points, faces = patch(rng, centre, normals[index], 1.6, draft.spacing_mm)
        if cKDTree(draft.vertices_mm).query(points)[0].min() < 1.5:
            continue
        draft = draft.with_more(points, faces)
        normals = np.vstack([normals, np.zeros_like(points)])
        areas.append(area_mm2(points, faces))
    work.drafts["tissue"] = replace(draft, speck_areas_mm2=(*draft.speck_areas_mm2, *areas))
    beyond = sum(area for area in work.drafts["tissue"].speck_areas_mm2 if area >= 5.0)
    return Found(level, "tissue", value=beyond, value_within=0.1 * beyond, unit="mm²")


def _double_layer(work: Work, rng: Dice, *, area: float, level: Level) -> Found:
    """The same place scanned twice and not joined: a second layer 0.25 mm above the first."""
    draft = work.drafts["opposing"]
    at = inner_place(rng, draft, margin_mm=np.sqrt(area / np.pi) + 3.0)
    own = disc(draft, at, float(np.sqrt(area / np.pi)))
    faces = draft.faces[own[draft.faces].all(axis=1)]
    used, renumbered = np.unique(faces, return_inverse=True)
    slide = 0.5 * draft.spacing_mm * np.array([0.6, 0.5, 0.4])
    lifted = (
        draft.vertices_mm[used]
        + 0.25 * draft.normals[used]
        + slide
        + 0.01 * rng.standard_normal((len(used), 3))
    )
    layer = area_mm2(lifted, renumbered.reshape(-1, 3))
    work.drafts["opposing"] = draft.with_more(lifted, renumbered.reshape(-1, 3))
    work.files["opposing"].double_layer_mm2 = layer
    return Found(
        level,
        "opposing",
        place_mm=work.in_file("opposing", at),
        place_within_mm=float(np.sqrt(area)) + 1.0,
        value=layer,
        value_within=0.2 * layer,
        unit="mm²",
        also=("surface/islands", "surface/rough"),
    )


def _fins(work: Work, rng: Dice, *, per_100k: float, level: Level) -> Found:
    """Facets that stand on edges which have two already."""
    draft = work.drafts["tissue"]
    edges = edges_of(draft.faces)
    edges = edges[~np.isin(edges, border_edges(draft.faces)).any(axis=1)]
    count = int(np.ceil(per_100k * len(draft.faces) / 100_000))
    chosen = edges[rng.choice(len(edges), count, replace=False)]
    tips = draft.vertices_mm[chosen].mean(axis=1) + 0.25 * draft.normals[chosen[:, 0]]
    new = len(draft.vertices_mm) + np.arange(count)
    faces = np.vstack([draft.faces, np.column_stack([chosen, new])])
    work.drafts["tissue"] = replace(draft.with_more(tips, np.zeros((0, 3), dtype=np.int64)), faces=faces)
    value = count * 100_000 / len(faces)
    return Found(
        level, "tissue", value=value, value_within=0.1 * value, also=("surface/spikes", "surface/rough")
    )


def _degenerate(work: Work, rng: Dice, *, per_100k: float, level: Level) -> Found:
    """Facets without area: an edge is split on one side only and the slit is filled with a line."""
    draft = work.drafts["bite-left"]
    count = int(np.ceil(per_100k * len(draft.faces) / 100_000))
    chosen = rng.choice(len(draft.faces), count, replace=False)
    a, b, c = draft.faces[chosen].T
    middles = 0.5 * (draft.vertices_mm[a] + draft.vertices_mm[b])
    m = len(draft.vertices_mm) + np.arange(count)
    whole = np.delete(draft.faces, chosen, axis=0)
    new = [np.column_stack(row) for row in ((a, m, c), (m, b, c), (a, b, m))]
    work.drafts["bite-left"] = replace(
        draft.with_more(middles, np.zeros((0, 3), dtype=np.int64)), faces=np.vstack([whole, *new])
    )
    value = count * 100_000 / len(work.drafts["bite-left"].faces)
    return Found(level, "bite-left", value=value, value_within=0.1 * value, also=("surface/non-manifold",))


def _coarse(work: Work, _rng: Dice, *, key: str, spacing_mm: float, level: Level) -> Found:
    work.settings[key] = replace(work.settings[key], spacing_mm=spacing_mm)
    also = ("surface/rough", "bodies/coverage", "bodies/fit", "surface/spikes", "surface/hole-at-body")
    return Found(level, key, value=0.89 * spacing_mm, value_within=0.12 * spacing_mm, unit="mm", also=also)


def _rough(work: Work, _rng: Dice, *, noise_mm: float, level: Level) -> Found:
    work.settings["tissue"] = replace(work.settings["tissue"], noise=Noise(noise_mm, 0.0, 4.0))
    also = ("surface/spikes", "denture/impression-mismatch")
    return Found(level, "tissue", value=noise_mm, value_within=0.25 * noise_mm, unit="mm", also=also)


def _spikes(work: Work, rng: Dice, *, count: int, level: Level) -> Found:
    draft = work.drafts["opposing"]
    normals = vertex_normals(draft.vertices_mm, draft.faces)
    chosen = rng.choice(len(draft.vertices_mm), count, replace=False)
    moved = draft.vertices_mm.copy()
    moved[chosen] += normals[chosen] * rng.uniform(1.6, 3.0, count)[:, None]
    work.drafts["opposing"] = replace(draft, vertices_mm=moved)
    return Found(
        level,
        "opposing",
        value=float(count),
        value_within=0.25 * count,
        also=("surface/rough", "surface/double-layer", "bite/penetration"),
    )


S, M = Stage.SURFACE, Stage.MOUTH
SURFACE_FAULTS = (
    fault(
        "surface-inside-out", "surface/inside-out", S, "the jaw scan turned inside out", _inside_out("jaw")
    ),
    fault(
        "surface-inside-out-bite", "surface/inside-out", S, "a bite scan turned", _inside_out("bite-right")
    ),
    fault(
        "surface-inside-out-shell",
        "surface/inside-out",
        S,
        "one jaw of a bite scan turned",
        _one_shell_turned,
    ),
    fault(
        "surface-inside-out-opposing",
        "surface/inside-out",
        S,
        "the other jaw turned",
        _inside_out("opposing"),
    ),
    fault(
        "surface-inside-out-denture", "surface/inside-out", S, "the denture turned", _inside_out("denture")
    ),
    fault(
        "surface-mixed-facing",
        "surface/mixed-facing",
        S,
        "3 % of the facets turned",
        partial(_mixed, share=0.03, level=Level.LOOK),
    ),
    fault(
        "surface-mixed-facing-return",
        "surface/mixed-facing",
        S,
        "a sixth of the facets turned",
        partial(_mixed, share=0.16, level=Level.RETURN),
    ),
    fault(
        "surface-hole",
        "surface/hole",
        S,
        "an opening of 5 mm",
        partial(hole_in, key="tissue", diameter_mm=5.0, level=Level.LOOK),
    ),
    fault(
        "surface-hole-return",
        "surface/hole",
        S,
        "an opening of 11 mm",
        partial(hole_in, key="opposing", diameter_mm=11.0, level=Level.RETURN),
    ),
    fault(
        "surface-hole-denture",
        "surface/hole",
        S,
        "an opening of 5 mm in the denture",
        partial(hole_in, key="denture", diameter_mm=5.0, level=Level.LOOK),
    ),
    fault(
        "surface-hole-at-body",
        "surface/hole-at-body",
        S,
        "an opening of 1.8 mm beside a body",
        partial(_hole_at_body, diameter_mm=1.8, level=Level.LOOK),
    ),
    fault(
        "surface-hole-at-body-return",
        "surface/hole-at-body",
        S,
        "an opening of 4 mm beside a body",
        partial(_hole_at_body, diameter_mm=4.0, level=Level.RETURN),
    ),
    fault(
        "surface-islands",
        "surface/islands",
        S,
        "40 mm² of loose shells",
        partial(_islands, total_mm2=40.0, level=Level.LOOK),
    ),
    fault(
        "surface-islands-return",
        "surface/islands",
        S,
        "300 mm² of loose shells",
        partial(_islands, total_mm2=300.0, level=Level.RETURN),
    ),
    fault(
        "surface-double-layer",
        "surface/double-layer",
        S,
        "14 mm² scanned twice",
        partial(_double_layer, area=14.0, level=Level.LOOK),
    ),
    fault(
        "surface-double-layer-return",
        "surface/double-layer",
        S,
        "90 mm² scanned twice",
        partial(_double_layer, area=90.0, level=Level.RETURN),
    ),
    fault(
        "surface-non-manifold",
        "surface/non-manifold",
        S,
        "fins on edges",
        partial(_fins, per_100k=300.0, level=Level.LOOK),
    ),
    fault(
        "surface-degenerate",
        "surface/degenerate",
        S,
        "facets without area",
        partial(_degenerate, per_100k=800.0, level=Level.LOOK),
    ),
    fault(
        "surface-coarse",
        "surface/coarse",
        M,
        "the jaw scanned at 0.66 mm",
        partial(_coarse, key="jaw", spacing_mm=0.66, level=Level.LOOK),
    ),
    fault(
        "surface-coarse-opposing",
        "surface/coarse",
        M,
        "the other jaw scanned at 0.9 mm",
        partial(_coarse, key="opposing", spacing_mm=0.9, level=Level.LOOK),
    ),
    fault(
        "surface-rough",
        "surface/rough",
        M,
        "60 µm of noise",
        partial(_rough, noise_mm=0.060, level=Level.LOOK),
    ),
    fault(
        "surface-rough-return",
        "surface/rough",
        M,
        "0.12 mm of noise",
        partial(_rough, noise_mm=0.120, level=Level.RETURN),
    ),
    fault("surface-spikes", "surface/spikes", S, "25 spikes", partial(_spikes, count=25, level=Level.LOOK)),
    fault(
        "surface-spikes-return",
        "surface/spikes",
        S,
        "400 spikes",
        partial(_spikes, count=400, level=Level.RETURN),
    ),
)
