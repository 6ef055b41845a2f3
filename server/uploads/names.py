"""File names as people see them: cleaned of everything that could act on a screen, a header or a disk."""

from __future__ import annotations

import unicodedata
from pathlib import PurePosixPath

from server.errors import BadRequest
from server.records.roles import Role

ACCEPTED_ENDINGS = frozenset(
    {".stl", ".ply", ".obj", ".3mf", ".zip", ".png", ".jpg", ".jpeg", ".csv", ".json"}
)
PICTURE_ENDINGS = frozenset({".png", ".jpg", ".jpeg"})
TABLE_ENDINGS = frozenset({".csv", ".json"})
MAX_LENGTH = 120

_ROLE_WORDS: dict[str, Role] = {
    "jaw": Role.JAW,
    "bodies": Role.JAW,
    "scanbody": Role.JAW,
    "scanbodies": Role.JAW,
    "tissue": Role.TISSUE,
    "gingiva": Role.TISSUE,
    "denture": Role.DENTURE,
    "prosthesis": Role.DENTURE,
    "opposing": Role.OPPOSING,
    "antagonist": Role.OPPOSING,
    "bite": Role.BITE,
    "occlusion": Role.BITE,
    "buccal": Role.BITE,
    "markers": Role.MARKERS,
    "positions": Role.MARKERS,
    "photogrammetry": Role.MARKERS,
    "before": Role.BEFORE,
    "preop": Role.BEFORE,
    "photo": Role.PHOTO,
}


class NameRefused(BadRequest):
    code = "file-type"
    http_status = 415


def clean_file_name(name: str) -> str:
    """The last part of a path, printable, without directions of writing, at most 120 characters with its ending."""
    last = PurePosixPath(name.replace("\\", "/")).name
    kept = "".join(" " if c in '"<>|:*?' else c for c in last if unicodedata.category(c)[0] != "C")
    path = PurePosixPath(" ".join(kept.split()).strip(". ") or "file")
    return path.stem[: MAX_LENGTH - len(path.suffix[:12])] + path.suffix[:12]


def check_ending(name: str) -> None:
    """Raises NameRefused, naming what is accepted."""
    if PurePosixPath(name).suffix.casefold() not in ACCEPTED_ENDINGS:
        raise NameRefused(
            "Files of this kind are not accepted. Send scans as STL, PLY, OBJ or 3MF, positions also as CSV or JSON, "
            "photos as PNG or JPEG, or several files in one ZIP."
        )


def role_by_name(name: str) -> Role | None:
    """What a file probably is, by the words in its name; None where they say nothing or two things."""
    path = PurePosixPath(name.casefold())
    if path.suffix in PICTURE_ENDINGS:
        return Role.PHOTO
    if path.suffix in TABLE_ENDINGS:
        return Role.MARKERS
    words = "".join(c if c.isalpha() else " " for c in path.stem).split()
    found = {_ROLE_WORDS[word] for word in words if word in _ROLE_WORDS}
    if found == {Role.BITE, Role.OPPOSING} or found == {Role.JAW, Role.MARKERS}:
        return None
    return found.pop() if len(found) == 1 else None
