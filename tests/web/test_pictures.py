"""The evidence figures on the pages of clinic and lab."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from lxml import html as parser

from server.cases.tables import CaseState, Measuring
from server.inspection.inspect import judge_case
from server.inspection.report import Report
from server.web.pages.chair.build import Judged, Sending, chair_page
from server.web.pages.parts import Room
from server.web.pages.pictures import Pictures, evidence_of, picture_href
from server.web.pages.review.build import review_page
from server.web.rendering import html
from tests.rules.positions import pair, positions
from tests.rules.standing import seen, standing
from tests.web.invented import NOW, frame, full_records, full_report, view

UTC = ZoneInfo("UTC")
HOSTILE = '"><script>alert(1)</script>'


def half_caught() -> Report:
    return judge_case(
        standing(seen(0), seen(1, coverage_ratio=0.4, by_eighth=(0.05,) + (0.5,) * 7), seen(2), seen(3))
    )


def one_off(**form: object) -> Report:
    pairs = tuple(pair(k, off_mm=0.3 if k == 2 else 0.0, residual_mm=0.2) for k in range(4))
    return judge_case(positions(account="one site off", named=(2,), pairs=pairs, form=form))


def chair(report: Report) -> parser.HtmlElement:
    done = [r for r in full_records() if r.measuring is Measuring.MEASURED]
    page = chair_page(frame(), view(CaseState.COLLECTING, *done), Judged(report, {}, {}), Sending(1, 2), UTC)
    return parser.document_fromstring(html(page))


def review(report: Report | None) -> parser.HtmlElement:
    done = [r for r in full_records() if r.measuring is Measuring.MEASURED]
    shown = view(CaseState.WITH_LAB, *done)
    page = review_page(frame(Room.DESK), shown, Judged(report, {}, {}), NOW, UTC)
    return parser.document_fromstring(html(page))


def test_a_reason_carries_the_picture_of_its_body_once_and_the_next_leads_there() -> None:
    report = half_caught()
    found = [f for f in report.findings if f.rule == "bodies/coverage" and f.picture]
    assert len(found) == 2
    pictures = Pictures(report)
    first, second = pictures.of(found[0]), pictures.of(found[1])
    assert first is not None
    assert second is not None
    assert (first.id, bool(first.svg), bool(second.svg)) == ("picture-coverage-jaw-33", True, False)
    page = chair(report)
    assert len(page.xpath('//figure[@id="picture-coverage-jaw-33"]/svg')) == 1
    assert page.xpath('//article//a[@href="#picture-coverage-jaw-33"]')


def test_the_clinic_sees_no_picture_where_nothing_was_found() -> None:
    assert chair(judge_case(positions())).xpath('//figure[@class="picture"]') == []


def test_the_lab_sees_every_body_and_the_positions_and_is_led_there_from_the_finding() -> None:
    page = review(one_off())
    ids = page.xpath('//section[@id="evidence"]//figure/@id')
    assert ids[0] == "picture-positions-against-jaw"
    assert len(ids) == 9
    assert page.xpath('//table//a[@href="#picture-positions-against-jaw"]')


def test_bodies_of_a_record_lie_open_where_a_finding_rests_on_one() -> None:
    assert [s.is_open for s in evidence_of(half_caught()).sets] == [True]
    assert [s.is_open for s in evidence_of(one_off()).sets] == [False, False]


def test_a_report_without_figures_says_so() -> None:
    section = review(full_report()).xpath('//section[@id="evidence"]')[0].text_content()
    assert "no scan body has been found" in section
    assert "come with the verdict" not in section
    assert evidence_of(None).sets == ()
    assert picture_href(full_report().findings[0], None) == ""


def test_what_people_wrote_stays_words_in_the_pictures() -> None:
    sites = [{"tooth": HOSTILE, "seat_confirmed": "radiograph"}] * 4
    for page in (review(one_off(sites=sites)), chair(one_off(sites=sites))):
        assert "alert(1)" not in [s.text for s in page.iter("script")]
        assert page.xpath("//figure//script") == []


def test_nothing_in_a_picture_needs_inline_style_or_script() -> None:
    for element in review(one_off()).xpath('//figure[@class="picture"]//*'):
        assert not {"style", "onload", "href", "id"} & set(element.attrib)


def test_every_picture_says_in_words_what_it_shows() -> None:
    for drawing in review(one_off()).xpath('//figure[@class="picture"]/svg'):
        assert drawing.get("role") == "img"
        assert len(drawing.get("aria-label")) > 60
