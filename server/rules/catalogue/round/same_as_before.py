"""A rescan is the same surface as the record that it replaces.

Why: the old file, exported or sent again by mistake, has the old faults, and a day is lost before anyone sees it.
How: byte for byte; else the share of the new surface that is found in the old one by a sketch of its facets, which does
not change when a scan is moved, renumbered or written in another format. A note where the unit or the hand has changed,
since then a new export may be just what was asked for. A record kept from the round before is no rescan.
Not seen: a copy that was decimated, smoothed or meshed anew; whether an export was made anew on purpose, to leave out a
name or to turn the facets.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.roles import MESH_ROLES, Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.likeness import SAME_BYTES, Likeness, likeness_of, own_sketch, percent
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    before = case.replaced.get(record.file)
    if before is None:
        yield DoesNotApply("It replaces no record of the round before.")
        return
    like = _like(record, before)
    if like is None:
        yield DoesNotApply("The record that it replaces has no surface by which it could be known again.")
        return
    if like.is_identical:
        says = "It is byte for byte the file that it replaces."
    else:
        says = (
            f"{percent(like.own.share_ratio)} of it is found in the scan that it replaces{like.change_words}."
        )
    yield Observation(
        says,
        value=like.own.share_ratio,
        u95=like.own.u95_ratio,
        level=Level.NOTE if like.is_changed else None,
    )


def _like(record: RecordEvidence, before: RecordEvidence) -> Likeness | None:
    if record.sha256 == before.sha256:
        return SAME_BYTES
    if record.role not in MESH_ROLES or before.role not in MESH_ROLES:
        return None
    own = own_sketch(record)
    try:
        return likeness_of(own, own_sketch(before))
    except Lacking:
        return None


RULE = Rule(
    id="round/same-as-before",
    revision=1,
    title="The rescan is the old scan",
    remedy="Send the new scan: the file holds the surface that came back. If it was exported anew on purpose, tell the lab.",
    source="Our own proposal: two scans of one mouth share next to none of their facets, copies share all.",
    of_record=_observe,
    roles=MESH_ROLES | {Role.MARKERS},
    limits=MappingProxyType(
        {
            VALUE: Limit.look_only(
                0.90, "", "Our own proposal; measured on phantoms: copies 0.98, two scans 0.11."
            )
        }
    ),
)
