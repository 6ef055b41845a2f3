"""The measured numbers as a report shows them, and what no number covers."""

from __future__ import annotations

from typing import Any

from server.measures.bite_contact import BITE_CONTACT
from server.measures.bodies import BODIES, BodiesResult
from server.measures.height import HEIGHT
from server.measures.impression import IMPRESSION
from server.measures.markers import MARKERS
from server.measures.measure import Measurement, Status
from server.measures.sites import SITES, SitesResult
from server.measures.space import SPACE
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence

BODIES_UNSEEN = "where each scan body sits and how well it was caught"
BITE_UNSEEN = "how the jaws bite"
POSITIONS_UNSEEN = "the implant positions against the jaw scan"
ROOM_UNSEEN = "the room for the bridge"
HEIGHT_UNSEEN = "the bite height on surfaces"
IMPRESSION_UNSEEN = "the fit of the denture's impression side"


def not_measured(case: CaseEvidence) -> tuple[str, ...]:
    """What nothing was measured of in this case: said in every report, so that clear is never read as more than it is."""
    jaws = [record for record in case.of_roles([Role.JAW]) if _result(record.measurements.get(BODIES.name))]
    unseen = [] if jaws else [BODIES_UNSEEN]
    if not _result(case.measurements.get(MARKERS.name)):
        unseen.append(POSITIONS_UNSEEN)
    if not _result(case.measurements.get(BITE_CONTACT.name)):
        unseen.append(BITE_UNSEEN)
    space = case.result_or_none(SPACE)
    if space is None or not any(s.opposing_mm or s.thickness_mm for s in space.sites):
        unseen.append(ROOM_UNSEEN)
    height = case.result_or_none(HEIGHT)
    if height is None or height.incisors is None:
        unseen.append(HEIGHT_UNSEEN)
    if not _result(case.measurements.get(IMPRESSION.name)):
        unseen.append(IMPRESSION_UNSEEN)
    return tuple(unseen)


def measures_of(case: CaseEvidence) -> dict[str, Any]:
    """The measured numbers by measure: for measures of one record a list with the record named in each entry. `bodies`:
    every scan body found, with the site it stands at; `markers`: the implant positions against the jaw scan, by site."""
    shown: dict[str, Any] = {}
    for record in case.records:
        for name, made in record.measurements.items():
            shown.setdefault(name, []).append(_entry(record, made.result, made.status.value))
    for name, made in case.measurements.items():
        shown[name] = {"status": made.status.value, **_numbers(made.result or {})}
    shown["bodies"] = bodies_of(case)
    shown["markers"] = positions_of(case)
    return shown


def bodies_of(case: CaseEvidence) -> list[dict[str, Any]]:
    """One entry per scan body found, the sites in the form's order; in its record's file frame, mm."""
    told = case.result_or_none(SITES)
    entries = [
        entry
        for record in case.of_roles([Role.JAW, Role.MARKERS])
        for entry in _bodies_in(record, told if told and told.record == record.file else None, case)
    ]
    return sorted(entries, key=lambda e: (e["role"], e["site_index"] is None, e["site_index"] or 0))


def positions_of(case: CaseEvidence) -> dict[str, Any]:
    """How positions and jaw scan compare: dictionaries keyed by site index as text, for the sites that could be told.
    T_jaw_markers maps the positions' file frame to the jaw's, mm. Empty where they were not compared."""
    told = case.result_or_none(MARKERS)
    if told is None or not told.fits:
        return {}
    sites = case.result_or_none(SITES)
    site_of = sites.site_of if sites else lambda _number: None
    pairs = [(site_of(pair.body), pair) for pair in told.pairs]
    known = [(str(site), pair) for site, pair in pairs if site is not None]
    return {
        "T_jaw_markers": told.T_jaw_markers,
        "residual_mm": {site: pair.residual_mm for site, pair in known},
        "u95_mm": {site: pair.u95_mm for site, pair in known},
        "leave_one_out_mm": {site: pair.left_out_mm for site, pair in known},
        "axis_deg": {site: pair.axis_deg for site, pair in known},
        "pair_mm": [[site_of(d.bodies[0]), site_of(d.bodies[1]), d.off_mm] for d in told.distances],
        "scale_ratio": told.scale_ratio,
        "rms_mm": told.rms_mm,
    }


def _bodies_in(record: RecordEvidence, told: SitesResult | None, case: CaseEvidence) -> list[dict[str, Any]]:
    found = _result(record.measurements.get(BODIES.name))
    if not found:
        return []
    made = []
    for number, seen in enumerate(BodiesResult.model_validate(found).bodies):
        index = told.site_of(number) if told else None
        made.append(
            {
                "site_index": index,
                "tooth": case.form.sites[index].tooth if index is not None else None,
                "role": record.role.value,
                "record": record.file,
                **seen.model_dump(mode="json", exclude={"kinds", "openings"}),
            }
        )
    return made


def _result(made: Measurement | None) -> dict[str, Any] | None:
    return made.result if made is not None and made.status is Status.MEASURED else None


def _entry(record: RecordEvidence, result: dict[str, Any] | None, status: str) -> dict[str, Any]:
    return {"record": record.file, "role": record.role.value, "status": status, **_numbers(result or {})}


def _numbers(result: dict[str, Any]) -> dict[str, Any]:
    """A result without what is packed in it; what a person should see of that is in the figures."""
    return {k: _numbers(v) if isinstance(v, dict) else v for k, v in result.items() if not k.endswith("_b64")}
