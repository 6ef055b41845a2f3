"""What a report says of places, read into the joint frame: by file, where each record stands, and the mouth's directions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from server.explain.figures import Figures
from server.inspection.report import Report, case_measure
from server.measures.bite_contact import BITE_CONTACT
from server.measures.bite_relation import BITE_RELATION, BiteRelationResult
from server.measures.frames import JOINT, JointResult
from server.measures.markers import MARKERS, MarkersResult
from server.measures.measure import CaseMeasure, Result
from server.measures.mouth import MOUTH, MouthResult
from server.metrology.rigid import apply, turn
from server.web.pages.review.plate import Rows, Triple

Floats = NDArray[np.float64]
R = TypeVar("R", bound=Result)


@dataclass(frozen=True)
class InSpace:
    """motions: T_joint_record (4, 4) by file, of the records that have a place; why_not: of the others, in words. Where no
    records were laid together, the joint frame is the first one's that shows the working jaw, or nobody's."""

    report: Report | None
    motions: dict[str, Floats]
    why_not: dict[str, str]
    root: str

    @property
    def figures(self) -> Figures:
        return self.report.figures if self.report else Figures()

    def place(self, file: str, point_mm: Triple) -> Triple:
        """A place of a record in the joint frame; as it is where the record has none in it."""
        return (
            triple(apply(self.motions[file], np.array([point_mm]))[0]) if file in self.motions else point_mm
        )

    def direction(self, file: str, direction: Triple) -> Triple:
        return (
            triple(turn(self.motions[file], np.array([direction]))[0]) if file in self.motions else direction
        )

    def told(self, measure: CaseMeasure[R]) -> R | None:
        """What was measured over the records together; None where it was not."""
        made = case_measure(self.report, measure.name)
        return measure.result.model_validate(made) if made is not None else None

    @property
    def mouth(self) -> MouthResult | None:
        return self.told(MOUTH)

    @property
    def relation(self) -> BiteRelationResult | None:
        return self.told(BITE_RELATION)

    @property
    def contact(self) -> dict[str, Any] | None:
        """The bite's numbers as the report has them, without its plans, which stand in the figures."""
        return case_measure(self.report, BITE_CONTACT.name)


def in_space(report: Report | None) -> InSpace:
    """The places in a report. Implant positions are in the joint frame by way of the jaw scan that they were laid on."""
    made = case_measure(report, JOINT.name)
    if made is None:
        return InSpace(report, {}, {}, "")
    joint = JointResult.model_validate(made)
    motions = {p.file: p.motion for p in joint.records if p.T_root_record}
    why_not = {p.file: p.says for p in joint.records if not p.T_root_record}
    markers = case_measure(report, MARKERS.name)
    if markers is not None:
        told = MarkersResult.model_validate(markers)
        if told.fits and told.jaw in motions:
            motions[told.record] = motions[told.jaw] @ np.array(told.T_jaw_markers)
    return InSpace(report, motions, why_not, joint.root)


def triple(vector: Floats) -> Triple:
    x, y, z = (round(float(v), 6) for v in vector)
    return x, y, z


def rows(T: Floats) -> Rows:
    """(4, 4) as 16 numbers, row by row."""
    return tuple(float(v) for v in T.ravel())
