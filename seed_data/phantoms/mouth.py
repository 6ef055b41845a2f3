"""One mouth: layouts, soft tissue, sites and the solids that records are scanned from, in the working jaw's frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.blocks import block_under
from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice, dice, pick
from seed_data.phantoms.height_map import HeightMap
from seed_data.phantoms.layout import JawLayout, plan_layouts
from seed_data.phantoms.occlusion import set_against
from seed_data.phantoms.ridge import Soft, draw_ridge, footprint, gum, ridge
from seed_data.phantoms.sites import Planned, pattern_for, plan_sites
from seed_data.phantoms.solids import FLIPPED, BeforeSolid, DentureSolid, JawSolid, OpposingSolid, Placed
from seed_data.phantoms.teeth import ToothRow
from server.records.case_form import Material, Prosthesis
from server.records.teeth import Arch, Tooth

Floats = NDArray[np.float64]

SPACE_MM = {Prosthesis.PROVISIONAL: 7.5, Prosthesis.TRY_IN: 7.5}
DEFINITIVE_SPACE_MM = {Material.ZIRCONIA: 12.0, Material.METAL_ACRYLIC: 15.0}


@dataclass(frozen=True, slots=True)
class Edges:
    """Footprints, negative inside: how far each scan reaches."""

    jaw: HeightMap
    opposing: HeightMap


@dataclass(frozen=True, slots=True)
class Mouth:
    """Everything that is true of one mouth. `jaw`, `tissue`, `denture`, `opposing` share the joint frame."""

    seed: int
    arch: Arch
    layout: JawLayout
    opposing_layout: JawLayout
    soft: Soft
    sites: tuple[Planned, ...]
    prosthesis: Prosthesis
    material: Material
    jaw: JawSolid
    tissue: JawSolid
    denture: DentureSolid
    opposing: OpposingSolid
    before: BeforeSolid
    edges: Edges

    def tooth(self, index: int) -> Tooth:
        """The tooth of one site."""
        return tooth_at(self.arch, self.layout, self.sites[index].side, self.sites[index].number)

    @property
    def placed(self) -> tuple[Placed, ...]:
        return tuple(site.placed for site in self.sites)


def tooth_at(arch: Arch, layout: JawLayout, side: int, number: int) -> Tooth:
    right = side == layout.right_sign
    if arch is Arch.UPPER:
        return Tooth(1 if right else 2, number)
    return Tooth(4 if right else 3, number)


def plan_mouth(seed: int, *, arch: Arch | None = None, sites: int | None = None) -> Mouth:
    """The mouth of a seed; arch and number of sites are drawn where they are not given."""
    rng = dice(seed, "mouth")
    drawn_arch = Arch.UPPER if rng.random() < 0.5 else Arch.LOWER
    drawn_sites = int(rng.choice([4, 5, 6, 7, 8], p=[0.3, 0.15, 0.3, 0.1, 0.15]))
    for attempt in range(12):
        try:
            return _mouth(seed, attempt, arch or drawn_arch, sites or drawn_sites)
        except LookupError:
            continue
    raise LookupError(f"seed {seed} gives no mouth with room for {sites or drawn_sites} bodies")


def _mouth(seed: int, attempt: int, arch: Arch, count: int) -> Mouth:
    rng = dice(seed, "mouth", arch, str(attempt))
    prosthesis, material = _prosthesis(rng)
    pattern = pattern_for(rng, arch, count)
    kinds = _kinds(rng, count)
    inner = int(rng.integers(2**31))
    layout, other = plan_layouts(inner, arch, teeth_a_side=6 if rng.random() < 0.6 else 7)
    soft = ridge(rng, layout, draw_ridge(rng, arch, crest_mm=_crest_mm(rng, kinds, prosthesis, material)))
    gums = gum(rng, other)
    opposing = OpposingSolid(gums.surface, other.teeth, FLIPPED)
    teeth = set_against(layout.teeth, opposing)
    bare = JawSolid(soft.surface, (), rounding_mm=pick(rng, 0.08, 0.16))
    denture = DentureSolid(
        jaw=bare,
        block=block_under(layout, below_neck_mm=-0.8, facial_mm=3.4, tongue_mm=4.6),
        edge=footprint(soft, facial_mm=-0.5, tongue_mm=-0.4, behind_mm=-1.0),
        teeth=teeth,
        opposing=opposing,
        wall_mm=pick(rng, 2.7, 3.0),
        cover_mm=pick(rng, 2.6, 2.9),
        ground_gap_mm=pick(rng, 0.02, 0.04),
    )
    planned = plan_sites(inner, layout, soft, denture, pattern, kinds)
    return assembled(
        Mouth(
            seed=seed,
            arch=arch,
            layout=layout,
            opposing_layout=other,
            soft=soft,
            sites=planned,
            prosthesis=prosthesis,
            material=material,
            jaw=bare,
            tissue=bare,
            denture=denture,
            opposing=opposing,
            before=_before(layout, soft, teeth, rng),
            edges=Edges(
                footprint(soft, facial_mm=2.2, tongue_mm=2.2, behind_mm=3.0),
                footprint(gums, facial_mm=0.0, tongue_mm=0.0, behind_mm=2.0),
            ),
        )
    )


def assembled(mouth: Mouth) -> Mouth:
    """The mouth with jaw, tissue and denture made from its sites."""
    jaw = replace(mouth.jaw, standing=mouth.placed, capped=())
    tissue = replace(mouth.jaw, standing=(), capped=mouth.placed)
    return replace(mouth, jaw=jaw, tissue=tissue, denture=replace(mouth.denture, jaw=jaw))


def _prosthesis(rng: Dice) -> tuple[Prosthesis, Material]:
    drawn = rng.random()
    if drawn < 0.72:
        return Prosthesis.PROVISIONAL, Material.PMMA_MILLED if rng.random() < 0.6 else Material.PRINTED_RESIN
    if drawn < 0.82:
        return Prosthesis.TRY_IN, Material.PRINTED_RESIN
    return Prosthesis.DEFINITIVE, Material.ZIRCONIA if rng.random() < 0.7 else Material.METAL_ACRYLIC


def _kinds(rng: Dice, count: int) -> tuple[str, ...]:
    """One kind throughout, or two mixed."""
    names = tuple(KINDS)
    first = names[int(rng.choice(len(names), p=[0.45, 0.35, 0.20]))]
    if rng.random() < 0.75:
        return (first,) * count
    second = names[int(rng.integers(len(names)))]
    return tuple(first if rng.random() < 0.6 else second for _ in range(count))


def _crest_mm(rng: Dice, kinds: tuple[str, ...], prosthesis: Prosthesis, material: Material) -> float:
    """Depth of the crest that leaves room for bodies, resin around them, and the prosthesis."""
    tallest = max(KINDS[kind].height_mm for kind in kinds)
    space = SPACE_MM.get(prosthesis, DEFINITIVE_SPACE_MM.get(material, 7.5))
    return max(tallest + 5.6, space + 3.2) + pick(rng, 0.0, 2.0)


def _before(layout: JawLayout, soft: Soft, teeth: ToothRow, rng: Dice) -> BeforeSolid:
    lost = {int(k) for k in np.flatnonzero(rng.random(len(teeth.numbers)) < 0.2)}
    return BeforeSolid(
        soft.surface,
        block_under(layout, below_neck_mm=0.2, facial_mm=3.6, tongue_mm=4.6),
        footprint(soft, facial_mm=-0.5, tongue_mm=-0.4, behind_mm=-1.0),
        teeth.without(lost),
    )
