"""Reference bodies as a lab brings them: files of the invented kinds, whole or spoilt."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.reference_mesh import reference_mesh
from server.records.bodies import BodyEntry
from server.review.bodies import ArrivedBody


def mesh_of(kind: str, header: str = "") -> bytes:
    body = reference_mesh(KINDS[kind])
    return stl_bytes(body.vertices, body.faces.astype(np.int64), header=header or kind)


def offered(folder: Path, kind: str = "rb-60", data: bytes | None = None, **said: Any) -> ArrivedBody:
    """An entry of the kind, with the mesh in a file of the folder."""
    data = mesh_of(kind) if data is None else data
    path = folder / f"{hashlib.sha256(data).hexdigest()[:12]}.stl"
    path.write_bytes(data)
    entry = KINDS[kind].entry().model_dump(mode="json")
    return ArrivedBody(BodyEntry.model_validate({**entry, **said}), path)
