"""Bringing a folder's case to a portal and its verdict back: what is there already is not sent again."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from server.errors import ArchproofError
from server.inspection.folder import form_and_files, sha256_of
from server.inspection.measuring import RecordFile
from server.inspection.report import Report
from server.records.case_form import CaseForm, RecordEntry
from server.sending.files import announce, is_under_way, send_bytes
from server.sending.portal import PortalAway, PortalClient, PortalRefused
from server.sending.remembered import Sent, recall, remember

CASES = "/api/v1/cases"
EVERY_S = 1.0
WAIT_S = 900.0
NOT_JUDGED = "not-judged"

Row = dict[str, Any]


class NoVerdictYet(ArchproofError):
    """The portal has the records and has not judged them within the time that was waited."""

    code = "no-verdict-yet"


@dataclass(frozen=True)
class Teller:
    """How a sending tells what it does. sending: a file's name and size; gives who is told how many bytes are safe."""

    say: Callable[[str], None]
    sending: Callable[[str, int], Callable[[int], None]]


def send_folder(portal: PortalClient, folder: Path, tell: Teller, *, submit: bool = False) -> str:
    """Sends what the folder holds and the portal does not; the case's id there. submit: and hands it to the lab.

    Raises FolderUnusable, FormUnusable, FileChanged, PortalRefused, PortalAway.
    """
    form, files = form_and_files(folder)
    case = _case(portal, folder, form, recall(folder, portal.url))
    present = _records(portal, case)
    local = [_Local.of(file) for file in files]
    there = _found_there(local, present)
    for file in local:
        if file in there:
            _amend(portal, case, there[file], file.entry)
        else:
            before = next((row for row in present if row["file_name"] == file.name), None)
            _bring(portal, folder, file, before, tell)
    _say_what_else(present, local, there, tell)
    if submit and _shape(portal, case)["state"] in ("collecting", "with-clinic"):
        portal.ask("POST", f"{CASES}/{case}/submit")
        tell.say("Handed to the lab.")
    return case


def verdict_of_case(
    portal: PortalClient, case: str, *, wait_s: float = WAIT_S, sleep: Callable[[float], None] = time.sleep
) -> Report:
    """The report on what the case holds now, once there is one. Raises NoVerdictYet, PortalRefused, PortalAway."""
    waited = 0.0
    while True:
        if _shape(portal, case)["is_judged"]:
            return _report(portal, case)
        if waited >= wait_s:
            raise NoVerdictYet(
                "The portal is still measuring; run the same command again to ask for the verdict."
            )
        sleep(EVERY_S)
        waited += EVERY_S


def _report(portal: PortalClient, case: str) -> Report:
    try:
        return Report.model_validate(portal.ask("GET", f"{CASES}/{case}/report").json())
    except ValidationError as error:
        raise PortalAway(
            "The portal's report cannot be read; it speaks another version than this program."
        ) from error


def _case(portal: PortalClient, folder: Path, form: CaseForm, sent: Sent) -> str:
    """The case at the portal with this form: the one the folder remembers, else a new one."""
    if sent.case and _is_known(portal, sent.case):
        _bring_form(portal, sent.case, form)
        return sent.case
    if sent.case:
        sent = sent.model_copy(update={"key": Sent(portal=portal.url).key, "case": "", "uploads": {}})
    remember(folder, sent)
    opened = portal.ask(
        "POST", CASES, json=form.model_dump(mode="json"), headers={"Idempotency-Key": sent.key}
    ).json()
    remember(folder, sent.model_copy(update={"case": opened["id"]}))
    return str(opened["id"])


def _is_known(portal: PortalClient, case: str) -> bool:
    try:
        return bool(_shape(portal, case)["state"] not in ("withdrawn", "released"))
    except PortalRefused as refusal:
        if refusal.status == 404:
            return False
        raise


def _bring_form(portal: PortalClient, case: str, form: CaseForm) -> None:
    answer = portal.ask("GET", f"{CASES}/{case}/form")
    if CaseForm.model_validate(answer.json()) != form:
        headers = {"If-Match": answer.headers["etag"]}
        portal.ask("PUT", f"{CASES}/{case}/form", json=form.model_dump(mode="json"), headers=headers)


def _shape(portal: PortalClient, case: str) -> Row:
    shape: Row = portal.ask("GET", f"{CASES}/{case}").json()
    return shape


def _records(portal: PortalClient, case: str) -> list[Row]:
    records: list[Row] = portal.ask("GET", f"{CASES}/{case}/records").json()["records"]
    return records


@dataclass(frozen=True)
class _Local:
    """A file of the folder: what the form says of it, its name at the portal, and the SHA-256 of its bytes."""

    entry: RecordEntry
    path: Path
    name: str
    sha256: str

    @classmethod
    def of(cls, file: RecordFile) -> _Local:
        name = PurePosixPath(file.entry.file.replace("\\", "/")).name
        return cls(file.entry, Path(file.path), name, sha256_of(file))


def _found_there(local: list[_Local], present: list[Row]) -> dict[_Local, Row]:
    """Which record is which file of the folder, by its bytes: first that of the same name, since two files may hold the same,
    then any that is left."""
    left, there = list(present), dict[_Local, Row]()
    for by_name in (True, False):
        for file in local:
            same = (row for row in left if row["sha256"] == file.sha256)
            row = next((r for r in same if not by_name or r["file_name"] == file.name), None)
            if row is not None and file not in there:
                there[file] = row
                left.remove(row)
    return there


def _bring(portal: PortalClient, folder: Path, file: _Local, before: Row | None, tell: Teller) -> None:
    """Sends one file; before: the record in whose place it comes."""
    sent = recall(folder, portal.url)
    url = sent.uploads.get(file.sha256, "")
    if not url or not is_under_way(portal, url):
        said = {
            "filename": file.name,
            "case": sent.case,
            "role": file.entry.role.value,
            "unit": file.entry.unit.value,
            "body": file.entry.body or "",
            "replaces": before["id"] if before else "",
            "sha256": file.sha256,
        }
        url = announce(portal, file.path, said)
        remember(folder, sent.model_copy(update={"uploads": {**sent.uploads, file.sha256: url}}))
    send_bytes(portal, url, file.path, tell.sending(file.name, file.path.stat().st_size))
    left = {sha256: way for sha256, way in sent.uploads.items() if sha256 != file.sha256}
    remember(folder, sent.model_copy(update={"uploads": left}))


def _amend(portal: PortalClient, case: str, row: Row, entry: RecordEntry) -> None:
    """Says anew what a record is, where the form says something else now."""
    said: Mapping[str, Any] = {
        "role": entry.role.value,
        "unit": entry.unit.value,
        "body": entry.body,
        "spots": [spots.model_dump(mode="json") for spots in entry.spots] or None,
    }
    if any(row[name] != value for name, value in said.items()):
        change = {**said, "body": entry.body or "", "spots": said["spots"] or []}
        portal.ask("PATCH", f"{CASES}/{case}/records/{row['id']}", json=change)


def _say_what_else(
    present: list[Row], local: list[_Local], there: Mapping[_Local, Row], tell: Teller
) -> None:
    """What the case holds and the folder does not name stays; nobody should wonder why it is measured."""
    known, found = {file.name for file in local}, {row["id"] for row in there.values()}
    for row in present:
        if row["file_name"] not in known and row["id"] not in found:
            tell.say(f"The case also holds {row['file_name']}, which the folder does not name; it stays.")


@contextmanager
def connected(url: str, token: str) -> Iterator[PortalClient]:
    """A portal while the block runs. Raises AddressUnusable."""
    portal = PortalClient(url, token)
    try:
        yield portal
    finally:
        portal.close()
