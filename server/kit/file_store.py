"""Where uploaded bytes live: immutable objects under keys, in a local folder or in an S3 bucket.

Locally an object is durable before `keep` returns: fsync(file), link under its name (which refuses to overwrite),
fsync(folder). obstore reads, lists and deletes in both places and writes to the bucket; it cannot fsync, which is why
local writing is ours.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import unquote, urlsplit

import obstore
from obstore.exceptions import AlreadyExistsError
from obstore.store import LocalStore, from_url

from server.errors import ArchproofError
from server.kit.ids import new_id

READ_BYTES = 1024 * 1024


class StoreBroken(ArchproofError):
    """The file store cannot take or give bytes now: disk full, no right, no connection."""

    code = "store-broken"


class FileStore:
    """Objects under `/`-separated keys, plus a scratch folder for files under way.

    The scratch folder of a local store lies on the store's own file system, so that keeping a file is a link.
    """

    def __init__(self, url: str, scratch_dir: Path) -> None:
        parts = urlsplit(url)
        self.root = Path(unquote(parts.path)) if parts.scheme == "file" else None
        self.scratch_dir = self.root / ".scratch" if self.root else scratch_dir
        self.scratch_dir.mkdir(parents=True, exist_ok=True)
        self._objects: Any = LocalStore(prefix=self.root) if self.root else from_url(url)

    @contextmanager
    def scratch(self) -> Iterator[Path]:
        """A path for a new file, removed when the block ends. A kept file lives on under its key."""
        path = self.new_scratch()
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)

    def new_scratch(self) -> Path:
        """A path for a new file that the caller removes."""
        return self.scratch_dir / new_id()

    def keep(self, file: Path, key: str) -> bool:
        """Makes the file's bytes durable under the key; False where the key was taken, which is left as it is.

        Raises StoreBroken, with nothing kept under the key by this call that could be taken for whole.
        """
        try:
            return self._keep_locally(file, key) if self.root else self._keep_remotely(file, key)
        except OSError as fault:
            raise StoreBroken(_reason(fault)) from fault

    def _keep_locally(self, file: Path, key: str) -> bool:
        assert self.root is not None
        sync_file(file)
        target = self.root / key
        _make_folders(self.root, target.parent)
        try:
            os.link(file, target)
            is_new = True
        except FileExistsError:
            is_new = False
        sync_folder(target.parent)
        return is_new

    def _keep_remotely(self, file: Path, key: str) -> bool:
        if file.stat().st_size <= 5 * READ_BYTES:
            try:
                obstore.put(self._objects, key, file.read_bytes(), mode="create")
            except AlreadyExistsError:
                return False
            return True
        with file.open("rb") as source:
            obstore.put(self._objects, key, source)
        return True

    def read(self, key: str) -> bytes:
        """All bytes of an object. Raises FileNotFoundError."""
        return bytes(obstore.get(self._objects, key).bytes())

    def chunks(self, key: str) -> Iterator[bytes]:
        """The bytes of an object, a megabyte at a time. Raises FileNotFoundError."""
        if self.root:
            with (self.root / key).open("rb", buffering=0) as file:
                while chunk := file.read(READ_BYTES):
                    yield chunk
            return
        for chunk in obstore.get(self._objects, key).stream(min_chunk_size=READ_BYTES):
            yield bytes(chunk)

    def size_bytes(self, key: str) -> int | None:
        """The size of an object; None where there is none."""
        try:
            return int(obstore.head(self._objects, key)["size"])
        except FileNotFoundError:
            return None

    @contextmanager
    def local_path(self, key: str) -> Iterator[Path]:
        """A path on this host where the object's bytes can be read while the block runs; not to be written."""
        if self.root:
            path = self.root / key
            if not path.is_file():
                raise FileNotFoundError(key)
            yield path
            return
        with self.scratch() as path:
            with path.open("wb") as copy:
                for chunk in self.chunks(key):
                    copy.write(chunk)
            yield path

    def forget(self, keys: list[str]) -> None:
        """Deletes objects; those that are not there are no error."""
        for key in keys:
            try:
                obstore.delete(self._objects, key)
            except FileNotFoundError:
                continue

    def keys_older_than(self, prefix: str, moment: datetime) -> Iterator[str]:
        """The keys under a prefix that were written before the moment, in no order."""
        for batch in obstore.list(self._objects, prefix=prefix):
            for item in batch:
                if item["last_modified"] < moment:
                    yield item["path"]

    def sweep_scratch(self, older_than_s: float, now_s: float) -> int:
        """Removes scratch files that a crash left behind; how many."""
        swept = 0
        for path in self.scratch_dir.iterdir():
            if path.is_file() and now_s - path.stat().st_mtime > older_than_s:
                path.unlink(missing_ok=True)
                swept += 1
        return swept

    def is_ready(self) -> bool:
        """Whether a file can be written now."""
        try:
            with self.scratch() as path:
                path.write_bytes(b"ready")
            return True
        except OSError:
            return False


def sync_file(path: Path) -> None:
    """Returns once the file's bytes are on disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(path: Path) -> None:
    """Returns once the folder's entries are on disk."""
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def open_new(path: Path) -> BinaryIO:
    """A scratch file to write, unbuffered. Raises StoreBroken where the disk refuses."""
    try:
        return path.open("wb", buffering=0)
    except OSError as fault:
        raise StoreBroken(_reason(fault)) from fault


def write_all(file: BinaryIO, data: bytes) -> None:
    """Writes to a scratch file, all of it: a disk that runs full takes a part first and refuses only the next write.

    Raises StoreBroken where the disk refuses.
    """
    left = memoryview(data)
    try:
        while left:
            left = left[file.write(left) :]
    except OSError as fault:
        raise StoreBroken(_reason(fault)) from fault


def _make_folders(root: Path, folder: Path) -> None:
    """Makes the folders below root, each entry durable in its parent."""
    missing = []
    while folder != root and not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for new in reversed(missing):
        new.mkdir(exist_ok=True)
        sync_folder(new.parent)


def _reason(fault: OSError) -> str:
    if fault.errno in (errno.ENOSPC, errno.EDQUOT):
        return "There is no room left for the file; nothing of it was kept."
    return "The file could not be kept."
