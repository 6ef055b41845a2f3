"""The few numbers of a record: those of its role first, and none that a report does not hold."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import BaseModel

from server.inspection.report import Report
from server.measures.bite_contact import BITE_CONTACT, RegionSeen
from server.measures.bite_relation import BITE_RELATION, BiteSeen
from server.measures.graph import CASE_MEASURES, RECORD_MEASURES
from server.measures.impression import IMPRESSION
from server.measures.markers import MARKERS, PairSeen
from server.measures.shell import Opening
from server.measures.walls import WALLS, SiteWall
from server.records.roles import Role
from server.web.pages.chair.numbers import FEW, all_numbers, few_numbers
from tests.web.invented import form, report

MADE = {"status": "measured"}
SHELL = {"record": "denture.stl", "role": "denture", "status": "measured"}


def reported(**measures: Any) -> Report:
    named = {name.replace("__", "."): made for name, made in measures.items()}
    return report().model_copy(update={"measures": named})


def words(file_name: str, role: Role, found: Report) -> list[tuple[str, str]]:
    return [(number.label, number.words) for number in all_numbers(file_name, role, form(), found)]


def body(tooth: str, ratio: float) -> dict[str, Any]:
    return {"record": "jaw.stl", "role": "jaw", "tooth": tooth, "coverage_ratio": ratio}


def test_a_jaw_tells_its_scan_bodies_and_the_worst_of_them() -> None:
    found = reported(
        bodies=[body("34", 0.98), body("32", 0.613), {**body("44", 0.1), "record": "markers.stl"}]
    )
    assert words("jaw.stl", Role.JAW, found) == [
        ("Scan bodies", "2 of 4"),
        ("Least of one caught", "61 % at 32"),
    ]


def test_positions_tell_how_many_they_are_and_how_far_the_furthest_lies() -> None:
    made = MADE | {
        "record": "markers.csv",
        "markers": [{}, {}, {}],
        "pairs": [{"residual_mm": 0.02}, {"residual_mm": 0.118}],
    }
    found = reported(markers__against_jaw=made)
    assert words("markers.csv", Role.MARKERS, found) == [
        ("Positions", "3 of 4"),
        ("Furthest from the jaw scan’s", "0.12 mm"),
    ]
    assert words("other.csv", Role.MARKERS, found) == []


def test_a_bite_tells_how_it_lies_on_each_jaw_it_could_be_laid_on() -> None:
    made = MADE | {
        "working_role": "denture",
        "bites": [
            {"file": "left.stl", "working_residual_mm": 0.0161, "opposing_residual_mm": None},
            {"file": "right.stl", "working_residual_mm": 0.3, "opposing_residual_mm": 0.4},
        ],
    }
    found = reported(bite__relation=made)
    assert words("left.stl", Role.BITE, found) == [("Scatter on the denture scan", "0.016 mm")]


def test_a_denture_tells_whether_it_is_whole_how_it_fits_and_where_it_is_thin() -> None:
    fit = MADE | {"denture": "denture.stl", "p95_mm": 0.194}
    walls = MADE | {
        "denture": "denture.stl",
        "sites": [{"wall_mm": None}, {"wall_mm": 2.79}, {"wall_mm": 1.44}],
    }
    open_shell = SHELL | {"is_closed": False, "openings": [{"diameter_mm": 2.2}, {"diameter_mm": 4.04}]}
    found = reported(surface__shell=[open_shell], denture__impression=fit, denture__walls=walls)
    assert words("denture.stl", Role.DENTURE, found) == [
        ("Largest opening", "4.0 mm"),
        ("On the tissue, 95 % within", "0.19 mm"),
        ("Thinnest wall at an implant", "1.4 mm"),
    ]
    whole = reported(surface__shell=[SHELL | {"is_closed": True, "openings": []}])
    assert words("denture.stl", Role.DENTURE, whole) == [("All round", "closed")]


def test_an_opposing_jaw_tells_how_far_it_touches() -> None:
    made = MADE | {"opposing": "opposing.stl", "regions": [{"contact_mm2": 31.0}, {"contact_mm2": 12.4}]}
    found = reported(bite__contact=made)
    assert words("opposing.stl", Role.OPPOSING, found) == [("Contact, bite closed", "43 mm²")]


def test_what_any_scan_has_comes_after_and_few_are_four() -> None:
    found = reported(
        bodies=[body("34", 0.98)],
        surface__texture=[{"record": "jaw.stl", "spacing_median_mm": 0.329, "scatter_mm": 0.0133}],
        file__extent=[{"record": "jaw.stl", "span_mm": 68.4}],
        file__reading=[{"record": "jaw.stl", "n_facets_stored": 68018, "n_rows": 0}],
    )
    labels = [number.label for number in few_numbers("jaw.stl", Role.JAW, form(), found)]
    assert labels == ["Scan bodies", "Least of one caught", "Point spacing", "Scatter"]
    assert len(labels) == FEW
    assert words("jaw.stl", Role.JAW, found)[-1] == ("Triangles", "68 018")


@pytest.mark.parametrize("role", list(Role))
def test_a_report_that_lacks_them_is_no_fault(role: Role) -> None:
    bare = reported(
        bodies=[{"record": "x.stl"}],
        markers__against_jaw=MADE | {"record": "x.stl"},
        bite__relation=MADE | {"working_role": "jaw", "bites": [{"file": "x.stl"}]},
        bite__contact=MADE | {"opposing": "x.stl", "regions": [{}]},
        denture__walls=MADE | {"denture": "x.stl", "sites": [{}]},
        denture__impression={"status": "not_measured", "denture": "x.stl"},
        surface__shell=[{"record": "x.stl", "openings": [{}]}],
    )
    assert len(all_numbers("x.stl", role, form(), bare)) <= 1
    assert all_numbers("x.stl", role, form(), None) == ()


def test_every_number_shown_is_one_that_a_measure_gives() -> None:
    by_name: dict[str, type[BaseModel]] = {m.name: m.result for m in (*RECORD_MEASURES, *CASE_MEASURES)}
    for name, fields in {
        "surface.texture": {"spacing_median_mm", "scatter_mm"},
        "file.extent": {"span_mm"},
        "file.reading": {"n_rows", "n_facets_stored"},
        "surface.shell": {"is_closed", "openings"},
        MARKERS.name: {"record", "markers", "pairs"},
        BITE_RELATION.name: {"working_role", "bites"},
        BITE_CONTACT.name: {"opposing", "regions"},
        IMPRESSION.name: {"denture", "p95_mm"},
        WALLS.name: {"denture", "sites"},
    }.items():
        assert fields <= set(by_name[name].model_fields), name
    assert "residual_mm" in PairSeen.model_fields
    assert {"file", "working_residual_mm", "opposing_residual_mm"} <= set(BiteSeen.model_fields)
    assert "contact_mm2" in RegionSeen.model_fields
    assert "wall_mm" in SiteWall.model_fields
    assert "diameter_mm" in Opening.model_fields
