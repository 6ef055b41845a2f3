"""The preview of one record, as a measuring child makes it."""

from __future__ import annotations

from server.inspection.measuring import NO_BODIES, RecordFile, bench_of
from server.measures.measure import NotMeasured
from server.metrology.preview.thinning import NoPreview, preview_of
from server.records.roles import MESH_ROLES, Role

DRAWN_ROLES = MESH_ROLES | {Role.MARKERS}
"""Roles whose record may be a surface."""


def drawn(record: RecordFile) -> bytes:
    """The preview of a record, gzipped; empty where it shows no surface whose lengths are known, or one that cannot be made
    small enough. Runs in a measuring child."""
    try:
        return preview_of(bench_of(record, NO_BODIES).scan).data
    except (NotMeasured, NoPreview):
        return b""
