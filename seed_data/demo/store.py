"""Reads the demo's records as shipped: packed meshes become binary STL again, other files come back as they were."""

from __future__ import annotations

import lzma
from pathlib import Path

from seed_data.demo.packing import unpack_mesh
from seed_data.phantoms.mesh_files import stl_bytes

RECORDS = Path(__file__).parent / "records"


def record_bytes(case_key: str, round_number: int, file_name: str) -> bytes:
    """A record's file. Raises FileNotFoundError where the case has no such record new in that round."""
    packed = RECORDS / case_key / f"{round_number}-{file_name}.mesh"
    if packed.exists():
        return stl_bytes(*unpack_mesh(packed.read_bytes()))
    return lzma.decompress((RECORDS / case_key / f"{round_number}-{file_name}.xz").read_bytes())


def first_round_of(case_key: str, round_number: int, file_name: str) -> int:
    """The latest round, up to the given one, in which that file was new."""
    for number in range(round_number, 0, -1):
        if any((RECORDS / case_key / f"{number}-{file_name}.{ending}").exists() for ending in ("mesh", "xz")):
            return number
    raise FileNotFoundError(f"{case_key} has no {file_name} in round {round_number} or before")
