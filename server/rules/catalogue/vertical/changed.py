"""The bite height is not what was planned.

Why: the bridge will be built at the height the records show; too high strains the jaw, too low lets the
lips fall in.
How: seated less reference less planned change between two skin marks, + where the bite was opened. The
uncertainty is 1.0 mm where the readings were not repeated, else it follows from the repeats
(server/records/vertical_marks.py).
Not seen: marks on skin that moved with the lip; the change between the teeth themselves, which takes
surfaces.
Source: as little change as possible, up to 5 mm can be justified when planned: Abduo & Lyons 2012.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.case_form import Vertical
from server.records.vertical_marks import height_change
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit, Sense
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    change = height_change(case.form.vertical or Vertical())
    if change is None:
        raise Lacking("the readings of the skin marks are not both there", because="vertical/missing")
    opened = change.change_mm >= 0.0
    words = "higher" if opened else "lower"
    says = f"The bite is {abs(change.change_mm):.1f} mm {words} than planned, by the skin marks."
    yield Observation(says, value=change.change_mm, u95=change.u95_mm, limit="opened" if opened else "closed")


_SOURCE = "Our own proposal; up to 5 mm has been justified when planned (Abduo & Lyons 2012)."

RULE = Rule(
    id="vertical/changed",
    revision=1,
    title="The bite height is not what was planned",
    remedy="Seat the denture fully, let the patient close lightly and read the marks again; if the height is "
    "really off, adjust the denture before scanning it, or write the change down as planned.",
    source="Common practice; reference in the rule's text.",
    of_case=_observe,
    limits=MappingProxyType(
        {
            "opened": Limit(1.5, 2.0, "mm", _SOURCE),
            "closed": Limit(-1.5, -2.0, "mm", _SOURCE, sense=Sense.LOWER),
        }
    ),
)
