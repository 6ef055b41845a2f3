"""What rules about scan bodies ask first: which body stands at which site, in which record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from server.measures.bodies import BODIES, BodySeen
from server.measures.reading import READING
from server.measures.sites import SITES, SitesResult
from server.records.case_form import Site
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence, SiteEvidence
from server.rules.finding import Place
from server.rules.wording import site_words


@dataclass(frozen=True)
class BodyAt:
    """A body found in a record and the site it is at, where that could be told."""

    record: RecordEvidence
    number: int
    seen: BodySeen
    site_index: int | None
    site: Site | None

    @property
    def words(self) -> str:
        """“the scan body at site 34”, or where no site could be told, which of the record's bodies it is."""
        if self.site is None or self.site_index is None:
            return f"scan body no. {self.number + 1} of the {self.record.role.words}"
        return f"the scan body at {site_words(self.site_index, self.site)}"

    @property
    def sites(self) -> tuple[int, ...]:
        return () if self.site_index is None else (self.site_index,)

    @property
    def place(self) -> Place:
        """The middle of the body, in its record's frame."""
        seat, axis = self.seen.seat_mm, self.seen.axis
        return Place(
            record=self.record.file,
            point_mm=(seat[0] + 2.0 * axis[0], seat[1] + 2.0 * axis[1], seat[2] + 2.0 * axis[2]),
        )


def is_table(record: RecordEvidence) -> bool:
    """Whether the record is a list of positions, in which no surface of a body is to be seen."""
    read = record.measurements.get(READING.name)
    return read is not None and str((read.result or {}).get("format") or "").startswith("table-")


def jaw_of(case: CaseEvidence) -> RecordEvidence:
    """The jaw scan. Raises Lacking where there is none."""
    jaws = case.of_roles([Role.JAW])
    if not jaws:
        raise Lacking("there is no jaw scan with scan bodies")
    return jaws[0]


def sites_of(case: CaseEvidence) -> SitesResult:
    """Which body is which site. Raises Lacking where nothing was found out."""
    jaw_of(case)
    return case.result(SITES)


def bodies_in(record: RecordEvidence, case: CaseEvidence) -> Iterator[BodyAt]:
    """Every body found in a record, with its site where that could be told. Raises Lacking where none were looked for."""
    found = record.result(BODIES)
    told = _told(record, case)
    for number, seen in enumerate(found.bodies):
        index = told.site_of(number) if told else None
        yield BodyAt(record, number, seen, index, case.form.sites[index] if index is not None else None)


def _told(record: RecordEvidence, case: CaseEvidence) -> SitesResult | None:
    """Which body of this record is which site; None where that was not told."""
    sites = case.result_or_none(SITES)
    return sites if sites is not None and sites.record == record.file else None


def body_at(at: SiteEvidence, case: CaseEvidence) -> BodyAt:
    """The body at a site in the jaw scan. Raises Lacking, naming the rule that says why, where there is none."""
    sites = sites_of(case)
    if sites.untold:
        raise Lacking(
            f"which body is which site could not be told: {sites.untold}", because=sites.untold_because
        )
    for body in bodies_in(jaw_of(case), case):
        if body.site_index == at.index:
            return body
    raise Lacking(f"no body was found at {site_words(at.index, at.site)}", because="bodies/count")
