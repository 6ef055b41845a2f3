"""Several records sent as one archive: unpacked on arrival, each file a record of its own, its role left to choose
where its name does not say it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from server.kit.file_store import FileStore, open_new, write_all
from server.metrology.readers.bundle import open_bundle
from server.records.roles import Role, Unit
from server.uploads.names import check_ending, clean_file_name, role_by_name


@dataclass(frozen=True)
class ArrivedMember:
    """A whole file in scratch or in the store, about to be kept as a blob."""

    file_name: str
    path: Path
    sha256: str
    size_bytes: int
    role: Role | None
    unit: Unit


def is_bundle(file_name: str) -> bool:
    return PurePosixPath(file_name).suffix.casefold() == ".zip"


@contextmanager
def unpack_bundle(store: FileStore, archive: Path) -> Iterator[list[ArrivedMember]]:
    """The files of an archive, unpacked to scratch while the block runs. Raises BadFile, NameRefused."""
    paths: list[Path] = []
    try:
        members = []
        for name, data in open_bundle(archive.read_bytes()):
            check_ending(name)
            path = store.new_scratch()
            paths.append(path)
            with open_new(path) as file:
                write_all(file, data)
            shown = clean_file_name(name)
            sha256 = hashlib.sha256(data).hexdigest()
            members.append(ArrivedMember(shown, path, sha256, len(data), role_by_name(shown), Unit.UNKNOWN))
        yield members
    finally:
        for path in paths:
            path.unlink(missing_ok=True)
