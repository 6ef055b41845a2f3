"""A surface was sent twice: under another role, in another case or in an earlier round.

Why: a file picked by mistake, or of another patient, looks like a scan of this mouth until the bridge does not seat.
How: byte for byte; else by a sketch of the facets, which does not change when a scan is moved, renumbered, written in
another format or unit, mirrored or turned inside out. The share of either surface found in the other, the greater of
the two, so that a part of a scan is found too; two scans of one mouth have next to none in common. A pair within the
case is told once, at the record that came later; of pairs that are unlike only the likest. A note where a copy is
nothing unusual: a bite scan cut out of a jaw scan; the opposing jaw as it was before; for the same patient's other
case, the opposing jaw, scans from before and bite scans; a surface that had another role in an earlier round.
The very file of an earlier round is no finding: it was kept, or got its right role. A rescan against what it replaces
is left to round/same-as-before.
Not seen: a copy that was decimated, smoothed, meshed anew or rounded to two decimals; a bite scan put together from
two jaw scans; positions copied into another table; a regular surface that has no likeness.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import takewhile
from types import MappingProxyType

from server.measures.sketch import SketchResult
from server.metrology.sameness import Sketch
from server.records.roles import MESH_ROLES, Role
from server.rules.evidence import CaseEvidence, KnownSurface, Lacking, RecordEvidence
from server.rules.likeness import SAME_BYTES, TELLING_RATIO, Likeness, likeness_of, own_sketch, percent
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen

_JAWS = frozenset({Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING})
_REUSED = frozenset({Role.OPPOSING, Role.BEFORE})

_NOT_OF_THIS_PATIENT = (
    "Make sure that this file is of this patient: export the scan again from the patient's own record."
)
_NOTHING_TO_DO = "Nothing needs to be done if that is what was meant."


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    earlier = tuple(takewhile(lambda other: other is not record, case.records))
    others = tuple(other for other in earlier if other.role is not Role.PHOTO)
    known = tuple(k for k in case.elsewhere if k.role is not Role.PHOTO and not _is_itself(record, k, case))
    if not others and not known:
        yield DoesNotApply("Nothing came before it that it could be compared with.")
        return
    pairs = [_within(record, other, like) for other in others if (like := _like(record, other))]
    pairs += [_beyond(record, other, like) for other in known if (like := _like_known(record, other))]
    told = [pair for pair in pairs if pair.value is not None and pair.value > TELLING_RATIO]
    if not told:
        _sketch(record)  # where its own is lacking, nothing was compared but bytes
    yield from told or (_next_to_nothing(pairs),)


def _next_to_nothing(pairs: list[Observation]) -> Observation:
    if not pairs:
        return Observation(
            "Neither its file nor its surface is found in another record that could be compared.", value=0.0
        )
    likest = max(pairs, key=lambda pair: pair.value or 0.0)
    most = math.ceil(100.0 * ((likest.value or 0.0) + likest.u95))
    says = f"No more than {most} % of it is found in another record."
    return Observation(says, value=likest.value, u95=likest.u95)


def _is_itself(record: RecordEvidence, known: KnownSurface, case: CaseEvidence) -> bool:
    if not known.is_earlier_round:
        return False
    replaced = case.replaced.get(record.file)
    return known.sha256 in {record.sha256, replaced.sha256 if replaced else ""}


def _sketch(record: RecordEvidence) -> Sketch | None:
    return own_sketch(record) if record.role in MESH_ROLES else None


def _like(record: RecordEvidence, other: RecordEvidence) -> Likeness | None:
    if record.sha256 == other.sha256:
        return SAME_BYTES
    try:
        own, theirs = _sketch(record), _sketch(other)
    except Lacking:  # said of the record that lacks it
        return None
    return likeness_of(own, theirs) if own and theirs else None


def _like_known(record: RecordEvidence, known: KnownSurface) -> Likeness | None:
    if record.sha256 == known.sha256:
        return SAME_BYTES
    try:
        own = _sketch(record)
    except Lacking:
        return None
    if own is None or known.sketch is None:
        return None
    return likeness_of(own, SketchResult.model_validate(known.sketch).sketch)


def _within(record: RecordEvidence, other: RecordEvidence, like: Likeness) -> Observation:
    roles = {record.role, other.role}
    is_cut = like.is_part if record.role is Role.BITE else like.is_whole
    is_usual = (Role.BITE in roles and bool(roles & _JAWS) and is_cut) or roles == _REUSED
    return Observation(
        _says(record, f"the {other.role.words} {other.file}", like),
        value=like.greater.share_ratio,
        u95=like.greater.u95_ratio,
        level=Level.NOTE if is_usual else None,
        remedy=_NOTHING_TO_DO if is_usual else None,
        other_records=(other.file,),
    )


def _beyond(record: RecordEvidence, known: KnownSurface, like: Likeness) -> Observation:
    roles = {record.role, known.role}
    if known.is_earlier_round:
        is_usual = record.role is not known.role
    else:
        is_usual = known.is_same_patient and bool(roles & _REUSED or roles == {Role.BITE})
    remedy = None if known.is_earlier_round or known.is_same_patient else _NOT_OF_THIS_PATIENT
    return Observation(
        _says(record, f"a {known.role.words} of {known.label}", like),
        value=like.greater.share_ratio,
        u95=like.greater.u95_ratio,
        level=Level.NOTE if is_usual else None,
        remedy=_NOTHING_TO_DO if is_usual else remedy,
    )


def _says(record: RecordEvidence, other: str, like: Likeness) -> str:
    if like.is_identical:
        return f"The {record.role.words} is byte for byte the same file as {other}."
    share = percent(like.greater.share_ratio)
    if like.greater is like.own:
        return f"{share} of the {record.role.words} is found in {other}{like.change_words}."
    return f"{share} of {other} is found in the {record.role.words}{like.change_words}."


RULE = Rule(
    id="file/same-surface",
    revision=1,
    title="The same surface was sent twice",
    remedy="Check which scan each of the two files holds, export the right one under its own name and remove the copy.",
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
