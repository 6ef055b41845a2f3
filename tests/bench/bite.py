"""How well the bite is told: `python -m tests.bench.bite [--phantoms N] [--seed S] [--detail D]`, JSON.

Phantom mouths whose opposing jaw is moved by a known motion: shifted, raised, pressed in, leant to one side. Only denture,
opposing jaw and bite scans are scanned. In turn: *white*, 15 µm of white noise alone; *mixed*, as the phantom's scanner has
it, noise alike over patches, stitching drift, and bite scans in which the jaws stand a few micrometres off.

Carried: every record in a frame of its own, so the bite scans carry the relation; it is held against the true one at the
incisors and first molars. Departing: one frame, in which the opposing jaw alone was moved; what each bite scan says of
that is held against the motion, where the bite scan lies. Gaps: the least on each side, against those of the undisturbed
surfaces.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from seed_data.phantoms.dice import Dice, dice
from seed_data.phantoms.disturb import Drift, Noise
from seed_data.phantoms.frames import own_frame, shared_frame
from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.rigid import motion_about
from seed_data.phantoms.scanner import Draft, scan
from seed_data.phantoms.work import Work
from server.measures.bench import RecordBench
from server.measures.bite_contact import BITE_CONTACT, BiteContactResult
from server.measures.bite_regions import Region, arch_places
from server.measures.bite_relation import BITE_RELATION, BiteRelationResult, Spot
from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT
from server.measures.measure import Measurement, Status
from server.measures.mouth import MOUTH, MouthResult
from server.metrology.bite.closeness import closest
from server.metrology.bite.distances import distances_to, main_vertices
from server.metrology.bvh import BoxTree
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.case_form import CaseForm, RecordEntry
from server.records.roles import Role, Unit
from server.rules.catalogue import RULES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.finding import Finding
from server.rules.limit import Level
from server.rules.runner import judge
from server.rules.sheet import default_sheet
from tests.measures.files import stl

Floats = NDArray[np.float64]
FIRST_SEED, PHANTOMS = 5000, 100
WHITE_MM = 0.015
SURE_MM = 0.05
"""A true gap this near a limit is not asked about: there the lab may look or not."""
BITE_RULES = tuple(rule for rule in RULES if rule.group == "bite")


@dataclass
class Tally:
    """Of one stratum. shift_mm, tilt_deg: errors of the carried relation; the rest by bite scan or by side."""

    phantoms: int = 0
    untold: int = 0
    numbers: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    inside: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))

    def note(self, name: str, error: float, u95: float) -> None:
        self.numbers[name].append(float(abs(error)))
        self.inside[name].append(bool(abs(error) <= u95))

    def rows(self) -> dict[str, object]:
        made: dict[str, object] = {"phantoms": self.phantoms, "untold": self.untold}
        for name, values in self.numbers.items():
            v = np.array(values)
            made[name] = {
                "n": len(v),
                "median": round(float(np.median(v)), 4),
                "p95": round(float(np.quantile(v, 0.95)), 4),
                "max": round(float(v.max()), 4),
            }
        for name, held in self.inside.items():
            made[f"{name}: share"] = round(float(np.mean(held)), 3)
        return made


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bite", description=__doc__)
    parser.add_argument("--phantoms", type=int, default=PHANTOMS)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--detail", type=float, default=0.6)
    parser.add_argument("--most-s", type=float, default=1200.0, help="begin no further phantom after this")
    parser.add_argument("--kept", type=Path, help="go on from the figures in this file, and keep them there")
    asked = parser.parse_args()
    tallies = _kept(asked.kept)
    begun = time.perf_counter()
    for k, seed in enumerate(range(asked.seed, asked.seed + asked.phantoms)):
        if time.perf_counter() - begun > asked.most_s:
            break
        kind = "white" if k % 2 == 0 else "mixed"
        _one(seed, asked.detail, kind, tallies[kind])
        if asked.kept:
            asked.kept.write_text(json.dumps({kind: vars(t) for kind, t in tallies.items()}))
        print(seed, kind, f"{time.perf_counter() - begun:.0f} s", file=sys.stderr, flush=True)
    print(
        json.dumps(
            {"seeds": [asked.seed, seed], **{kind: tally.rows() for kind, tally in tallies.items()}}, indent=1
        )
    )


def _kept(path: Path | None) -> dict[str, Tally]:
    if path is None or not path.exists():
        return {"white": Tally(), "mixed": Tally()}
    made = {}
    for kind, held in json.loads(path.read_text()).items():
        made[kind] = Tally(held["phantoms"], held["untold"])
        made[kind].numbers.update(held["numbers"])
        made[kind].inside.update(held["inside"])
    return made


def _one(seed: int, detail: float, kind: str, tally: Tally) -> None:
    rng = dice(seed, "bench", "bite")
    work = draft_work(seed, None, None, random_frames=True, detail=detail, noise_um=None)
    moved = _motion(rng)
    drafts = {key: _scanned(work, key, kind, moved) for key in work.subjects if _is_asked(key)}
    form = CaseForm.model_validate({**work.form, "records": []})
    tally.phantoms += 1
    frames = {key: own_frame(rng) for key in drafts}
    made = _measured(form, drafts, frames)
    if made[BITE_RELATION.name].status is not Status.MEASURED:
        tally.untold += 1
        return
    _carried(BiteRelationResult.model_validate(made[BITE_RELATION.name].result), frames, tally)
    contact = BiteContactResult.model_validate(made[BITE_CONTACT.name].result)
    mouth = MouthResult.model_validate(made[MOUTH.name].result)
    true = _true_gaps(drafts, form, mouth, contact, frames, moved)
    _gaps(contact, true, tally)
    _rules(made, form, drafts, true, tally)
    apart = _motion(rng, most_mm=0.6, most_deg=0.6)
    together = {key: shared_frame(seed) for key in drafts}
    together["opposing"] = shared_frame(seed) @ apart
    _departing(_measured(form, drafts, together), drafts, together, apart, tally)


def _is_asked(key: str) -> bool:
    return key in ("denture", "opposing") or key.startswith("bite")


def _motion(rng: Dice, most_mm: float = 0.8, most_deg: float = 0.8) -> Floats:
    """A shift in any direction and a turn about any axis through the middle of the arch; sometimes none."""
    if rng.random() < 0.15:
        return np.eye(4)
    axis = rng.standard_normal(3)
    angle = np.radians(rng.uniform(0.0, most_deg))
    shift = rng.standard_normal(3)
    shift *= rng.uniform(0.0, most_mm) / np.linalg.norm(shift)
    return np.asarray(motion_about(np.array([0.0, 20.0, 0.0]), axis, angle, shift))


def _scanned(work: Work, key: str, kind: str, moved: Floats) -> Draft:
    settings = work.settings[key]
    parts = settings.part_moves
    if kind == "white":
        still = Drift(np.zeros(3), settings.drift.from_s_mm, settings.drift.length_mm)
        settings = replace(settings, noise=Noise(WHITE_MM, 0.0, 5.0), drift=still)
        parts = (np.eye(4), np.eye(4)) if parts else ()
    if key == "opposing":
        parts = (moved,)
    elif parts:
        parts = (parts[0], moved @ parts[1])
    return scan(work.seed, work.subjects[key], replace(settings, part_moves=parts))


def _measured(form: CaseForm, drafts: dict[str, Draft], frames: dict[str, Floats]) -> dict[str, Measurement]:
    records = {
        f"{key}.stl": RecordBench(
            stl(apply(frames[key], draft.vertices_mm)[draft.faces]),
            file_name=f"{key}.stl",
            role=draft.role,
            unit=Unit.MM,
        )
        for key, draft in drafts.items()
    }
    made = CaseBench(form, records, {}).run((JOINT, MOUTH, BITE_RELATION, BITE_CONTACT), {})
    return {m.measure: m for m in made[:4]}


def _carried(told: BiteRelationResult, frames: dict[str, Floats], tally: Tally) -> None:
    """The relation that the bite scans carry, against the true one, at the incisors and molars."""
    true = frames["denture"] @ inverse(frames["opposing"])
    off = told.motion @ inverse(true)
    certainty = told.held.certainty
    places = {s.spot: np.array(s.at_mm) for b in told.bites if b.departs for s in b.departs.shifts}
    for spot in (Spot.INCISORS, Spot.LEFT, Spot.RIGHT):
        if spot not in places:
            continue
        shift = apply(off, places[spot][None])[0] - places[spot]
        tally.numbers["carried, mm"].append(float(np.linalg.norm(shift)))
        tally.inside["carried, along each axis"] += [
            bool(abs(shift @ axis) <= certainty.u95_along_mm(places[spot], axis)) for axis in np.eye(3)
        ]
    turn = np.degrees(Rotation.from_matrix(off[:3, :3]).as_rotvec())
    tally.numbers["carried, °"].append(float(np.linalg.norm(turn)))
    tally.inside["carried, about each axis"] += [
        bool(abs(turn @ axis) <= certainty.u95_about_deg(axis)) for axis in np.eye(3)
    ]


def _departing(
    made: dict[str, Measurement],
    drafts: dict[str, Draft],
    frames: dict[str, Floats],
    apart: Floats,
    tally: Tally,
) -> None:
    """What each bite scan says of an opposing jaw moved in its file, where the bite scan lies."""
    told = BiteRelationResult.model_validate(made[BITE_RELATION.name].result)
    if not told.is_delivered:
        tally.numbers["not taken for delivered"].append(1.0)
        return
    shared = frames["denture"]
    true = shared @ inverse(apart) @ inverse(shared)
    turn = np.degrees(Rotation.from_matrix(true[:3, :3]).as_rotvec())
    axes = [np.array(v) for v in (told.left, told.front, told.occlusal)]
    for seen in told.bites:
        if seen.departs is None:
            continue
        own = seen.departs.at(Spot.OWN)
        place = np.array(own.at_mm)
        shift = apply(true, place[None])[0] - place
        amounts = (own.left_mm, own.front_mm, own.apart_mm)
        errors = [a.value - float(shift @ axis) for a, axis in zip(amounts, axes, strict=True)]
        tally.numbers["departing, mm"].append(float(np.linalg.norm(errors)))
        for a, error in zip(amounts, errors, strict=True):
            tally.inside["departing, along each axis"].append(bool(abs(error) <= a.u95))
        left, front, occlusal = axes
        turns = (
            (seen.departs.opens_deg, np.cross(front, occlusal)),
            (seen.departs.leans_deg, np.cross(left, occlusal)),
            (seen.departs.turns_deg, occlusal),
        )
        off = [a.value - float(turn @ axis) for a, axis in turns]
        tally.numbers["departing, °"].append(float(np.linalg.norm(off)))
        tally.inside["departing, about each axis"] += [
            bool(abs(e) <= a.u95) for (a, _), e in zip(turns, off, strict=True)
        ]
        size = own.size_mm
        tally.note("departing, size", size.value - float(np.linalg.norm(shift)), size.u95)
        tilt = seen.departs.tilt_deg
        tally.note("departing, tilt", tilt.value - float(np.linalg.norm(turn)), tilt.u95)


def _true_gaps(
    drafts: dict[str, Draft],
    form: CaseForm,
    mouth: MouthResult,
    contact: BiteContactResult,
    frames: dict[str, Floats],
    moved: Floats,
) -> dict[Region, float]:
    """The least gaps of the undisturbed surfaces, by region; regions as the measure has them."""
    denture = _true_surface(drafts["denture"], np.eye(4))
    opposing = _true_surface(drafts["opposing"], moved)
    rows = np.flatnonzero(main_vertices(denture) & (denture.topology.vertex_normals[:, 2] > -0.3))
    points, normals = denture.topology.scan.vertices[rows], denture.topology.vertex_normals[rows]
    met = distances_to(opposing, points, normals, 3.0)
    assert form.working_arch is not None
    places = arch_places(mouth, Role.OPPOSING, form.working_arch, np.eye(4), apply(frames["denture"], points))
    areas = denture.topology.vertex_areas_mm2[rows]
    found = {region: closest(met.gap_mm, areas, places.within(region) & met.faces) for region in Region}
    return {region: least.gap_mm for region, least in found.items() if least is not None}


def _true_surface(draft: Draft, T: Floats) -> Surface:
    whole = ~np.isnan(draft.true_mm[:, 0])
    kept = draft.faces[np.all(whole[draft.faces], axis=1)]
    used, flat = np.unique(kept, return_inverse=True)
    made = Scan(apply(T, draft.true_mm[used]), flat.reshape(-1, 3).astype(np.int32))
    return Surface(topology_of(made), BoxTree(made))


def _gaps(contact: BiteContactResult, true: dict[Region, float], tally: Tally) -> None:
    for region, true_mm in true.items():
        least = contact.of(region).least_mm
        if least is not None:
            tally.note("least gap, mm", least.value - true_mm, least.u95)
    depth = max(0.0, -min(true.values())) if true else 0.0
    pressed = contact.pressed.depth_mm
    tally.note("depth, mm", pressed.value - depth, pressed.u95)


def _rules(
    made: dict[str, Measurement],
    form: CaseForm,
    drafts: dict[str, Draft],
    true: dict[Region, float],
    tally: Tally,
) -> None:
    """Whether the rules of gaps speak where they should, and on the right side; near a limit nothing is asked."""
    records = tuple(
        RecordEvidence(RecordEntry(role=d.role, file=f"{k}.stl"), sha256=k) for k, d in drafts.items()
    )
    case = CaseEvidence(form=form, records=records, now=datetime(2031, 1, 1, tzinfo=UTC), measurements=made)
    found = judge(BITE_RULES, case, default_sheet(None))
    for region in (Region.LEFT, Region.RIGHT):
        gap = true.get(region)
        if gap is not None and abs(gap - 0.15) > SURE_MM:
            said = [f for f in found if f.rule == "bite/no-contact" and region.words.capitalize() in f.says]
            tally.inside["no-contact right, by side"].append(_speaks(said) is (gap > 0.15))
    depth = max(0.0, -min(true.values())) if true else 0.0
    if abs(depth - 0.15) > SURE_MM:
        said = [f for f in found if f.rule == "bite/penetration"]
        tally.inside["penetration right"].append(_speaks(said) is (depth > 0.15))
    disagree = [f for f in found if f.rule == "bite/scan-disagrees"]
    tally.inside["scan-disagrees silent where all agree"].append(not _speaks(disagree))


def _speaks(found: list[Finding]) -> bool:
    return any(f.level.gravity > Level.NOTE.gravity for f in found)


if __name__ == "__main__":
    main()
