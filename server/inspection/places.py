"""Pictures of the places that findings point at, drawn for a set of files: from previews that a measuring child makes, each once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from server.explain.drawing import Drawing
from server.explain.png import png
from server.explain.surface_picture import place_drawing
from server.explain.svg import svg
from server.inspection.child import ChildLost
from server.inspection.drawn import DRAWN_ROLES, drawn
from server.inspection.measuring import RecordFile
from server.inspection.report import Report
from server.metrology.preview.decoding import NotAPreview, scan_of
from server.metrology.scan import Scan
from server.rules.finding import Finding
from server.rules.limit import Level


class Places:
    """The places of a record set. run: how a function is run by a measuring child."""

    def __init__(self, records: Iterable[RecordFile], run: Callable[..., Any]) -> None:
        self._records = {r.entry.file: r for r in records if r.entry.role in DRAWN_ROLES}
        self._run = run
        self._surfaces: dict[str, Scan | None] = {}

    def drawing(self, finding: Finding) -> Drawing | None:
        """The record of a finding's first place with all places in it ringed, and the first close up; None where it names none,
        or its record shows no surface."""
        file = finding.where[0].record if finding.where else ""
        surface = self._surface(file)
        return drawing_on(surface, finding) if surface is not None else None

    def svg(self, finding: Finding) -> str:
        """The same as SVG; empty where there is none."""
        drawing = self.drawing(finding)
        return svg(drawing) if drawing is not None else ""

    def _surface(self, file: str) -> Scan | None:
        if file in self._records and file not in self._surfaces:
            try:
                self._surfaces[file] = scan_of(self._run(drawn, self._records[file]))
            except (ChildLost, NotAPreview):
                self._surfaces[file] = None
        return self._surfaces.get(file)


def drawing_on(surface: Scan, finding: Finding) -> Drawing:
    """The surface of the record in which a finding's first place lies, all its places there ringed, and the first close up."""
    places = [np.array(p.point_mm) for p in finding.where if p.record == finding.where[0].record]
    return place_drawing(surface.vertices, surface.faces, places, finding.says)


def write_places(report: Report, places: Places, folder: Path) -> Report:
    """Writes the places of all findings at look or return that have no picture yet, as PNG into a folder, which is made. The
    report in which each of those findings names its file."""
    folder.mkdir(parents=True, exist_ok=True)
    findings = []
    for number, finding in enumerate(report.findings):
        is_asked = finding.level in (Level.LOOK, Level.RETURN) and not finding.picture
        drawing = places.drawing(finding) if is_asked else None
        if drawing is not None:
            name = f"place-{number:03d}-{finding.rule.replace('/', '-')}.png"
            (folder / name).write_bytes(png(drawing))
            finding = finding.model_copy(update={"picture": name})
        findings.append(finding)
    return report.model_copy(update={"findings": tuple(findings)})
