"""The plate on the lab's page in a real browser, over a measured case: every record is drawn, the eye goes where it is told by
pointer, key and button, and nothing is asked of anybody else."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, Page, Route, expect

from tests.browser.conftest import DESK, TABLET, Watched, watch
from tests.browser.measured import MOUTH, LabCase, measured_case, n_surfaces
from tests.browser.seeing import see
from tests.portal.house import LAB, PASSWORD

pytestmark = pytest.mark.browser

DRAWN_MS = 60_000


@pytest.fixture(scope="module")
def lab_case(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LabCase]:
    with measured_case(tmp_path_factory.mktemp("plate")) as case:
        yield case


@pytest.fixture
def plate(browser: Browser, lab_case: LabCase) -> Iterator[Callable[..., Page]]:
    """Opens the lab's page of the case, drawn unless told otherwise; fails at the end where the page complained."""
    opened: list[Watched] = []

    def start(size: tuple[int, int] = DESK, *, script: str = "", **options: Any) -> Page:
        wanted = {"reduced_motion": "reduce", **options}
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, base_url=lab_case.url, **wanted
        )
        watched = watch(context, lab_case.url)
        opened.append(watched)
        page = watched.page
        if script:
            page.add_init_script(script)
        page.goto("/sign-in")
        page.get_by_label("E-mail address").fill(LAB)
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.goto(lab_case.path)
        if not script:
            page.locator('#plate[data-state="drawn"]').wait_for(timeout=DRAWN_MS)
        return page

    yield start
    for watched in opened:
        watched.context.close()
    assert [complaint for watched in opened for complaint in watched.complaints] == []


def said(page: Page, name: str) -> str:
    return page.locator("#plate").get_attribute(f"data-{name}") or ""


def settled(page: Page) -> None:
    """Waits until what was asked for is on the picture."""
    page.locator("#plate:not([data-busy])").wait_for()


def eye(page: Page) -> list[float]:
    """Yaw, pitch, half-height, and what is looked at."""
    settled(page)
    return [float(n) for n in said(page, "eye").split()]


def inked(page: Page) -> float:
    """Share of the picture that is not the bare ground."""
    settled(page)
    pixels = np.asarray(
        Image.open(io.BytesIO(page.locator("#plate-ground").screenshot())).convert("RGB"), dtype=int
    )
    ground = pixels[4, pixels.shape[1] // 2]
    return float((np.abs(pixels - ground).sum(axis=2) > 24).mean())


def check(page: Page, role: str) -> Any:
    return page.locator(f'#plate-records li[data-role="{role}"] input[type="checkbox"]').first


def test_every_record_is_drawn_in_one_frame(plate: Callable[..., Page]) -> None:
    page = plate()
    assert int(said(page, "drawn")) == n_surfaces()
    assert inked(page) > 0.05
    see(page, "desk-plate")
    for role in ("jaw", "denture", "opposing"):
        check(page, role).uncheck()
    settled(page)
    assert said(page, "shown") == "0"
    assert inked(page) < 0.02
    for box in page.locator("#plate-records input[type=checkbox]:enabled").all():
        box.check()
    settled(page)
    assert said(page, "shown") == said(page, "drawn")


def test_a_finding_takes_the_eye_to_its_place_and_back(plate: Callable[..., Page]) -> None:
    page = plate()
    row = page.locator("tr", has_text="surface/hole").first
    before = eye(page)
    row.get_by_role("button", name="Show the place").click()
    after = eye(page)
    assert after != before
    assert after[2] < before[2]
    assert said(page, "found")
    expect(page.locator(".plate-found")).to_contain_text("opening")
    assert check(page, "jaw").is_checked()
    see(page, "desk-plate-place")
    page.get_by_role("button", name="Back to the finding").click()
    assert row.get_by_role("button", name="Show the place").evaluate("b => b === document.activeElement")


def test_every_motion_has_a_key_and_a_button(plate: Callable[..., Page]) -> None:
    """In a small window: some fifty pictures are drawn, and without a graphics card each costs by its size."""
    page = plate((640, 480))
    ground = page.locator("#plate-ground")
    ground.focus()
    keys = {"ArrowLeft": 0, "ArrowUp": 1, "+": 2, "-": 2, "Shift+ArrowLeft": 3, "Shift+ArrowUp": 5}
    for key in keys:
        before = eye(page)
        page.keyboard.press(key)
        assert eye(page) != before, key
    page.keyboard.press("0")
    for name in page.locator("[data-motion]").evaluate_all("all => all.map((b) => b.dataset.motion)"):
        page.locator('[data-motion="turn-left"]').click()
        page.locator('[data-motion="nearer"]').click()
        before = eye(page)
        page.locator(f'[data-motion="{name}"]').click()
        assert eye(page) != before, name


def test_the_pointer_turns_and_the_wheel_goes_nearer_once_in_focus(plate: Callable[..., Page]) -> None:
    page = plate()
    page.locator("#plate-ground").scroll_into_view_if_needed()
    box = page.locator("#plate-ground").bounding_box()
    assert box is not None
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    before = eye(page)
    page.mouse.move(*middle)
    page.mouse.wheel(0, 1)
    assert eye(page)[2] == before[2]
    page.mouse.down()
    page.mouse.move(middle[0] + 60, middle[1] + 20, steps=4)
    page.mouse.up()
    turned = eye(page)
    assert turned[0] < before[0]
    assert turned[1] > before[1]
    page.locator("#plate-ground").focus()
    page.mouse.wheel(0, -200)
    assert eye(page)[2] < turned[2]


def test_cut_and_distance_work_by_keys_alone(plate: Callable[..., Page]) -> None:
    page = plate()
    for role in ("denture", "opposing"):
        check(page, role).uncheck()
    page.locator('[data-motion="onto"]').click()
    page.locator("#plate-ground").focus()
    before = inked(page)
    page.keyboard.press(".")
    page.keyboard.press(".")
    settled(page)
    assert float(said(page, "cut")) == 0.5
    assert inked(page) < 0.8 * before
    page.locator("#plate-cut").select_option("")
    settled(page)
    assert said(page, "cut") == ""

    page.get_by_role("button", name="Show the place").first.click()
    page.locator("#plate-ground").focus()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("#plate-distance")).to_contain_text("First point")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Enter")
    expect(page.locator("#plate-distance")).to_contain_text("mm, from the jaw scan")
    _, _, half, *_ = eye(page)
    assert float(said(page, "distance")) >= 0.4 * half - 0.1, (
        "the eye was shifted by a fifth of the picture's height"
    )
    page.keyboard.press("Escape")
    expect(page.locator("#plate-distance")).to_be_empty()


def test_gaps_bodies_and_shifts_are_drawn_and_said(plate: Callable[..., Page]) -> None:
    page = plate()
    page.locator("#plate-gap").select_option(label="Denture scan")
    expect(page.locator("#plate")).to_have_attribute("data-gap", "denture")
    expect(page.locator(".plate-bands li")).to_have_count(7)
    expect(page.locator("[data-gap-says]")).to_contain_text("least gaps to the other jaw")
    assert page.locator(".plate-word.gap:visible").count() > 3
    see(page, "desk-plate-gaps")
    page.locator("#plate-gap").select_option("")
    check(page, "jaw").check()
    page.locator("#plate-bodies input").check()
    n_sites = sum(site.loaded for site in MOUTH.rounds[-1].form(datetime.now(UTC)).sites)
    expect(page.locator(".plate-word.body")).to_have_count(n_sites)
    expect(page.locator("[data-site-says] li").first).to_contain_text("caught; by eighths")
    page.locator("#plate-shifts input").check()
    expect(page.locator(".plate-word.shift")).to_have_count(n_sites)
    page.locator("#plate-times").select_option("200")
    expect(page.locator("[data-times]")).to_have_text("5 µm")
    see(page, "desk-plate-sites")


def test_what_has_changed_meanwhile_is_drawn_anew_under_the_same_eye(plate: Callable[..., Page]) -> None:
    """The page learns of it by its stream; here the next answer names one record less and another stamp."""
    page = plate()
    page.locator('[data-motion="turn-left"]').click()
    n, before = int(said(page, "drawn")), eye(page)

    def changed(route: Route) -> None:
        told = route.fetch().json()
        gone = next(layer for layer in told["layers"] if layer["href"] and layer["role"] == "bite")
        gone["href"], gone["says"], told["stamp"] = "", "It is being made.", "another"
        route.fulfill(json=told)

    page.route("**/plate?*", changed)
    page.evaluate(
        """() => {
          document.getElementById("plate-data").dataset.href += "-another";
          document.dispatchEvent(new CustomEvent("htmx:after:swap"));
        }"""
    )
    expect(page.locator("#plate")).to_have_attribute("data-drawn", str(n - 1), timeout=DRAWN_MS)
    expect(page.locator("#plate-records")).to_contain_text("It is being made.")
    assert eye(page) == before
    assert inked(page) > 0.05
    page.locator('[data-motion="turn-right"]').click()
    assert eye(page)[0] == before[0] + 15.0, "each button acts once"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_a_tablet_in_both_schemes(plate: Callable[..., Page], scheme: str) -> None:
    page = plate(TABLET, color_scheme=scheme)
    assert inked(page) > 0.05
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
    see(page, f"tablet-plate-{scheme}")
    page.set_viewport_size({"width": 1100, "height": 800})
    page.wait_for_timeout(300)
    drawn = page.evaluate(
        "[document.querySelector('#plate canvas').clientWidth, document.querySelector('#plate-ground').clientWidth]"
    )
    assert drawn[0] == drawn[1]


NO_WEBGL = """
const real = HTMLCanvasElement.prototype.getContext;
HTMLCanvasElement.prototype.getContext = function (kind, ...more) {
  return kind.startsWith("webgl") ? null : real.call(this, kind, ...more);
};"""


def test_without_webgl_the_page_says_so_and_keeps_its_tables(plate: Callable[..., Page]) -> None:
    page = plate(script=NO_WEBGL)
    expect(page.locator("#plate")).to_have_attribute("data-state", "without")
    expect(page.locator("#plate-says")).to_contain_text("no WebGL")
    expect(page.locator(".plate-open")).to_be_hidden()
    expect(page.get_by_role("button", name="Show the place")).to_have_count(0)
    expect(page.get_by_role("heading", name="Findings")).to_be_visible()
