"""The package as one archive: written whole, the same bytes for the same content, and read back before it is handed on."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from server.handoff.manifest import JointFrame, Manifest, PackageManifest, PackedFile
from server.handoff.package.guide import guide_text
from server.handoff.package.parts import SCENE, Parts
from server.handoff.package.pieces import PackageBroken, Piece
from server.handoff.package.positions import positions_csv, positions_json

MANIFEST = "manifest.json"
LEVEL = 3
_MOMENT = (1980, 1, 1, 0, 0, 0)
"""The earliest an archive can say, so that equal content gives equal bytes; the manifest says when it was released."""


@dataclass(frozen=True, slots=True)
class Papers:
    """The report as data and on paper."""

    json: bytes
    pdf: bytes


def write_package(path: Path, parts: Parts, release: Manifest, report: Papers) -> PackageManifest:
    """Writes the archive and reads it back; its manifest. Raises PackageBroken, OSError."""
    made = dict(_documents(parts, release, report))
    told = {piece.path: piece for piece in parts.pieces}
    data = {**made, **{piece.path: piece.data for piece in parts.pieces}}
    manifest = PackageManifest(
        **{name: getattr(release, name) for name in Manifest.model_fields},
        joint_frame=JointFrame(
            root=parts.root, occlusal=parts.occlusal, front=parts.front, patients_left=parts.left
        ),
        no_positions=parts.no_positions,
        left_out=parts.left_out,
        files=tuple(_packed(name, data[name], told.get(name)) for name in sorted(data)),
    )
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as archive:
        _add(archive, MANIFEST, manifest.model_dump_json(indent=1).encode())
        for name in sorted(data):
            _add(archive, name, data[name])
    require_whole(path)
    return manifest


def require_whole(path: Path) -> PackageManifest:
    """The manifest of an archive that holds exactly the files it names, each with the bytes it names. Raises
    PackageBroken, saying what is wrong."""
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = PackageManifest.model_validate_json(archive.read(MANIFEST))
            named = {file.path: file for file in manifest.files}
            if set(archive.namelist()) != {MANIFEST, *named}:
                raise PackageBroken("The archive does not hold the files that its manifest names.")
            for name, file in named.items():
                if hashlib.sha256(archive.read(name)).hexdigest() != file.sha256:
                    raise PackageBroken(f"{name} is not what the manifest says it is.")
    except (zipfile.BadZipFile, KeyError, ValueError) as fault:
        raise PackageBroken(f"The archive cannot be read back: {fault}") from fault
    return manifest


def _documents(parts: Parts, release: Manifest, report: Papers) -> Iterator[tuple[str, bytes]]:
    yield "README.txt", guide_text(parts, release).encode()
    yield "report.json", report.json
    yield "report.pdf", report.pdf
    if parts.scene:
        yield SCENE, parts.scene
    if parts.positions:
        yield "positions/positions.csv", positions_csv(parts.positions)
        told = positions_json(parts.positions, occlusal=parts.occlusal, front=parts.front, left=parts.left)
        yield "positions/positions.json", told


def _add(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    entry = zipfile.ZipInfo(name, _MOMENT)
    entry.external_attr = 0o644 << 16
    entry.compress_type = zipfile.ZIP_DEFLATED
    archive.writestr(entry, data, compresslevel=LEVEL)


def _packed(name: str, data: bytes, piece: Piece | None) -> PackedFile:
    sha256, size = hashlib.sha256(data).hexdigest(), len(data)
    if piece is None:
        return PackedFile(path=name, sha256=sha256, size_bytes=size)
    return PackedFile(
        path=name,
        sha256=sha256,
        size_bytes=size,
        role=piece.role,
        source=piece.source,
        unit_mm=piece.unit_mm,
        is_turned=piece.is_turned,
        T_joint_source=piece.T_joint_source,
        n_facets=piece.n_faces,
        area_mm2=piece.area_mm2,
        volume_mm3=piece.volume_mm3,
        says=piece.says,
    )
