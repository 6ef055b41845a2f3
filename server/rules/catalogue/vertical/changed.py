"""The bite height is not what was planned.

Why: the bridge will be built at the height the records show; too high strains the jaw, too low lets the
lips fall in.
How: by the skin marks, seated less reference less planned change, + where the bite was opened; the uncertainty is 1.0 mm where
the readings were not repeated, else it follows from the repeats (server/records/vertical_marks.py). By surfaces, where a scan
from before tells how the other jaw stood then: how far it now stands off that at the incisors, less the planned change. Where
both are known they are held against each other.
Not seen: marks on skin that moved with the lip; a patient who did not close fully, then or now. A scan from before that shows
the working jaw alone says nothing of the height.
Source: as little change as possible, up to 5 mm can be justified when planned: Abduo & Lyons 2012.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.height import HEIGHT, ChangeAt, HeightResult
from server.records.case_form import Vertical
from server.records.roles import Role
from server.records.vertical_marks import HeightChange, height_change
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit, Sense
from server.rules.rule import NotSeen, Observation, Rule, Seen

OPENED, CLOSED, APART = "opened", "closed", "apart"


def _observe(case: CaseEvidence) -> Iterator[Seen]:
    marks = case.form.vertical or Vertical()
    change = height_change(marks)
    if change is None:
        yield NotSeen("the readings of the skin marks are not both there", because="vertical/missing")
    else:
        yield _judged(change.change_mm, change.u95_mm, "than planned, by the skin marks.")
    if not case.of_roles([Role.BEFORE]):
        return
    try:
        height = case.result(HEIGHT)
    except Lacking as lacking:
        if lacking.crashed:
            raise
        yield NotSeen(f"by surfaces: {lacking.says}", because=lacking.because)
        return
    yield from _by_surfaces(height, marks.planned_change_mm, change)


def _by_surfaces(height: HeightResult, planned_mm: float, marks: HeightChange | None) -> Iterator[Seen]:
    if height.missing is not None or height.incisors is None:
        missing = height.missing
        says = missing.says if missing else "the scan from before does not show the height"
        yield NotSeen(f"by surfaces: {says}", because=missing.because if missing else None)
        return
    files = (*height.before, *([height.opposing] if height.opposing else []))
    value, u95 = height.incisors.change_mm - planned_mm, height.incisors.u95_mm
    yield _judged(
        value, u95, f"than planned at the incisors, by the scans from before{_behind(height)}.", files
    )
    if marks is not None:
        apart = abs(value - marks.change_mm)
        yield Observation(
            f"Skin marks and scans from before differ by {apart:.1f} mm in what they say of the height.",
            value=apart,
            u95=(u95**2 + marks.u95_mm**2) ** 0.5,
            limit=APART,
            other_records=files,
        )


def _judged(value: float, u95: float, how: str, files: tuple[str, ...] = ()) -> Observation:
    opened = value >= 0.0
    says = f"The bite is {abs(value):.1f} mm {'higher' if opened else 'lower'} {how}"
    return Observation(says, value=value, u95=u95, limit=OPENED if opened else CLOSED, other_records=files)


def _behind(height: HeightResult) -> str:
    """What the molars say, in words."""
    if height.molars_left is None or height.molars_right is None:
        return ""
    return f" (in all {_signed(height.molars_left)} at the left molars, {_signed(height.molars_right)} at the right)"


def _signed(change: ChangeAt) -> str:
    return f"{change.change_mm:+.1f} mm"


_SOURCE = "Our own proposal; up to 5 mm has been justified when planned (Abduo & Lyons 2012)."

RULE = Rule(
    id="vertical/changed",
    revision=2,
    title="The bite height is not what was planned",
    remedy="Seat the denture fully, let the patient close lightly and read the marks again; if the height is "
    "really off, adjust the denture before scanning it, or write the change down as planned.",
    source="Common practice; reference in the rule's text.",
    of_case=_observe,
    limits=MappingProxyType(
        {
            OPENED: Limit(1.5, 2.0, "mm", _SOURCE),
            CLOSED: Limit(-1.5, -2.0, "mm", _SOURCE, sense=Sense.LOWER),
            APART: Limit.look_only(1.5, "mm", "Our own proposal: beyond what readings on skin may be off."),
        }
    ),
)
