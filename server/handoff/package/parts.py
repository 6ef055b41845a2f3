"""What of a package is made from the files themselves, as a measuring child does it: nothing here is measured anew."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.handoff.manifest import LeftOut
from server.handoff.package.pieces import (
    Piece,
    moved,
    require_same,
    scene_bytes,
    surface_bytes,
)
from server.handoff.package.positions import PositionRow
from server.inspection.measuring import RecordFile, bench_of
from server.measures.bench import RecordBench
from server.measures.body_set import BodySet, mesh_in_seat_frame
from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT, JointResult
from server.measures.governing import SitePosition, governing_positions
from server.measures.markers import MARKERS
from server.measures.measure import Measurement, NotMeasured
from server.measures.mouth import MOUTH
from server.measures.parted import best_positive
from server.measures.relation import rows_of
from server.measures.sites import SITES
from server.measures.vectors import Vector3, vector
from server.metrology.facing import turned_toward_scanner
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.case_form import CaseForm
from server.records.roles import MESH_ROLES, Role

Floats = NDArray[np.float64]

UNPLACED = "unplaced"
SCENE = "all-in-place.3mf"


@dataclass(frozen=True, slots=True)
class _AsHandedOn:
    """A record in mm, what certainly faced away from the scanner turned, and whether anything was."""

    scan: Scan
    is_turned: bool = False


@dataclass(frozen=True, slots=True)
class Parts:
    """pieces: records in the form's order, then the reference bodies at their sites. scene: the bytes of one 3MF with every
    piece that is in place. left_out: records of which no surface is in it, and why. no_positions: why there are none, where there are none. root: the file whose frame the joint
    frame is, "" where no record could be placed. occlusal, front, left: as in `frames.mouth`."""

    pieces: tuple[Piece, ...]
    scene: bytes
    left_out: tuple[LeftOut, ...]
    positions: tuple[PositionRow, ...]
    no_positions: str
    root: str
    occlusal: Vector3 | None
    front: Vector3 | None
    left: Vector3 | None


def make_parts(
    form: CaseForm, records: tuple[RecordFile, ...], kept: tuple[Measurement, ...], bodies: BodySet
) -> Parts:
    """The surfaces and positions of a package. kept: everything measured of the case, its records and pairs of them; what is
    not among it is measured."""
    benches = {record.entry.file: bench_of(record, bodies) for record in records}
    bench = CaseBench(form, benches, {})
    bench.run((), {made.key: made for made in kept})
    joint = bench.together_or_none(JOINT)
    positions, no_positions = _positions(bench, joint)
    shown, left_out = _shown(bench)
    made = [
        *_record_pieces(bench, joint, shown),
        *_positive_pieces(bench, joint),
        *_body_pieces(form, positions, bodies),
    ]
    mouth = bench.together_or_none(MOUTH)
    return Parts(
        pieces=tuple(piece for piece, _ in made),
        scene=scene_bytes([(_name(piece.path), scan) for piece, scan in made if piece.placed]),
        left_out=left_out,
        positions=tuple(_row(bench, form, position, bodies) for position in positions),
        no_positions=no_positions,
        root=joint.root if joint else "",
        occlusal=mouth.occlusal if mouth else None,
        front=mouth.front if mouth else None,
        left=mouth.left if mouth else None,
    )


def _positions(bench: CaseBench, joint: JointResult | None) -> tuple[tuple[SitePosition, ...], str]:
    if joint is None:
        return (), "no record of the working jaw could be brought into a frame"
    try:
        return governing_positions(bench, joint), ""
    except NotMeasured as answer:
        return (), answer.says


def _shown(bench: CaseBench) -> tuple[dict[str, _AsHandedOn], tuple[LeftOut, ...]]:
    """The surfaces to hand on, by file, and the records that have none."""
    shown: dict[str, _AsHandedOn] = {}
    left_out: list[LeftOut] = []
    for file, record in bench.records.items():
        try:
            if record.role is Role.PHOTO:
                raise NotMeasured("a photo; it may show who the patient is and stays with the case")
            shown[file] = _as_handed_on(record)
        except NotMeasured as answer:
            left_out.append(LeftOut(file=file, role=record.role.value, says=answer.says))
    return shown, tuple(left_out)


def _as_handed_on(record: RecordBench) -> _AsHandedOn:
    """Raises NotMeasured for a table of positions and for what cannot be read."""
    scan = record.scan
    if record.role not in MESH_ROLES:
        return _AsHandedOn(scan)
    turned = turned_toward_scanner(scan, record.facing)
    return _AsHandedOn(turned, is_turned=True) if (turned.faces != scan.faces).any() else _AsHandedOn(scan)


def _record_pieces(
    bench: CaseBench, joint: JointResult | None, shown: Mapping[str, _AsHandedOn]
) -> Iterator[tuple[Piece, Scan]]:
    roles = {file: bench.records[file].role for file in shown}
    counts, numbers = Counter(roles.values()), Counter[Role]()
    for file, role in roles.items():
        numbers[role] += 1
        name = role.value if counts[role] == 1 else f"{role.value}-{numbers[role]}"
        T, says = _place(bench, joint, file)
        made, unit_mm = shown[file], bench.records[file].unit_mm
        yield _piece(name, made.scan, role.value, file, T, unit_mm, says, is_turned=made.is_turned)


def _positive_pieces(bench: CaseBench, joint: JointResult | None) -> Iterator[tuple[Piece, Scan]]:
    """The denture's impression side, turned so that it stands for the tissue; none where its sides could not be told."""
    for file in bench.files_of(Role.DENTURE):
        record = bench.records[file]
        try:
            scan = best_positive(bench, file).scan
        except (NotMeasured, ValueError):
            continue
        T, says = _place(bench, joint, file)
        used, flat = np.unique(scan.faces, return_inverse=True)
        whole = Scan(scan.vertices[used], flat.reshape(-1, 3).astype(np.int32))
        yield _piece("positive", whole, "positive", file, T, record.unit_mm, says)


def _place(bench: CaseBench, joint: JointResult | None, file: str) -> tuple[Floats | None, str]:
    """T_joint_record; None and why not where the record has no place."""
    if joint is None:
        return None, "no record of the working jaw could be brought into a frame"
    if bench.records[file].role is Role.MARKERS:
        told, jaw = bench.together_or_none(MARKERS), None
        if told is not None and told.fits and told.record == file:
            jaw = joint.of(told.jaw)
        if told is None or jaw is None or not jaw.T_root_record:
            return None, "the implant positions could not be laid on the jaw scan"
        return jaw.motion @ np.array(told.T_jaw_markers), ""
    placed = joint.of(file)
    if placed is None or not placed.T_root_record:
        return None, placed.says if placed else "it could not be measured"
    return placed.motion, ""


def _piece(
    name: str,
    scan: Scan,
    role: str,
    source: str,
    T: Floats | None,
    unit_mm: float,
    says: str,
    *,
    is_turned: bool = False,
) -> tuple[Piece, Scan]:
    in_place = moved(scan, T) if T is not None else scan
    ending, data = surface_bytes(in_place)
    folder = "bodies" if role == "body" else "scans" if T is not None else UNPLACED
    path = f"{folder}/{name}.{ending}"
    require_same(data, path, in_place)
    topology = topology_of(in_place)
    is_closed = len(topology.border_half_edges) == 0
    piece = Piece(
        path=path,
        data=data,
        role=role,
        source=source,
        T_joint_source=rows_of(T) if T is not None else (),
        placed=T is not None,
        unit_mm=unit_mm,
        is_turned=is_turned,
        n_faces=scan.n_faces,
        area_mm2=topology.area_mm2,
        volume_mm3=float(topology.shell_volumes_mm3.sum()) if is_closed else None,
        says=says,
    )
    return piece, in_place


def _body_pieces(
    form: CaseForm, positions: Sequence[SitePosition], bodies: BodySet
) -> Iterator[tuple[Piece, Scan]]:
    files = {file.entry.id: file for file in bodies.files}
    meshes: dict[str, Scan] = {}
    for position in positions:
        file = files[position.body]
        scan = meshes.setdefault(position.body, mesh_in_seat_frame(file))
        tooth = "".join(c for c in form.sites[position.site_index].tooth if c.isalnum()) or "x"
        name = f"site-{position.site_index + 1}-tooth-{tooth}"
        yield _piece(name, scan, "body", position.body, position.T, 1.0, "")


def _row(bench: CaseBench, form: CaseForm, position: SitePosition, bodies: BodySet) -> PositionRow:
    site, entry = form.sites[position.site_index], bodies.entries[position.body]
    return PositionRow(
        site_index=position.site_index,
        tooth=site.tooth,
        source=position.source.value,
        body=position.body,
        seat_mm=vector(position.seat),
        axis=vector(position.axis),
        clock=vector(position.clock),
        u95_position_mm=position.u95_position_mm,
        u95_axis_deg=position.u95_axis_deg,
        jaw_off_mm=_jaw_off_mm(bench, position.site_index),
        seat_level=entry.seat_level.value,
        interface=site.interface,
        screw=site.screw,
        torque_ncm=site.torque_ncm,
        abutment_angle_deg=site.abutment_angle_deg,
        cuff_mm=site.cuff_mm,
        seat_confirmed=site.seat_confirmed.value if site.seat_confirmed else None,
    )


def _jaw_off_mm(bench: CaseBench, site_index: int) -> float | None:
    told, sites = bench.together_or_none(MARKERS), bench.together_or_none(SITES)
    if told is None or sites is None:
        return None
    number = next((s.number for s in sites.sites if s.site_index == site_index), None)
    return next((pair.residual_mm for pair in told.pairs if pair.body == number), None)


def _name(path: str) -> str:
    """An object's name in the 3MF: that of its file without folder and ending."""
    return path.rpartition("/")[2].rpartition(".")[0]
