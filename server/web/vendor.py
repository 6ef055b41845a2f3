"""The front-end libraries in static/vendor: fetched from exact npm versions, checked against vendor.json.

`python -m server.web.vendor` verifies what is there; `--fetch` fetches it anew with `npm pack` (needs npm, and only a
contributor who raises a version needs it); `--accept` with it writes the new checksums.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
import tarfile
import tempfile
from dataclasses import dataclass
from pathlib import Path

from server.errors import ArchproofError
from server.web.rendering import STATIC

VENDOR = STATIC / "vendor"
LIST = VENDOR / "vendor.json"


class VendorWrong(ArchproofError):
    """A vendored file is missing or is not the one that was checked in."""

    code = "vendor"


@dataclass(frozen=True, slots=True)
class Vendored:
    """One file: `source` inside the npm package, `target` in static/vendor."""

    package: str
    version: str
    licence: str
    source: str
    target: str
    sha256: str


def vendored() -> tuple[Vendored, ...]:
    """The list in vendor.json."""
    files = json.loads(LIST.read_text("utf-8"))["files"]
    return tuple(
        Vendored(f["package"], f["version"], f["licence"], f["from"], f["to"], f["sha256"]) for f in files
    )


def verify() -> None:
    """Raises VendorWrong, naming every file that is missing or differs."""
    wrong = []
    for file in vendored():
        path = VENDOR / file.target
        if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != file.sha256:
            wrong.append(file.target)
    if wrong:
        raise VendorWrong("Missing or changed in static/vendor: " + ", ".join(wrong))


def fetch(*, accept: bool) -> None:
    """Fetches every listed package and puts its files in place. Raises VendorWrong where a checksum differs."""
    packages = {(f.package, f.version) for f in vendored()}
    got: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory() as folder:
        for package, version in sorted(packages):
            subprocess.run(["npm", "pack", "--silent", f"{package}@{version}"], cwd=folder, check=True)
            with tarfile.open(Path(folder) / f"{package}-{version}.tgz") as archive:
                for file in (f for f in vendored() if f.package == package):
                    member = archive.extractfile(f"package/{file.source}")
                    assert member is not None
                    got[file.target] = _without_map(member.read())
    entries = []
    for file in vendored():
        digest = hashlib.sha256(got[file.target]).hexdigest()
        if digest != file.sha256 and not accept:
            raise VendorWrong(f"{file.target} is not the file that was checked: {digest}")
        (VENDOR / file.target).write_bytes(got[file.target])
        entries.append(
            {"package": file.package, "version": file.version, "licence": file.licence}
            | {"from": file.source, "to": file.target, "sha256": digest}
        )
    lines = ",\n".join("    " + json.dumps(entry) for entry in entries)
    LIST.write_text('{\n  "files": [\n' + lines + "\n  ]\n}\n", "utf-8")


def _without_map(data: bytes) -> bytes:
    """The file without its last line where that points to a source map, which is not vendored."""
    head, mark, _ = data.rpartition(b"\n//# sourceMappingURL=")
    return head + b"\n" if mark else data


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fetch", action="store_true")
    parser.add_argument("--accept", action="store_true")
    asked = parser.parse_args()
    try:
        if asked.fetch:
            fetch(accept=asked.accept)
        verify()
    except VendorWrong as wrong:
        sys.exit(wrong.says)


if __name__ == "__main__":
    main()
