"""The clinic has not confirmed what no scan can show.

Why: whether the bite was checked in the mouth, the denture sat fully, the skin marks had not moved and the
bodies were torqued is known only at the chair.
How: the confirmations that apply to this case (the denture's seat where there is a denture scan, the marks
where there are marks, the torque where a site carries a body) against what is ticked.
Not seen: whether what was confirmed is so.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.case_form import Attested, CaseForm
from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import listed


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    open_ = _open_confirmations(case.form)
    says = f"Not confirmed: {listed(open_)}." if open_ else "All confirmations that apply are given."
    yield Observation(says, broken=bool(open_))


def _open_confirmations(form: CaseForm) -> list[str]:
    given = form.attested or Attested()
    roles = {record.role for record in form.records}
    has_marks = form.vertical is not None and form.vertical.seated_mm is not None
    asked = [
        (True, given.bite_checked_in_mouth, "that the bite was checked in the mouth"),
        (Role.DENTURE in roles, given.denture_seat_checked, "that the denture was fully seated"),
        (has_marks, given.marks_unmoved, "that the skin marks had not moved between the readings"),
        (any(s.loaded for s in form.sites), given.bodies_torqued, "that the scan bodies were torqued"),
    ]
    return [words for applies, answer, words in asked if applies and not answer]


RULE = Rule(
    id="form/unattested",
    revision=1,
    title="Something only the chair can know is not confirmed",
    remedy="Look once more, and tick what you have seen yourself.",
    source="Common practice: a scan does not prove any of this.",
    of_case=_observe,
    level=Level.NOTE,
)
