"""The few numbers that count of one record: what its role is there to tell, before what any scan has."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

from server.inspection.report import Report, case_measure
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.rules.limit import unit_tail
from server.rules.numbers import figure
from server.web.pages.chair.page import NumberView

FEW = 4
_Entry = Mapping[str, Any]
_OF_ANY_SCAN = (
    ("surface.texture", "spacing_median_mm", "Point spacing", "mm"),
    ("surface.texture", "scatter_mm", "Scatter", "mm"),
    ("file.extent", "span_mm", "Size", "mm"),
    ("file.reading", "n_rows", "Rows", ""),
    ("file.reading", "n_facets_stored", "Triangles", ""),
)


def few_numbers(file_name: str, role: Role, form: CaseForm, report: Report | None) -> tuple[NumberView, ...]:
    """As many as are taken in at a glance, those of the role first."""
    return tuple(islice(all_numbers(file_name, role, form, report), FEW))


def all_numbers(
    file_name: str, role: Role | None, form: CaseForm, report: Report | None
) -> tuple[NumberView, ...]:
    """Every number that is shown of a record, those of its role first; none where nothing is judged."""
    if report is None:
        return ()
    told = _Told(file_name, report, sum(site.loaded for site in form.sites))
    of_role = _BY_ROLE.get(role) if role else None
    return (*(of_role(told) if of_role else ()), *told.of_any_scan())


@dataclass(frozen=True, slots=True)
class _Told:
    """What a report tells of one record. n_loaded: how many implants should show."""

    file_name: str
    report: Report
    n_loaded: int

    def of_any_scan(self) -> Iterator[NumberView]:
        for measure, number, label, unit in _OF_ANY_SCAN:
            value = self._record(measure).get(number)
            if isinstance(value, int | float) and value:
                yield NumberView(label, f"{figure(float(value))}{unit_tail(unit)}")

    def bodies(self) -> Iterator[NumberView]:
        """How many scan bodies are there of those that should be, and how much was caught of the worst."""
        sited = [body for body in self._entries("bodies") if body.get("record") == self.file_name]
        if not sited:
            return
        yield NumberView("Scan bodies", f"{len(sited)} of {self.n_loaded}")
        caught = [(ratio, body.get("tooth")) for body in sited for ratio in _each([body], "coverage_ratio")]
        if caught:
            least, tooth = min(caught, key=lambda c: c[0])
            at = f" at {tooth}" if tooth else ""
            yield NumberView("Least of one caught", f"{100.0 * least:.0f} %{at}")

    def positions(self) -> Iterator[NumberView]:
        """How many positions there are, and how far from the jaw scan's the furthest lies."""
        against = self._case("markers.against_jaw", "record")
        if not against:
            return
        yield NumberView("Positions", f"{len(against.get('markers', ()))} of {self.n_loaded}")
        furthest_mm = furthest_position_mm(against)
        if furthest_mm is not None:
            yield NumberView("Furthest from the jaw scan’s", f"{furthest_mm:.2f} mm")

    def bite(self) -> Iterator[NumberView]:
        """How well a bite scan lies on the two jaws it shows."""
        relation = case_measure(self.report, "bite.relation") or {}
        for bite in relation.get("bites", ()):
            if bite.get("file") != self.file_name:
                continue
            for role, number in (
                (Role(relation["working_role"]), "working_residual_mm"),
                (Role.OPPOSING, "opposing_residual_mm"),
            ):
                for residual_mm in _each([bite], number):
                    yield NumberView(f"Scatter on the {role.words}", f"{residual_mm:.3f} mm")

    def denture(self) -> Iterator[NumberView]:
        """Whether it was scanned all round, how it goes on the tissue, its least wall at an implant."""
        shell = self._record("surface.shell")
        if shell.get("is_closed"):
            yield NumberView("All round", "closed")
        elif widths_mm := _each(shell.get("openings", ()), "diameter_mm"):
            yield NumberView("Largest opening", f"{max(widths_mm):.1f} mm")
        for p95_mm in _each([self._case("denture.impression", "denture")], "p95_mm"):
            yield NumberView("On the tissue, 95 % within", f"{p95_mm:.2f} mm")
        walls_mm = _each(self._case("denture.walls", "denture").get("sites", ()), "wall_mm")
        if walls_mm:
            yield NumberView("Thinnest wall at an implant", f"{min(walls_mm):.1f} mm")

    def opposing(self) -> Iterator[NumberView]:
        """How far it touches the other jaw."""
        touching_mm2 = _each(self._case("bite.contact", "opposing").get("regions", ()), "contact_mm2")
        if touching_mm2:
            yield NumberView("Contact, bite closed", f"{sum(touching_mm2):.0f} mm²")

    def _entries(self, measure: str) -> Iterable[_Entry]:
        made = self.report.measures.get(measure, ())
        return (
            [entry for entry in made if isinstance(entry, Mapping)] if isinstance(made, list | tuple) else ()
        )

    def _record(self, measure: str) -> _Entry:
        """What was measured of the record; nothing where it could not be."""
        return next((e for e in self._entries(measure) if e.get("record") == self.file_name), {})

    def _case(self, measure: str, names: str) -> _Entry:
        """What was measured of the case, where the measure names this record there; nothing where not."""
        made = case_measure(self.report, measure) or {}
        return made if made.get(names) == self.file_name else {}


def furthest_position_mm(against_jaw: _Entry) -> float | None:
    """How far the furthest of the positions lies from the jaw scan's; None where none were paired."""
    return max(_each(against_jaw.get("pairs", ()), "residual_mm"), default=None)


def _each(entries: Iterable[_Entry], number: str) -> list[float]:
    """That number of every entry that has it: a report kept from an earlier version may lack one."""
    return [float(entry[number]) for entry in entries if isinstance(entry.get(number), int | float)]


_BY_ROLE: dict[Role, Callable[[_Told], Iterator[NumberView]]] = {
    Role.JAW: _Told.bodies,
    Role.MARKERS: _Told.positions,
    Role.BITE: _Told.bite,
    Role.DENTURE: _Told.denture,
    Role.OPPOSING: _Told.opposing,
}
