"""How well the room above implants is measured: `python -m tests.bench.space [--phantoms N] [--seed S] [--rows FILE]`, JSON.

Phantom mouths, each record exported in a frame of its own; only what is needed is scanned. Even seeds: white noise of 15 µm, points
0.28-0.37 mm apart (*white*); odd ones: light scans, 0.37-0.46 mm apart, as the phantom's scanner scatters (*mixed*). Every value is
held against what is true of the mouth: lengths are followed to the true surfaces exactly, walls by descending on the true outer side.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.faults.height_faults import with_before
from seed_data.phantoms.phantom import draft_work, run_stages
from seed_data.phantoms.rigid import Matrix, inverse, move
from seed_data.phantoms.sites import channel_exit
from seed_data.phantoms.telling import seat_to_opposing_mm
from seed_data.phantoms.work import Work
from server.measures.arch_spread import SPREAD, ArchResult
from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.case_bench import CaseBench
from server.measures.height import HEIGHT, HeightResult
from server.measures.measure import Measurement, Status
from server.measures.space import SPACE, SpaceResult
from server.measures.walls import WALLS, WallsResult
from server.metrology.space.outer_face import Face
from server.records.case_form import CaseForm
from tests.bench.by_seed import run_by_seed

Floats = NDArray[np.float64]
Row = dict[str, float | str | int]

NEEDED = ("jaw", "denture", "opposing", "bite-left", "bite-right", "markers", "before", "before-opposing")
FIRST_SEED, PHANTOMS = 5000, 100
WHITE, MIXED = (0.9, 15.0), (0.6, None)
"""Detail of the scans, and the noise of the scanner in micrometres where it is not the phantom's."""


def main() -> None:
    run_by_seed(
        "tests.bench.space",
        __doc__,
        phantoms=PHANTOMS,
        seed=FIRST_SEED,
        rows_of=lambda seed, bodies: list(_rows_of(seed, bodies)),
        told=lambda made: {"rows": len(made)},
        summary=summary,
    )


def summary(rows: list[Row]) -> dict[str, object]:
    """By stratum and kind of value: how many, how many were not measured, error median and 95th percentile, share inside U95."""
    kinds: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        kinds[f"{'mixed' if int(row['seed']) % 2 else 'white'} {row['kind']}"].append(row)
    told: dict[str, object] = {"phantoms": len({row["seed"] for row in rows})}
    for kind, of_kind in sorted(kinds.items()):
        seen = [row for row in of_kind if "off" in row]
        if not seen:
            told[kind] = {"asked": len(of_kind), "lost": len(of_kind)}
            continue
        off = np.array([abs(float(row["off"])) for row in seen])
        u95 = np.array([float(row["u95"]) for row in seen])
        told[kind] = {
            "asked": len(of_kind),
            "lost": len(of_kind) - len(seen),
            "median": round(float(np.median(off)), 4),
            "p95": round(float(np.quantile(off, 0.95)), 4),
            "u95_median": round(float(np.median(u95)), 4),
            "inside": round(float(np.mean(off <= u95)), 3),
        }
    return told


def _rows_of(seed: int, bodies: BodySet) -> Iterator[Row]:
    detail, noise_um = MIXED if seed % 2 else WHITE
    work = draft_work(seed, None, None, random_frames=True, detail=detail, noise_um=noise_um)
    T_before = with_before(work, 0.5 + 0.5 * (seed % 8)) if seed % 3 == 0 else None
    for key in [key for key in work.subjects if key not in NEEDED]:
        del work.subjects[key], work.settings[key], work.files[key]
    if T_before is None and "before" in work.subjects:
        del work.subjects["before"], work.settings["before"], work.files["before"]
    run_stages(work, [])
    made = _measured(work, bodies)
    told = {name: m for name, m in made.items() if m.status is Status.MEASURED}
    yield from _of_sites(work, SpaceResult.model_validate(told[SPACE.name].result))
    yield from _of_walls(work, WallsResult.model_validate(told[WALLS.name].result), bodies)
    yield from _of_arch(work, ArchResult.model_validate(told[SPREAD.name].result))
    if T_before is not None:
        yield from _of_height(work, HeightResult.model_validate(told[HEIGHT.name].result), T_before)


def _measured(work: Work, bodies: BodySet) -> dict[str, Measurement]:
    form = CaseForm.model_validate(work.form)
    data = {plan.name: plan.data for plan in work.files.values()}
    benches = {
        e.file: RecordBench(data[e.file], file_name=e.file, role=e.role, unit=e.unit, bodies=bodies)
        for e in form.records
    }
    made = CaseBench(form, benches, {}).run((SPACE, WALLS, SPREAD, HEIGHT), {})
    return {m.measure: m for m in made}


def _row(work: Work, kind: str, measured: float | None, true: float | None, u95: float | None) -> Row:
    row: Row = {"seed": work.seed, "kind": kind}
    if measured is not None and true is not None and u95 is not None:
        row |= {"off": measured - true, "u95": u95}
    return row


def _of_sites(work: Work, told: SpaceResult) -> Iterator[Row]:
    for index, placed in enumerate(work.mouth.placed):
        room = told.of(index)
        seat, axis = placed.seat_mm, placed.axis
        other = seat_to_opposing_mm(placed, work.mouth, work.T_opposing_moved)
        if other is not None:
            true = _root(work.mouth.opposing.distance, (seat, axis), other, 0.02)
            yield _row(work, "opposing_mm", room and room.opposing_mm, true, room and room.u95_opposing_mm)
        leaves = channel_exit(placed, work.mouth.denture)
        assert leaves is not None
        way = float(np.linalg.norm(leaves - seat))
        true = _root(work.mouth.denture.outer, (seat, axis), way, 0.05)
        yield _row(work, "thickness_mm", room and room.thickness_mm, true, room and room.u95_thickness_mm)
        tilt = float(np.degrees(np.arccos(np.clip(axis[2], -1.0, 1.0))))
        yield _row(work, "tilt_deg", room and room.tilt_deg, tilt, room and room.u95_tilt_deg)
        wrong = 1.0 if room and room.face is Face.OUTER else 0.0
        yield _row(work, "face_wrong", wrong if room and room.face else None, 0.0, 0.0)


def _root(
    surface: Callable[[Floats], Floats], line: tuple[Floats, Floats], near_mm: float, by_mm: float
) -> float:
    """Where along a line (seat, axis) a surface is truly met, near a way found in steps."""
    seat, axis = line

    def at(way: float) -> float:
        return float(surface((seat + way * axis)[None])[0])

    low, high = near_mm - by_mm, near_mm + by_mm
    return float(brentq(at, low, high)) if at(low) * at(high) < 0.0 else near_mm


def _of_walls(work: Work, told: WallsResult, bodies: BodySet) -> Iterator[Row]:
    kinds = {kind.id: kind for kind in bodies.ready()}
    draft = work.drafts["denture"]
    points = draft.true_mm[np.isfinite(draft.true_mm).all(axis=1)]
    points = points[np.abs(work.mouth.denture.outer(points)) < 0.02]
    for index, placed in enumerate(work.mouth.placed):
        back, kind = inverse(placed.T_joint_body), kinds[placed.kind]
        far = kind.tree.nearest(move(back, points), 6.0).distance_mm
        best = points[int(np.argmin(far))]
        for span in (0.6, 0.15, 0.04, 0.01):
            near = _on_outer(work, best + np.random.default_rng(1).uniform(-span, span, (400, 3)))
            far = kind.tree.nearest(move(back, near)).distance_mm
            best = near[int(np.argmin(far))]
        wall = told.of(index)
        yield _row(work, "wall_mm", wall and wall.wall_mm, float(far.min()), wall and wall.u95_mm)


def _on_outer(work: Work, points: Floats) -> Floats:
    """Points brought onto the true outer side by Newton steps."""
    h = 1e-4
    for _ in range(5):
        f = work.mouth.denture.outer(points)
        slope = np.stack([(work.mouth.denture.outer(points + h * e) - f) / h for e in np.eye(3)], axis=1)
        points = points - (f / np.maximum((slope**2).sum(axis=1), 1e-9))[:, None] * slope
    return points


def _of_arch(work: Work, told: ArchResult) -> Iterator[Row]:
    seats = np.array([p.seat_mm[:2] for p in work.mouth.placed])
    layout = work.mouth.layout
    s, _ = layout.facial.along(seats)
    one, two = int(np.argmin(s)), int(np.argmax(s))
    along = (seats[two] - seats[one]) / np.linalg.norm(seats[two] - seats[one])
    off = (seats - seats[one]) @ np.array([-along[1], along[0]])
    true = float(np.abs(off).max())
    yield _row(work, "spread_mm", told.spread_centres_mm, true, told.u95_spread_mm)
    for hanging in told.overhangs:
        site = work.mouth.sites[hanging.site_index]
        index = layout.teeth.index(site.number, site.side)
        end = abs(float(layout.tooth_s_mm[index])) + float(layout.teeth.sizes_mm[index, 0]) / 1.05 * 0.985
        free = end - abs(float(s[hanging.site_index])) - KINDS[site.placed.kind].seat_radius_mm
        yield _row(work, "overhang_mm", hanging.length_mm, max(free, 0.0), hanging.u95_mm)


def _of_height(work: Work, told: HeightResult, T_before: Matrix) -> Iterator[Row]:
    root = work.frame("jaw")
    for name in ("incisors", "molars_left", "molars_right"):
        change = getattr(told, name)
        if change is None:
            yield _row(work, "height_mm", None, None, None)
            continue
        at = move(inverse(root), np.array([change.at_mm]))[0]
        true = float((at - move(T_before, at[None])[0])[2])
        yield _row(work, "height_mm", change.change_mm, true, change.u95_mm)


if __name__ == "__main__":
    main()
