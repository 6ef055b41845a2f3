"""How well scan bodies are found and fitted: `python -m tests.bench.bodies [--phantoms N] [--json FILE]`.

Phantom jaws of 4 to 8 bodies of the three kinds in random frames (`jaws`), each searched without a start. Errors are set
against the least that any fit could have (`floor`), times against a plain load of the same scan in the same run.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import trimesh
from numpy.typing import NDArray

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.reference_mesh import reference_mesh
from server.metrology.bodies.finding import FoundBody, Surface, find_bodies
from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.rigid import inverse
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.bench.floor import drawn, floor_of
from tests.bench.jaws import STRATA, JawScan, jaw_scans

Floats = NDArray[np.float64]

FIRST_SEED = 1000
SAME_MM = 0.5
CAUGHT_RATIO = 0.5
"""A body caught to less is not counted as one to be found; the phantom's scanner loses some."""
MEASURES = ("position_um", "axis_deg", "clock_deg")


@dataclass(frozen=True, slots=True)
class Hit:
    """One body found. errors, u95: position µm, axis and clocking degrees; clocking nan where it is not claimed."""

    seed: int
    kind: str
    said: str
    share: float
    errors: tuple[float, float, float]
    u95: tuple[float, float, float]
    floor: Floats


@dataclass(slots=True)
class Tally:
    """What came of one stratum."""

    scans: int = 0
    asked: int = 0
    missed: int = 0
    invented: int = 0
    facets: int = 0
    seconds: float = 0.0
    load_seconds: float = 0.0


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description="How well scan bodies are found and fitted.")
    parser.add_argument("--phantoms", type=int, default=216)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args(arguments)
    tallies = {name: Tally() for name in STRATA}
    hits: dict[str, list[Hit]] = {name: [] for name in STRATA}
    bodies = {name: reference_body(name, reference_mesh(kind)) for name, kind in KINDS.items()}
    seeds = range(asked.seed, asked.seed + asked.phantoms)
    for jaw in jaw_scans(seeds, processes=asked.processes):
        hits[jaw.stratum] += _tried(jaw, bodies, tallies[jaw.stratum])
    strata = _strata(tallies, hits)
    print(_table(strata))
    if asked.json:
        told = {"seeds": [seeds.start, seeds.stop - 1], "strata": strata}
        asked.json.write_text(json.dumps(told, indent=1) + "\n")


def _tried(jaw: JawScan, bodies: dict[str, ReferenceBody], tally: Tally) -> list[Hit]:
    scan = Scan(jaw.vertices, jaw.faces)
    topology = topology_of(scan)
    surface = Surface(scan.vertices, topology.vertex_normals, topology.vertex_areas_mm2, scan.faces)
    if tally.scans == 0:
        find_bodies(surface, list(bodies.values()), len(jaw.kinds))  # warm
    begun = time.process_time()
    found = find_bodies(surface, list(bodies.values()), len(jaw.kinds))
    tally.seconds += time.process_time() - begun
    tally.load_seconds += _load_seconds(jaw)
    tally.scans += 1
    tally.facets += len(jaw.faces)
    return _compared(jaw, bodies, found, tally)


def _load_seconds(jaw: JawScan) -> float:
    with tempfile.NamedTemporaryFile(suffix=".stl") as file:
        file.write(stl_bytes(jaw.vertices, jaw.faces.astype(np.int64), header="jaw"))
        file.flush()
        begun = time.process_time()
        trimesh.load_mesh(file.name)
        return time.process_time() - begun


def _compared(
    jaw: JawScan, bodies: dict[str, ReferenceBody], found: list[FoundBody], tally: Tally
) -> list[Hit]:
    left, hits = list(found), []
    for k, (T, kind) in enumerate(zip(jaw.poses, jaw.kinds, strict=True)):
        body = min(left, key=lambda b: float(np.linalg.norm(b.seat_mm - T[:3, 3])), default=None)
        is_found = body is not None and float(np.linalg.norm(body.seat_mm - T[:3, 3])) < SAME_MM
        counts = bool(jaw.shares[k] > CAUGHT_RATIO)
        tally.asked += counts
        tally.missed += counts and not is_found
        if body is None or not is_found:
            if counts:
                print(f"missed: {jaw.stratum} {jaw.seed} body {k} {kind}, caught to {jaw.shares[k]:.2f}")
            continue
        left = [other for other in left if other is not body]
        floor = floor_of(bodies[kind], T, jaw.vertices[jaw.label == k], jaw.noise)
        if counts and floor is not None:
            u95 = (body.trust.u95_position_mm * 1000.0, body.trust.u95_axis_deg, body.trust.u95_clock_deg)
            hits.append(Hit(jaw.seed, kind, body.body, float(jaw.shares[k]), _errors(T, body), u95, floor))
    tally.invented += len(left)
    for body in left:
        print(f"invented: {jaw.stratum} {jaw.seed} {body.body}, rms {body.fit.rms_mm:.3f} mm")
    return hits


def _errors(T: Floats, body: FoundBody) -> tuple[float, float, float]:
    missed = inverse(T) @ body.T_scan_body
    clock = np.degrees(np.arctan2(missed[1, 0] - missed[0, 1], missed[0, 0] + missed[1, 1]))
    axis = np.degrees(np.arctan2(np.hypot(missed[0, 2], missed[1, 2]), missed[2, 2]))
    position = 1000.0 * float(np.linalg.norm(missed[:3, 3]))
    return position, float(axis), float(abs(clock)) if body.is_clock_sure else float("nan")


def _strata(tallies: dict[str, Tally], hits: dict[str, list[Hit]]) -> dict[str, dict[str, object]]:
    made = {name: asdict(tallies[name]) | _figures(hits[name]) for name in STRATA if hits[name]}
    every = [hit for name in STRATA for hit in hits[name]]
    for kind in KINDS:
        if few := [hit for hit in every if hit.kind == kind]:
            made[kind] = _figures(few)
    return made


def _figures(hits: list[Hit]) -> dict[str, object]:
    least = drawn([hit.floor for hit in hits])
    floors = (
        1000.0 * np.linalg.norm(least[:, 3:], axis=1),
        np.degrees(np.linalg.norm(least[:, :2], axis=1)),
        np.degrees(np.abs(least[:, 2])),
    )
    figures: dict[str, object] = {
        "bodies": len(hits),
        "kind_right": sum(hit.kind == hit.said for hit in hits),
        "clock_claimed": sum(bool(np.isfinite(hit.errors[2])) for hit in hits),
    }
    for k, name in enumerate(MEASURES):
        e, u = (np.array([getattr(hit, which)[k] for hit in hits]) for which in ("errors", "u95"))
        u, e = u[np.isfinite(e)], e[np.isfinite(e)]
        median, p95 = (float(np.quantile(e, q)) for q in (0.5, 0.95))
        least_median, least_p95 = (float(np.quantile(floors[k], q)) for q in (0.5, 0.95))
        figures[name] = {
            "median": median,
            "p95": p95,
            "max": float(e.max()),
            "floor_median": least_median,
            "floor_p95": least_p95,
            "p95_over_floor": p95 / least_p95,
            "inside_u95": float((e <= u).mean()),
            "u95_median": float(np.median(u)),
        }
    return figures


def _table(strata: dict[str, dict[str, object]]) -> str:
    lines = [
        "| | bodies | missed, invented | kind right | what | median, p95, max | floor p95 | ÷ | inside U95 | s a scan, ÷ load |"
    ]
    lines.append("|---|---|---|---|---|---|---|---|---|---|")
    for name, f in strata.items():
        for k, what in enumerate(MEASURES):
            m = f[what]
            assert isinstance(m, dict)
            head = [
                name,
                str(f["bodies"]),
                f"{f.get('missed', '')}, {f.get('invented', '')}",
                str(f["kind_right"]),
            ]
            cost = [f"{_a_scan(f)}" if k == 0 else ""]
            row = (head if k == 0 else [""] * 4) + [
                what.replace("_", " "),
                f"{m['median']:.3g}, {m['p95']:.3g}, {m['max']:.3g}",
                f"{m['floor_p95']:.3g}",
                f"{m['p95_over_floor']:.2f}",
                f"{100 * m['inside_u95']:.1f} %",
            ]
            lines.append("| " + " | ".join(row + cost) + " |")
    return "\n".join(lines)


def _a_scan(f: dict[str, object]) -> str:
    scans, seconds, load = (f.get(key) for key in ("scans", "seconds", "load_seconds"))
    if not (isinstance(scans, int) and isinstance(seconds, float) and isinstance(load, float) and scans):
        return ""
    return f"{seconds / scans:.2f}, {seconds / load:.1f}"


if __name__ == "__main__":
    main()
