"""A bite scan says something else of the jaws than the relation they came in, or than the other bite scans.

Why: one of them was taken while the patient closed otherwise, or shows other teeth; a bridge made to it bites high or
beside the mark.
How: each bite scan is laid on what carries the working teeth and on the opposing jaw. What it implies is held against the
delivered relation; without one, against the other bite scans together, less one that departs from all others. Judged are
its scatter on both jaws, the shift where it holds the jaws itself, and the turn; of a shift and a turn, what scatter adds
to any length is taken off. A bite scan that lies on one jaw only, or on neither, shows other teeth.
Not seen: which of two is right; whether the patient closed as usual, since all scans may agree on a wrong bite.
Source: bite registrations are off by more than 50 µm and 0.1° on average (doi 10.4041/kjod22.199).
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.bite_relation import WORKING, Amount, Departs, Spot
from server.measures.facing import FACING
from server.measures.frames import JointResult, Link
from server.measures.relation import TOLD, Came
from server.records.roles import Role
from server.rules.bite_evidence import relation_of, shift_words
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.finding import Place
from server.rules.frame_evidence import joint_of
from server.rules.limit import Level, Limit, Standing
from server.rules.rule import Observation, Rule, Seen
from server.rules.wording import listed

NAMED_DEG = 0.03
"""A turn worth naming."""


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    record.result(FACING)
    joint = joint_of(case)
    on_working, on_opposing = (_link(record, joint, case, roles) for roles in (WORKING, (Role.OPPOSING,)))
    if any(link and link.came is Came.MIRRORED for link in (on_working, on_opposing)):
        raise Lacking("it lies on another record only in mirror image", because="surface/mirrored")
    if on_opposing is None:
        raise Lacking("there is no opposing jaw to hold it against")
    if not (_is_told(on_working) and _is_told(on_opposing)):
        yield _misfit(record, case, joint, on_working, on_opposing)
        return
    told = relation_of(case)
    seen = next(bite for bite in told.bites if bite.file == record.file)
    both = tuple(r for r in (seen.working_residual_mm, seen.opposing_residual_mm) if r is not None)
    yield Observation(
        f"Its points lie on both jaws within {max(both) * 1000:.0f} µm (robust scatter).",
        value=max(both),
        limit="residual",
        other_records=(told.working, told.opposing),
    )
    if seen.departs is not None:
        yield from _departures(seen.departs, told.working)


def _departures(departs: Departs, working: str) -> Iterator[Observation]:
    own = departs.at(Spot.OWN)
    against = listed(departs.against) if departs.against else "the frame of their files"
    open_end = " Which of the two is right cannot be told." if len(departs.against) == 1 else ""
    where = (Place(record=working, point_mm=own.at_mm),)
    yield Observation(
        f"Against {against} it has the opposing jaw {shift_words(own)}.{open_end}",
        value=own.size_mm.value,
        u95=own.size_mm.u95,
        limit="shift",
        where=where,
        other_records=departs.against,
    )
    yield Observation(
        f"Against {against} it has the opposing jaw {_turned_words(departs.tilt_deg)}.{open_end}",
        value=departs.tilt_deg.value,
        u95=departs.tilt_deg.u95,
        limit="tilt",
        where=where,
        other_records=departs.against,
    )


def _turned_words(tilt_deg: Amount) -> str:
    if tilt_deg.value >= NAMED_DEG:
        return f"turned by {tilt_deg.value:.2f}°"
    return f"turned no further than scatter explains, which is known to ± {tilt_deg.u95:.2f}°"


def _link(
    record: RecordEvidence, joint: JointResult, case: CaseEvidence, roles: tuple[Role, ...]
) -> Link | None:
    """Its comparison with records of these roles: one that came together, else the first there is."""
    files = [r.file for role in roles for r in case.of_roles([role])]
    links = [link for link in joint.links if link.moving == record.file and link.fixed in files]
    return next((link for link in links if _is_told(link)), links[0] if links else None)


def _is_told(link: Link | None) -> bool:
    return link is not None and link.came in TOLD


def _misfit(
    record: RecordEvidence,
    case: CaseEvidence,
    joint: JointResult,
    on_working: Link | None,
    on_opposing: Link | None,
) -> Observation:
    """A bite scan that does not lie on both jaws. Raises Lacking where the jaw is to blame and not the scan."""
    lacking = [link for link in (on_working, on_opposing) if link is not None and not _is_told(link)]
    if lacking == [on_opposing] and _others_fail_too(record, joint, case, lacking[0].fixed):
        raise Lacking("no bite scan lies on the opposing jaw", because="surface/no-fit")
    if not case.of_roles([Role.DENTURE]) and _is_told(on_opposing):
        raise Lacking("it was taken with teeth in place that no scan of the working jaw shows")
    words = [r.role.words for link in lacking for r in case.records if r.file == link.fixed]
    if any(link.came is Came.AMBIGUOUS for link in lacking):
        says = f"It lies on the {listed(words, 'and the')} in more than one way."
        return Observation(says, broken=True, level=Level.LOOK, other_records=_fixed(lacking))
    says = f"It does not lie on the {listed(words, 'nor on the')} in any way: it shows other teeth."
    return Observation(says, broken=True, level=Level.RETURN, other_records=_fixed(lacking))


def _fixed(links: list[Link]) -> tuple[str, ...]:
    return tuple(link.fixed for link in links)


def _others_fail_too(record: RecordEvidence, joint: JointResult, case: CaseEvidence, jaw: str) -> bool:
    """Whether there are other bite scans and none of them lies on that jaw either."""
    others = {r.file for r in case.of_roles([Role.BITE])} - {record.file}
    met = [link for link in joint.links if link.moving in others and link.fixed == jaw]
    return bool(met) and not any(_is_told(link) for link in met)


_SOURCE = "Our own proposal, above what bite registrations reach: more than 50 µm and 0.1° (doi 10.4041/kjod22.199)."
_RESIDUAL = "Our own proposal: ten times the scatter of a scan; a bite of other teeth does not fit."

RULE = Rule(
    id="bite/scan-disagrees",
    revision=1,
    title="A bite scan disagrees",
    remedy="Let the patient close once more, check that the denture sits and the back teeth meet as they should, and scan "
    "this bite again while the patient stays closed.",
    source="Measured performance of bite registrations; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.BITE}),
    limits=MappingProxyType(
        {
            "shift": Limit(0.15, 0.40, "mm", _SOURCE, Standing.LITERATURE),
            "tilt": Limit(0.2, 0.6, "°", _SOURCE, Standing.LITERATURE),
            "residual": Limit(0.10, 0.25, "mm", _RESIDUAL),
        }
    ),
)
