"""A record set in a folder: case.json, the files it names, and the reference bodies; checked without portal or database."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pydantic import ValidationError

from server.errors import BadRequest
from server.explain.figures import picture_name, png_of
from server.inspection.inspect import judge_case
from server.inspection.measuring import OF_CASES, RecordFile
from server.inspection.report import Report, Timing
from server.inspection.too_heavy import Run, measured_case, measured_record
from server.measures.body_set import BodyFile, BodySet, BodyUnusable
from server.measures.measure import Measurement
from server.records.bodies import BodyEntry
from server.records.case_form import CaseForm, FormUnusable, read_case_form
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.sheet import ToleranceSheet

FORM_BYTES_LIMIT = 4_000_000


class FolderUnusable(BadRequest):
    """The folder cannot be checked at all; the words say what is missing or wrong."""

    code = "folder-unusable"


@dataclass(frozen=True)
class RecordSet:
    """What lies in the folder. records: in the form's order."""

    form: CaseForm
    records: tuple[RecordFile, ...]
    bodies: BodySet


def read_folder(folder: Path, bodies: Path | None = None) -> RecordSet:
    """The record set in `folder`. Raises FolderUnusable or FormUnusable, naming what is missing."""
    form, records = form_and_files(folder)
    return RecordSet(form, records, read_bodies(bodies or folder / "bodies", is_required=bodies is not None))


def form_and_files(folder: Path) -> tuple[CaseForm, tuple[RecordFile, ...]]:
    """The form in `folder` and the files it names. Raises FolderUnusable or FormUnusable, naming what is missing."""
    if not folder.is_dir():
        raise FolderUnusable(f"{folder} is not a folder.")
    path = folder / "case.json"
    if not path.is_file():
        raise FolderUnusable(f"There is no case.json in {folder}.")
    if path.stat().st_size > FORM_BYTES_LIMIT:
        raise FolderUnusable("case.json is far too large to be a case form.")
    form = read_case_form(path.read_bytes())
    files = [entry.file for entry in form.records]
    twice = sorted({file for file in files if files.count(file) > 1})
    if twice:
        raise FolderUnusable(f"case.json names a file more than once: {', '.join(twice)}.")
    missing = [file for file in files if not _inside(folder, file).is_file()]
    if missing:
        raise FolderUnusable(f"case.json names files that are not in the folder: {', '.join(missing)}.")
    return form, tuple(RecordFile(entry, str(_inside(folder, entry.file))) for entry in form.records)


def _inside(folder: Path, name: str) -> Path:
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise FolderUnusable(f"“{name}” lies outside the case folder.")
    return path


def read_bodies(folder: Path, *, is_required: bool = False) -> BodySet:
    """The body catalogue in a folder; empty where there is no such folder and none is required.

    Raises FolderUnusable for an entry that cannot be read, names a mesh that is not there, or cannot be measured with.
    """
    if not folder.is_dir() and not is_required:
        return BodySet()
    return BodySet(tuple(_body_file(entry, path) for entry, path in body_entries(folder)))


def body_entries(folder: Path) -> list[tuple[BodyEntry, Path]]:
    """The entries in a folder of reference bodies, by file name, each with the path of its mesh, which is not read.

    Raises FolderUnusable.
    """
    if not folder.is_dir():
        raise FolderUnusable(f"{folder} is not a folder of reference bodies.")
    found: list[tuple[BodyEntry, Path]] = []
    for path in sorted(folder.glob("*.json")):
        try:
            entry = BodyEntry.model_validate_json(path.read_bytes())
        except ValidationError as error:
            first = error.errors()[0]
            place = ".".join(str(part) for part in first["loc"])
            raise FolderUnusable(
                f"The reference body {path.name} cannot be used: {place}: {first['msg']}"
            ) from error
        if not _inside(folder, entry.mesh).is_file():
            raise FolderUnusable(
                f"The reference body {path.name} names a mesh that is not there: {entry.mesh}."
            )
        if entry.id in {other.id for other, _ in found}:
            raise FolderUnusable(f"Two reference bodies have the id {entry.id}.")
        found.append((entry, _inside(folder, entry.mesh)))
    return found


def _body_file(entry: BodyEntry, path: Path) -> BodyFile:
    file = BodyFile(entry, str(path), hashlib.sha256(path.read_bytes()).hexdigest())
    try:
        BodySet((file,)).ready()
    except BodyUnusable as fault:
        raise FolderUnusable(fault.says) from fault
    return file


def check_folder(
    record_set: RecordSet, *, now: datetime, run: Run, sheet: ToleranceSheet | None = None, workers: int = 2
) -> Report:
    """Measures every record of the set, then the records together, and judges them. `now`: aware of its zone."""
    return inspect_folder(record_set, now=now, run=run, sheet=sheet, workers=workers).report


@dataclass(frozen=True)
class Inspected:
    """A record set with everything measured of it, and the report."""

    report: Report
    measured: tuple[Measurement, ...]
    sha256: Mapping[str, str]


def inspect_folder(
    record_set: RecordSet, *, now: datetime, run: Run, sheet: ToleranceSheet | None = None, workers: int = 2
) -> Inspected:
    """The same, and what it rests on: every measurement, and the SHA-256 of each record by file."""
    begun = time.perf_counter()
    known = {record.entry.file: (record, sha256_of(record)) for record in record_set.records}
    with ThreadPoolExecutor(max_workers=workers) as threads:
        asked = {
            file: threads.submit(measured_record, run, *known[file], bodies=record_set.bodies)
            for file in sorted(known, key=lambda file: -Path(known[file][0].path).stat().st_size)
        }
        made = [asked[file].result() for file in known]
    kept = tuple(m for ms in made for m in ms)
    together = measured_case(run, record_set.form, known, kept, bodies=record_set.bodies)
    seconds = time.perf_counter() - begun
    evidence = CaseEvidence(
        form=record_set.form,
        records=tuple(
            RecordEvidence(record.entry, sha256, {m.measure: m for m in ms})
            for (record, sha256), ms in zip(known.values(), made, strict=True)
        ),
        now=now,
        measurements={m.measure: m for m in together if m.measure in OF_CASES},
        bodies=record_set.bodies.entries,
    )
    report = judge_case(evidence, sheet, timing=Timing(measure=seconds))
    return Inspected(report, (*kept, *together), {file: sha256 for file, (_, sha256) in known.items()})


def sha256_of(record: RecordFile) -> str:
    """Of the record's bytes, in hex."""
    with open(record.path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_report(report: Report, path: Path) -> None:
    """Writes the report's JSON; whole or not at all."""
    text = json.dumps(report.model_dump(mode="json"), ensure_ascii=False, indent=1)
    write_whole(path, text.encode())


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file; whole or not at all."""
    partial = path.with_name(path.name + ".partial")
    partial.write_bytes(data)
    partial.replace(path)


def write_pictures(report: Report, folder: Path) -> tuple[Path, ...]:
    """Writes every picture of the report into a folder, which is made; the paths, in the figures' order. A finding's
    `picture` is the name of one of these."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for figure in report.figures:
        path = folder / picture_name(figure)
        path.write_bytes(png_of(figure))
        made.append(path)
    return tuple(made)


__all__ = [
    "FolderUnusable",
    "FormUnusable",
    "Inspected",
    "RecordSet",
    "body_entries",
    "check_folder",
    "inspect_folder",
    "read_bodies",
    "read_folder",
    "write_pictures",
    "write_report",
    "write_whole",
]
