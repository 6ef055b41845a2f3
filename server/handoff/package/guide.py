"""README.txt of a package: what lies in it, for who opens it at a design desk and has never seen the portal."""

from __future__ import annotations

from collections.abc import Iterator

from server.handoff.manifest import Manifest
from server.handoff.package.parts import SCENE, Parts
from server.rules.cautions import CAUTIONS
from server.rules.wording import count_words, sentence

_SOURCES = {
    "markers": "implant positions from photogrammetry; they govern",
    "jaw": "the scan bodies of the jaw scan; nothing independent has checked their span",
    "jaw-by-hand": "the scan bodies of the jaw scan, fitted from spots that a person matched by hand",
    "imprints": "imprints in the denture; for tissue and a luted provisional only, never for a rigid definitive",
}


def guide_text(parts: Parts, release: Manifest) -> str:
    """The text, its lines in the order a designer asks."""
    return "\n".join(_lines(parts, release)) + "\n"


def _lines(parts: Parts, release: Manifest) -> Iterator[str]:
    yield f"Case {release.patient_code}, round {release.round}"
    yield f"Released {release.released_at:%Y-%m-%d %H:%M} UTC by {release.released_by}, {release.software}"
    yield f"Judged under the sheet {release.sheet.name}, version {release.sheet.version}"
    yield ""
    yield "FRAME"
    if parts.root:
        yield f"Everything in scans/, bodies/ and {SCENE} lies in one frame, in millimetres: that of the file {parts.root}."
        yield "manifest.json gives for each file the transform from the file that was sent."
    else:
        yield "Nothing could be brought into one frame; every file is as it was sent, in millimetres."
    yield from _pieces(parts)
    yield ""
    yield "POSITIONS"
    if parts.positions:
        for source in dict.fromkeys(row.source for row in parts.positions):
            sites = ", ".join(row.tooth for row in parts.positions if row.source == source)
            yield f"Site {sites}: from {_SOURCES[source]}{_tissue(parts) if source == 'markers' else ''}."
        yield "positions/positions.csv and .json hold seat, axis, clocking, source and uncertainty; bodies/ holds the reference"
        yield "body at each site, so that any design program can set its own part on it."
        off = [row.jaw_off_mm for row in parts.positions if row.jaw_off_mm is not None]
        if off:
            yield f"Tissue may be off these positions by up to {max(off):.2f} mm: so far the jaw scan's own bodies lie from them."
    else:
        yield f"None: {parts.no_positions}."
    yield ""
    yield "ACCEPTED BY THE LAB"
    for accepted in release.accepted:
        about = ", ".join((*accepted.records, *(f"site {site}" for site in accepted.sites)))
        consent = "; the prescriber was asked and agreed" if accepted.has_consent else ""
        yield f"{accepted.rule} ({accepted.level}{'; ' + about if about else ''}): {accepted.reason} ({accepted.by}{consent})"
    if not release.accepted:
        yield "Nothing had to be accepted."
    yield ""
    yield "NOT MEASURED"
    for line in release.not_measured:
        yield f"{sentence(line)}."
    if not release.not_measured:
        yield "Everything that this version measures was measured."
    yield ""
    yield "CAUTIONS"
    yield from CAUTIONS
    yield ""
    yield f"manifest.json names {count_words(len(release.records), 'record')} as sent, and every file here, with SHA-256."


def _tissue(parts: Parts) -> str:
    """What carries the tissue where the implant positions are a record of their own."""
    roles = {piece.role for piece in parts.pieces}
    for role, words in (
        ("jaw", "the jaw scan"),
        ("tissue", "the tissue scan"),
        ("positive", "the positive of the denture"),
    ):
        if role in roles:
            return f", {words} carries the tissue"
    return ""


def _pieces(parts: Parts) -> Iterator[str]:
    """What must be known of single files."""
    for piece in parts.pieces:
        if piece.role == "positive":
            yield f"{piece.path}: the impression side of {piece.source}, turned to stand for the tissue; mucosa gives by tenths of a millimetre."
    lost = [piece for piece in parts.pieces if not piece.placed]
    for piece in lost:
        yield f"NOT IN PLACE: {piece.path} ({piece.source}): {piece.says}."
    for left in parts.left_out:
        yield f"NOT IN THE PACKAGE: {left.file} ({left.role}): {left.says}."
    turned = [piece for piece in parts.pieces if piece.is_turned]
    for piece in turned:
        yield f"{piece.path}: facets that lay inside out were turned; the file as sent is unchanged."
