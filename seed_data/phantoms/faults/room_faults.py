"""Faults of groups denture and space: the denture's walls and impression side, and the room above the implants."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.rebuild import another_mouth, shifted, tilted, with_site
from seed_data.phantoms.faults.surface_faults import hole_in
from seed_data.phantoms.height_map import grid_places, map_from
from seed_data.phantoms.mouth import Mouth, tooth_at
from seed_data.phantoms.order_form import planned_range
from seed_data.phantoms.sites import channel_exit
from seed_data.phantoms.solids import Placed
from seed_data.phantoms.subjects import denture_subject
from seed_data.phantoms.telling import seat_to_opposing_mm
from seed_data.phantoms.work import Stage, Work
from server.records.case_form import Material, Prosthesis
from server.records.teeth import Numbering
from server.rules.limit import Level

LEAST_OVER_MM = 0.4
"""What stays over a raised body."""
MOST_RAISED_MM = 4.0
LITTLE_ROOM_MM = {
    Material.PMMA_MILLED: (6.7, 7.8),
    Material.PRINTED_RESIN: (6.7, 7.8),
    Material.ZIRCONIA: (11.0, 12.3),
    Material.METAL_ACRYLIC: (13.5, 15.3),
}
"""Between the two minimums of a material, and what is enough."""
RAISED_ALSO = (
    "denture/thin",
    "denture/impression-mismatch",
    "space/screw-exit",
    "bite/penetration",
    "bodies/coverage",
)


def _open(work: Work, rng: Dice, *, diameter_mm: float, level: Level) -> Found:
    return replace(
        hole_in(work, rng, key="denture", diameter_mm=diameter_mm, level=level), also=("surface/hole",)
    )


def _with_denture(work: Work, mouth: Mouth) -> None:
    """Another denture than the one that was in the mouth is sent; bite scans show the right one."""
    work.subjects["denture"] = denture_subject(mouth)


def _not_fitting(work: Work, rng: Dice, *, swelling_mm: float, level: Level) -> Found:
    """The denture was relined while one half of the ridge was swollen."""
    uv = grid_places()
    surface = work.mouth.soft.surface
    side = 1.0 if rng.random() < 0.5 else -1.0
    swollen = swelling_mm / (1.0 + np.exp(-side * uv[:, 0] / 2.5))
    jaw = replace(work.mouth.denture.jaw, surface=map_from(surface.at(uv) + swollen))
    _with_denture(work, replace(work.mouth, denture=replace(work.mouth.denture, jaw=jaw)))
    also = ("bite/no-contact", "bite/penetration", "bite/tilt", "denture/thin", "space/thickness")
    return Found(level, "denture", value=swelling_mm, value_within=0.3 * swelling_mm, unit="mm", also=also)


def _foreign(work: Work, _rng: Dice) -> Found:
    """The denture of another patient."""
    work.subjects["denture"] = denture_subject(another_mouth(work))
    work.shown["denture"] = ()
    also = (
        "denture/imprint-count",
        "surface/no-fit",
        "bite/scan-disagrees",
        "bite/no-contact",
        "bite/penetration",
        "bite/tilt",
    )
    more = ("bite/one-sided", "bite/missing", "space/thickness", "space/screw-exit", "denture/thin")
    return Found(Level.RETURN, "denture", also=(*also, *more))


def _imprint_missing(work: Work, rng: Dice) -> Found:
    """One body was not in place when the denture was relined."""
    site = int(rng.integers(len(work.mouth.sites)))
    standing = tuple(p for k, p in enumerate(work.mouth.placed) if k != site)
    jaw = replace(work.mouth.denture.jaw, standing=standing)
    _with_denture(work, replace(work.mouth, denture=replace(work.mouth.denture, jaw=jaw)))
    work.shown["denture"] = tuple(None if k == site else p for k, p in enumerate(work.mouth.placed))
    return Found(Level.LOOK, "denture", sites=(site,), also=("denture/impression-mismatch",))


def _thin(work: Work, _rng: Dice, *, wall_mm: float, level: Level) -> Found:
    """The denture was ground out around the bodies until little was left; bite scans show it as it was before."""
    denture = replace(work.mouth.denture, cover_mm=wall_mm, wall_mm=max(wall_mm, 1.2))
    block = map_from(work.mouth.denture.block.at(grid_places()) - 4.0)
    _with_denture(work, replace(work.mouth, denture=replace(denture, block=block)))
    return Found(
        level,
        "denture",
        value=wall_mm,
        value_within=0.35,
        unit="mm",
        also=("space/thickness", "bite/scan-disagrees"),
    )


def _high_seat(work: Work, rng: Dice) -> Found:
    """An abutment so high that too little room is left between its seat and the other jaw, for the bridge's material or, where
    that would take too high an abutment, for one that needs more."""
    rooms = [seat_to_opposing_mm(p, work.mouth, work.T_opposing_moved) for p in work.mouth.placed]
    for material in (work.mouth.material, Material.METAL_ACRYLIC):
        wanted, least = LITTLE_ROOM_MM[material]
        for site in (int(k) for k in rng.permutation(len(rooms))):
            room, own = rooms[site], work.mouth.placed[site]
            others = [r for k, r in enumerate(rooms) if k != site and r is not None]
            if room is None or not _can_rise(own, room, wanted) or min(others) < least:
                continue
            work.form["material"] = material.value
            with_site(work, site, shifted(own, own.axis * (room - wanted)))
            also = (*RAISED_ALSO, "space/thickness")
            return Found(
                level=Level.LOOK, sites=(site,), value=wanted, value_within=0.15, unit="mm", also=also
            )
    raise LookupError("no body of this phantom can stand so high: choose another seed")


def _ground_away(work: Work, rng: Dice, *, room_mm: float, level: Level) -> Found:
    """Over a low body the denture was ground away until little was left above the seat."""
    site = int(rng.integers(len(work.mouth.sites)))
    own = work.mouth.placed[site]
    low = Placed(min(KINDS, key=lambda kind: KINDS[kind].height_mm), own.T_joint_body)
    work.mouth = replace(work.mouth, denture=replace(work.mouth.denture, ground_off=(low, room_mm)))
    with_site(work, site, low)
    work.form["sites"][site]["scan_body"] = low.kind
    also = (*RAISED_ALSO, "bite/no-contact", "bite/tilt", "bite/one-sided")
    return Found(level, sites=(site,), value=room_mm, value_within=0.1, unit="mm", also=also)


def _can_rise(placed: Placed, room_mm: float, wanted_mm: float) -> bool:
    """Whether a body fits under the wanted room, and its abutment need not be raised too far."""
    return (
        KINDS[placed.kind].height_mm + LEAST_OVER_MM < wanted_mm
        and 0.0 < room_mm - wanted_mm < MOST_RAISED_MM
    )


def _facial_exit(work: Work, rng: Dice) -> Found:
    """A front implant leans so far to the lip that its channel comes out on the facial side."""
    front = [k for k, site in enumerate(work.mouth.sites) if site.number <= 3]
    site = front[int(rng.integers(len(front)))]
    own = work.mouth.placed[site]
    out2 = work.mouth.layout.facial.outward_at(
        float(work.mouth.layout.facial.along(own.seat_mm[None, :2])[0][0])
    )
    across = np.cross(np.array([0.0, 0.0, 1.0]), np.array([out2[0], out2[1], 0.0]))
    for angle in np.arange(10.0, 55.0, 1.0):
        leaning = shifted(tilted(own, across, float(angle)), np.array([0.0, 0.0, 0.8]))
        leaves = channel_exit(leaning, work.mouth.denture)
        if leaves is None:
            continue
        _, off = work.mouth.layout.facial.along(leaves[None, :2])
        if off[0] > 0.15:
            with_site(work, site, leaning)
            also = (
                "denture/thin",
                "space/thickness",
                "bodies/divergence",
                "bodies/too-close",
                "bodies/coverage",
            )
            return Found(Level.LOOK, sites=(site,), also=(*also, "surface/hole-at-body", "space/restorative"))
    raise LookupError("no front implant of this phantom can lean so far")


def _hanging(work: Work, _rng: Dice, *, further: int, level: Level) -> Found:
    """More teeth are planned behind the last implants than these can carry."""
    if work.mouth.prosthesis is Prosthesis.DEFINITIVE:
        raise LookupError("of a definitive the overhang is judged against the spread: choose a provisional")
    ends = []
    for side in (-1, 1):
        last = max(site.number for site in work.mouth.sites if site.side == side)
        ends.append(tooth_at(work.mouth.arch, work.mouth.layout, side, min(last + further, 8)))
    work.form["planned_teeth"] = planned_range(ends, work.numbering)
    also = ("form/numbering-doubtful",) if work.numbering is Numbering.UNIVERSAL else ()
    return Found(level, also=also)


M, S, R = Stage.MOUTH, Stage.SURFACE, Stage.FORM
ROOM_FAULTS = (
    fault(
        "denture-not-all-round",
        "denture/not-all-round",
        S,
        "an opening of 5 mm",
        partial(_open, diameter_mm=5.0, level=Level.LOOK),
    ),
    fault(
        "denture-not-all-round-return",
        "denture/not-all-round",
        S,
        "an opening of 12 mm",
        partial(_open, diameter_mm=12.0, level=Level.RETURN),
    ),
    fault(
        "denture-impression-mismatch",
        "denture/impression-mismatch",
        M,
        "relined over 0.7 mm of swelling",
        partial(_not_fitting, swelling_mm=0.7, level=Level.LOOK),
    ),
    fault(
        "denture-impression-mismatch-foreign",
        "denture/impression-mismatch",
        M,
        "another patient's denture",
        _foreign,
    ),
    fault("denture-imprint-count", "denture/imprint-count", M, "one imprint too few", _imprint_missing),
    fault(
        "denture-thin",
        "denture/thin",
        M,
        "1.4 mm around bodies",
        partial(_thin, wall_mm=1.4, level=Level.LOOK),
    ),
    fault(
        "denture-thin-return",
        "denture/thin",
        M,
        "0.6 mm around bodies",
        partial(_thin, wall_mm=0.6, level=Level.RETURN),
    ),
    fault(
        "space-restorative",
        "space/restorative",
        M,
        "too little from seat to the other jaw",
        _high_seat,
    ),
    fault(
        "space-thickness",
        "space/thickness",
        M,
        "5.3 mm from seat to outer surface",
        partial(_ground_away, room_mm=5.3, level=Level.LOOK),
    ),
    fault("space-screw-exit", "space/screw-exit", M, "a channel that comes out at the lip", _facial_exit),
    fault(
        "space-cantilever",
        "space/cantilever",
        R,
        "one tooth beyond the last implants",
        partial(_hanging, further=1, level=Level.LOOK),
    ),
    fault(
        "space-cantilever-return",
        "space/cantilever",
        R,
        "two teeth beyond the last implants",
        partial(_hanging, further=2, level=Level.RETURN),
    ),
)
