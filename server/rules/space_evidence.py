"""What rules about the room for the bridge ask first: what was measured at a site, and why not where it was not."""

from __future__ import annotations

from server.measures.against import Missing
from server.measures.space import SPACE, SiteRoom, SpaceResult
from server.rules.body_evidence import body_at
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.finding import Place, Point
from server.rules.rule import DoesNotApply
from server.rules.wording import site_words

COVERED = DoesNotApply("The implant heals covered and carries nothing yet.")


def space_of(case: CaseEvidence) -> SpaceResult:
    """What was measured. Raises Lacking where nothing could be."""
    if SPACE.name not in case.measurements:
        raise Lacking("there is no scan to measure on")
    return case.result(SPACE)


def room_at(at: SiteEvidence, case: CaseEvidence) -> SiteRoom:
    """The room at a site. Raises Lacking, naming the rule that says why, where its position is not known."""
    space = space_of(case)
    lack(space.positions_missing)
    room = space.of(at.index)
    if room is None:
        body_at(at, case)
        raise Lacking(f"the position at {site_words(at.index, at.site)} is not known")
    return room


def lack(missing: Missing | None) -> None:
    """Raises Lacking with the words where something is missing."""
    if missing is not None:
        raise Lacking(missing.says, because=missing.because)


def place(record: str | None, point: Point | None) -> tuple[Place, ...]:
    return (Place(record=record, point_mm=point),) if record is not None and point is not None else ()


def other_files(*files: str | None) -> tuple[str, ...]:
    return tuple(file for file in files if file is not None)
