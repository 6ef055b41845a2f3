from __future__ import annotations

import re

import pytest
from lxml import etree

from server.explain.drawing import Words
from server.explain.figures import (
    OF_BODIES,
    OF_POSITIONS,
    POSITIONS_NAME,
    Figures,
    drawing_of,
    figure_of,
    figures_of,
    picture_of,
    png_of,
    svg_of,
)
from server.rules.catalogue import RULES
from server.rules.finding import Finding, Place
from server.rules.limit import Level, Outcome
from tests.rules.good_set import GOOD_FORM, case
from tests.rules.positions import positions
from tests.rules.standing import SEATS, standing, unmeasured


def finding(rule: str, record: str = "jaw.stl", outcome: Outcome = Outcome.FAILED, **more: object) -> Finding:
    return Finding.model_validate(
        {"rule": rule, "revision": 1, "outcome": outcome, "level": Level.LOOK, "records": (record,), **more}
    )


def hostile(code: str) -> dict[str, object]:
    first, *rest = GOOD_FORM["sites"]
    return {"sites": [{**first, "tooth": code}, *rest]}


def test_there_is_a_figure_of_each_body_of_each_record_and_one_of_the_positions() -> None:
    figures = figures_of(positions())
    assert [f.name for f in figures.coverage] == [
        f"coverage-{role}-{code}" for role in ("jaw", "markers") for code in ("36", "33", "43", "46")
    ]
    assert figures.positions is not None
    assert [f.name for f in figures][-1] == POSITIONS_NAME
    assert figures.named("coverage-jaw-43") is figures.coverage[2]
    assert figures.named("nothing") is None


def test_a_body_of_the_positions_is_at_the_site_of_the_body_it_goes_with() -> None:
    figures = figures_of(positions(is_ambiguous=True))
    assert [f.name for f in figures.coverage][4:] == [f"coverage-markers-body-{k}" for k in (1, 2, 3, 4)]


def test_where_nothing_was_measured_there_is_no_figure() -> None:
    assert figures_of(case()) == Figures()
    assert figures_of(unmeasured()) == Figures()


@pytest.mark.parametrize("code", ["../../etc/passwd", "<b>3</b>", "", "\u4e00", "33"])
def test_names_are_fit_for_files_and_no_two_alike_whatever_the_tooth_code(code: str) -> None:
    names = [f.name for f in figures_of(standing(**hostile(code))).coverage]
    assert len(set(names)) == 4
    assert all(re.fullmatch(r"[a-zA-Z0-9-]{1,60}", name) for name in names)


def test_hostile_codes_and_file_names_stay_words_in_the_drawn_figures() -> None:
    code = '"><script>x</script>'
    figures = figures_of(positions(form=hostile(code)))
    for figure in figures:
        root = etree.fromstring(svg_of(figure).encode())
        assert not [
            e for e in root.iter() if etree.QName(e).localname not in {"svg", "g", "path", "circle", "text"}
        ]
    assert figures.positions is not None
    assert code[:5] in "".join(m.text for m in drawing_of(figures.positions).marks if isinstance(m, Words))


def test_every_figure_is_drawn_the_same_each_time_in_both_forms() -> None:
    for figure in figures_of(positions()):
        drawing_of.cache_clear()
        once = svg_of.__wrapped__(figure), png_of(figure)
        drawing_of.cache_clear()
        assert (svg_of.__wrapped__(figure), png_of(figure)) == once


def test_a_finding_at_a_site_is_shown_by_its_bodys_figure() -> None:
    figures = figures_of(positions())
    shown = figure_of(finding("bodies/coverage", sites=("43",), site_index=(2,)), figures)
    assert shown is figures.coverage[2]
    of_mesh = finding("bodies/fit", "markers.stl", sites=("43",), site_index=(2,))
    assert picture_of(of_mesh, figures) == "coverage-markers-43.png"


def test_a_finding_without_a_site_is_shown_by_the_body_at_its_place() -> None:
    figures = figures_of(standing(told={"sites": ()}))
    x, y, z = SEATS[3]
    near = finding("bodies/coverage", where=(Place(record="jaw.stl", point_mm=(x, y, z + 2.0)),))
    shown = figure_of(near, figures)
    assert shown is not None
    assert shown.name == "coverage-jaw-body-4"
    far = finding("bodies/coverage", where=(Place(record="jaw.stl", point_mm=(x, y, z + 30.0)),))
    assert figure_of(far, figures) is None


def test_findings_about_positions_are_shown_by_the_residual_figure() -> None:
    figures = figures_of(positions())
    assert all(picture_of(finding(rule), figures) == f"{POSITIONS_NAME}.png" for rule in OF_POSITIONS)


def test_answers_that_found_nothing_have_no_picture() -> None:
    figures = figures_of(positions())
    assert picture_of(finding("markers/fit", outcome=Outcome.PASSED), figures) is None
    assert picture_of(finding("surface/rough"), figures) is None


def test_rules_with_pictures_are_in_the_catalogue() -> None:
    assert {rule.id for rule in RULES} >= OF_BODIES | OF_POSITIONS


def test_figures_survive_json() -> None:
    figures = figures_of(positions())
    assert Figures.model_validate_json(figures.model_dump_json()) == figures
