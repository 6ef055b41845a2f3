"""The lab's body catalogue: adding reference bodies, and new versions of those that are there."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from server.accounts.work import Actor, Work, reading, writing
from server.cases.bodies import CatalogueBody, current_body
from server.cases.jobs import JUDGE_OPEN
from server.inspection.body_check import check_body
from server.inspection.child import ChildFailed, ChildLost
from server.kit.ids import new_id
from server.kit.portal import Portal
from server.measures.body_set import BodyUnusable
from server.records.bodies import BodyEntry
from server.uploads.finishing import blob_key, keep_blob, note_blob

MESH_BYTES_LIMIT = 50_000_000
"""A reference body is a few square millimetres of surface; a mesh larger than this is some other file."""

Look = Callable[..., Any]
"""Runs a function on its arguments, in a measuring child."""


class Added(StrEnum):
    """What became of an entry that was brought."""

    NEW = "new"
    NEXT_VERSION = "next-version"
    KNOWN = "known"


@dataclass(frozen=True)
class ArrivedBody:
    """An entry, and a file with its mesh; the file is copied."""

    entry: BodyEntry
    path: Path


@dataclass(frozen=True)
class _Mesh:
    body: ArrivedBody
    data: bytes

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


def add_bodies(portal: Portal, actor: Actor, arrived: Sequence[ArrivedBody], look: Look) -> dict[str, Added]:
    """Adds all of these to the catalogue, or none; what became of each, by id. An entry that differs from the one of the
    same id, or whose mesh does, supersedes it. Open cases are then judged, and measured where that looks at bodies,
    anew.

    Raises NotYours, BodyUnusable.
    """
    with reading(portal, actor) as work:
        _require_lab(work)
    meshes = [_looked_at(body, look) for body in arrived]
    ids = [body.entry.id for body in arrived]
    if len(set(ids)) < len(ids):
        raise BodyUnusable(f"The id {next(i for i in ids if ids.count(i) > 1)} is given to several bodies.")
    for mesh in meshes:
        _keep(portal, mesh)
    with writing(portal, actor) as work:
        _require_lab(work)
        added = {mesh.body.entry.id: _add(work, mesh) for mesh in meshes}
        if set(added.values()) - {Added.KNOWN}:
            portal.jobs.enqueue(work.session, JUDGE_OPEN, "")
    return added


def _require_lab(work: Work) -> None:
    work.require(work.actor.is_lab or work.actor.is_portal, "Only the lab changes its body catalogue.")


def _looked_at(body: ArrivedBody, look: Look) -> _Mesh:
    """The mesh's bytes, once a child has read them and found that the body can be searched for."""
    if body.path.stat().st_size > MESH_BYTES_LIMIT:
        raise BodyUnusable(
            f"The mesh of the body {body.entry.id} is larger than {MESH_BYTES_LIMIT // 10**6} MB; thin it out."
        )
    try:
        look(check_body, body.entry, str(body.path))
    except ChildFailed as failed:
        if failed.type_name != BodyUnusable.__name__:
            raise
        raise BodyUnusable(failed.says) from failed
    except ChildLost as lost:
        raise BodyUnusable(f"The mesh of the body {body.entry.id} is too heavy. {lost.says}") from lost
    return _Mesh(body, body.path.read_bytes())


def _keep(portal: Portal, mesh: _Mesh) -> None:
    with portal.store.scratch() as path:
        path.write_bytes(mesh.data)
        keep_blob(portal, path, mesh.sha256)


def _add(work: Work, mesh: _Mesh) -> Added:
    entry, sha256 = mesh.body.entry, mesh.sha256
    note_blob(work, sha256, len(mesh.data))
    if work.portal.store.size_bytes(blob_key(sha256)) is None:  # swept before its row stood
        _keep(work.portal, mesh)
    before = current_body(work, entry.id)
    if before is not None and (before.said, before.mesh_sha256) == (entry, sha256):
        return Added.KNOWN
    if before is not None:
        before.superseded_at = work.now
        work.session.flush()
    row = CatalogueBody(
        id=new_id(),
        body_id=entry.id,
        entry=entry.model_dump(mode="json"),
        mesh_sha256=sha256,
        mesh_bytes=len(mesh.data),
        added_by=work.actor.person_id,
        added_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    earlier = {"supersedes": before.id} if before else {}
    work.audit("body.add", entry.id, version=row.id, mesh=sha256, **earlier)
    return Added.NEXT_VERSION if before else Added.NEW
