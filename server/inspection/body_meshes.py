"""The body catalogue of the portal as measuring takes it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace

from server.accounts.work import Work
from server.cases.bodies import current_bodies
from server.kit.portal import Portal
from server.measures.body_set import BodyFile, BodySet
from server.uploads.finishing import blob_key, open_blob


def catalogue_of(work: Work) -> BodySet:
    """The catalogue as it stands. Its paths are keys of the file store; `opened` makes files of them."""
    rows = current_bodies(work)
    return BodySet(tuple(BodyFile(r.said, blob_key(r.mesh_sha256), r.mesh_sha256) for r in rows))


@contextmanager
def opened(portal: Portal, bodies: BodySet) -> Iterator[BodySet]:
    """The catalogue with its meshes where they can be read on this host while the block runs."""
    with ExitStack() as stack:
        files = [replace(f, path=str(stack.enter_context(open_blob(portal, f.sha256)))) for f in bodies.files]
        yield BodySet(tuple(files))
