"""The scan body at a site is not meant for the connection or the abutment angle that the form states.

Why: a scan body tells the place of the part it belongs to; on another part the design is off by the height
or turn between the two, and nothing in the scan shows it.
How: for each loaded site, the case's connection and the site's abutment angle against what the body
catalogue allows for that body. What the catalogue leaves open is allowed.
Not seen: a body that is not in the catalogue (bodies/not-in-catalogue), and what is really in the mouth.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.bodies import BodyEntry
from server.rules.evidence import CaseEvidence, Lacking, SiteEvidence
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed, site_words


def _observe(at: SiteEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if not at.site.loaded:
        yield DoesNotApply("A covered implant carries no scan body.")
        return
    body = case.bodies.get(at.site.scan_body or "")
    if body is None:
        raise Lacking("no body of that name is in the body catalogue at hand")
    against = [*_connection(body, case), *_angle(body, at)]
    where = site_words(at.index, at.site)
    says = (
        f"{body.id} at {where} is listed for {listed(against)}." if against else f"{body.id} suits {where}."
    )
    yield Observation(says, broken=bool(against))


def _connection(body: BodyEntry, case: CaseEvidence) -> Iterator[str]:
    asked = case.form.connection
    if asked is not None and body.connections is not None and asked not in body.connections:
        yield f"{listed([c.value for c in body.connections], 'or')}, not for {asked.value}"


def _angle(body: BodyEntry, at: SiteEvidence) -> Iterator[str]:
    asked = at.site.abutment_angle_deg
    if asked is not None and body.abutment_angles_deg is not None and asked not in body.abutment_angles_deg:
        allowed = [f"{angle_deg:g}°" for angle_deg in body.abutment_angles_deg]
        yield f"{listed(allowed, 'or')}, not for {asked:g}°"


RULE = Rule(
    id="form/connection-unsupported",
    revision=1,
    title="The scan body is not meant for that connection or abutment",
    remedy="Check the scan body, the abutment and its angle at this site; correct the form or the part.",
    source="The lab's body catalogue.",
    of_site=_observe,
)
