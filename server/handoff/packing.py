"""Packing a release: its archive is made by a measuring child, kept once, and named in the release.

May be done twice or half and then again: the same release gives the same archive.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from server.accounts.work import PORTAL, Work, reading, writing
from server.cases.lookup import current_round, touch
from server.cases.tables import Case
from server.errors import NotFound
from server.handoff.manifest import Manifest
from server.handoff.package.archive import require_whole, write_package
from server.handoff.package.parts import Parts, make_parts
from server.handoff.package.pieces import PackageBroken
from server.handoff.papers import papers_of
from server.handoff.release import PACK_RELEASE, release_of
from server.handoff.tables import Release
from server.inspection.body_meshes import opened
from server.inspection.evidence import all_kept, open_record, standing_of
from server.inspection.judgements import report_of
from server.inspection.places import Places
from server.kit.jobs import Doing, Job
from server.kit.portal import Portal

COULD_NOT = (
    "The package could not be made. The release stands; the lab’s administrator can read why in the log."
)


class NotPacked(NotFound):
    """The case is released, its package is not made yet, or could not be."""

    code = "not-packed"


def package_key(release_id: str) -> str:
    """Where a package lies in the store."""
    return f"packages/{release_id}.zip"


def doings(portal: Portal, run: Callable[..., Any]) -> Mapping[Job, Doing]:
    """What a job of packing does. `run`: as for measuring."""
    return {
        PACK_RELEASE: Doing(
            lambda release_id: pack(portal, run, release_id), lambda release_id: give_up(portal, release_id)
        )
    }


def pack(portal: Portal, run: Callable[..., Any], release_id: str) -> None:
    """Makes and keeps the archive of a release; does nothing where that is done."""
    with reading(portal, PORTAL) as work:
        release = work.session.get(Release, release_id)
        case = work.session.get(Case, release.case_id) if release else None
        if release is None or case is None or release.package_sha256 is not None:
            return
        report, standing = report_of(work, current_round(work, case)), standing_of(work, case)
        kept, form = all_kept(work, standing), standing.evidence.form
    if report is None:
        raise PackageBroken("The report on the released round is gone.")
    with ExitStack() as stack, portal.store.scratch() as path:
        files = tuple(stack.enter_context(open_record(portal, r)) for r in standing.records)
        meshes = stack.enter_context(opened(portal, standing.bodies))
        parts: Parts = run(make_parts, form, files, kept, meshes)
        told = Manifest.model_validate(release.manifest)
        write_package(path, parts, told, papers_of(report, form, told, Places(files, run).svg))
        _keep(portal, release_id, path)


def _keep(portal: Portal, release_id: str, path: Path) -> None:
    """Keeps the archive; one that a packing cut short has left stands where it is whole."""
    key = package_key(release_id)
    if not portal.store.keep(path, key) and not _is_whole(portal, key):
        portal.store.forget([key])
        portal.store.keep(path, key)
    with portal.store.local_path(key) as kept:
        _note(portal, release_id, kept)


def _is_whole(portal: Portal, key: str) -> bool:
    with portal.store.local_path(key) as path:
        try:
            require_whole(path)
        except PackageBroken:
            return False
    return True


def _note(portal: Portal, release_id: str, path: Path) -> None:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    with writing(portal, PORTAL) as work:
        release = work.session.get(Release, release_id, with_for_update=True)
        if release is None:
            return
        release.package_sha256, release.package_bytes = digest, path.stat().st_size
        release.package_says = ""
        touch(work, work.session.get_one(Case, release.case_id), "packed")


def give_up(portal: Portal, release_id: str) -> None:
    """Says that there will be no package, instead of letting the lab wait for ever."""
    with writing(portal, PORTAL) as work:
        release = work.session.get(Release, release_id, with_for_update=True)
        if release is None or release.package_sha256 is not None:
            return
        release.package_says = COULD_NOT
        touch(work, work.session.get_one(Case, release.case_id), "packed")


def package_of(work: Work, case_id: str) -> Release:
    """The release of a case whose package can be fetched. Raises CaseUnknown, NotReleased, NotPacked."""
    release = release_of(work, case_id)
    if release.package_sha256 is None:
        raise NotPacked(release.package_says or "The package is being made; try again in a moment.")
    return release
