"""Every page once, watched: no console error, no request to another host, nothing the policy has to stop."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import DESK, PHONE, TABLET, Watched, sign_in, sign_in_clinic, sign_in_lab
from tests.browser.portal import CLINIC_EMAIL
from tests.browser.seeing import see

pytestmark = pytest.mark.browser

SIZES = {"phone": PHONE, "tablet": TABLET, "desk": DESK}


@pytest.mark.parametrize("size", SIZES)
def test_the_pages_of_a_clinic(open_page: Callable[..., Watched], size: str) -> None:
    page = open_page(SIZES[size]).page
    page.goto("/sign-in")
    see(page, f"{size}-sign-in")
    sign_in_clinic(page)
    for path in ("/", "/notices", "/webhooks", "/tokens", "/interface", "/rules", "/sheets", "/patterns"):
        visit(page, path, f"{size}-clinic{path.replace('/', '-')}")


@pytest.mark.parametrize("size", SIZES)
def test_the_pages_of_the_lab(open_page: Callable[..., Watched], size: str) -> None:
    page = open_page(SIZES[size]).page
    sign_in_lab(page)
    for path in (
        "/queue",
        "/queue?state=all",
        "/people",
        "/notices",
        "/webhooks",
        "/tokens",
        "/interface",
        "/audit",
        "/rules",
        "/sheets",
    ):
        visit(page, path, f"{size}-lab{path.replace('/', '-').replace('?', '-')}")


def visit(page: Page, path: str, name: str) -> None:
    response = page.goto(path)
    assert response is not None
    assert response.status == 200, path
    assert "script-src 'self'" in response.headers["content-security-policy"]
    expect(page.get_by_role("heading", level=1).first).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, (
        f"{path} is wider than the screen"
    )
    see(page, name)


def test_a_link_joins_one_person_once(open_page: Callable[..., Watched]) -> None:
    lab = open_page(DESK).page
    sign_in_lab(lab)
    lab.goto("/people")
    lab.get_by_label("E-mail address").fill("noor@weir.example")
    lab.get_by_label("To", exact=True).select_option(label="Weir Lane Dental")
    lab.get_by_role("button", name="Make the link").click()
    link = lab.locator(".secret").inner_text()
    see(lab, "desk-invited")
    guest = open_page(TABLET).page
    guest.goto(link[link.index("/join/") :])
    see(guest, "tablet-join")
    guest.get_by_label("Your name").fill("Noor Quayle")
    guest.get_by_label("Password").fill("four clear words here")
    guest.get_by_role("button", name="Join").click()
    expect(guest.get_by_text("Welcome.")).to_be_visible()
    guest.get_by_role("button", name="Sign out").click()
    expect(guest.get_by_role("heading", name="Sign in")).to_be_visible()


def test_what_was_typed_outlives_a_lost_line(open_page: Callable[..., Watched]) -> None:
    watched = open_page(TABLET)
    page = watched.page
    sign_in_clinic(page)
    page.get_by_role("button", name="New case").click()
    page.get_by_label("Patient code", exact=True).fill("R-LOST")
    expect(page.locator("#saved")).to_contain_text("Saved.")
    page.wait_for_timeout(1200)
    watched.context.set_offline(True)
    expect(page.locator("#offline")).to_be_visible()
    page.get_by_label("Shade").fill("A2 at the neck")
    page.wait_for_timeout(1500)
    watched.context.set_offline(False)
    page.reload()
    expect(page.get_by_label("Shade")).to_have_value("A2 at the neck")
    page.reload()
    expect(page.get_by_label("Shade")).to_have_value("A2 at the neck")
    watched.complaints[:] = [
        c for c in watched.complaints if "ERR_INTERNET_DISCONNECTED" not in c and "Failed to fetch" not in c
    ]


def test_another_clinics_case_is_not_here(open_page: Callable[..., Watched]) -> None:
    watched = open_page(TABLET)
    sign_in(watched.page, CLINIC_EMAIL)
    response = watched.page.goto("/cases/000000000000000000000000")
    assert response is not None
    assert response.status == 404
    expect(watched.page.get_by_role("heading", name="Not here")).to_be_visible()
    see(watched.page, "tablet-404")
    watched.complaints[:] = [c for c in watched.complaints if "404" not in c]


def test_a_webhook_by_keyboard_alone(open_page: Callable[..., Watched]) -> None:
    """Added, given a new secret and removed again before anything could be sent to it."""
    watched = open_page(TABLET)
    page = watched.page
    sign_in_clinic(page)
    page.goto("/webhooks")
    walk_to(page, "textbox", "Address")
    page.keyboard.type("https://127.0.0.1/")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The address must be one on the public internet.")).to_be_visible()
    see(page, "tablet-webhook-refused")
    walk_to(page, "textbox", "Address")
    page.keyboard.press("Control+A")
    page.keyboard.type("https://93.184.216.34/archproof")
    page.keyboard.press("Enter")
    expect(page.locator(".secret")).to_contain_text("whsec_")
    see(page, "tablet-webhook-added")
    first = page.locator(".secret").inner_text()
    walk_to(page, "button", "New secret for https://93.184.216.34/archproof")
    page.keyboard.press("Enter")
    expect(page.get_by_text("The secret before it also signs until")).to_be_visible()
    expect(page.locator(".secret")).not_to_have_text(first)
    walk_to(page, "button", "Remove https://93.184.216.34/archproof")
    page.keyboard.press("Enter")
    expect(page.get_by_text("No address yet.")).to_be_visible()
    watched.complaints[:] = [c for c in watched.complaints if "422" not in c]


def walk_to(page: Page, role: str, name: str) -> None:
    """Presses Tab until that is reached."""
    target = page.get_by_role(role, name=name, exact=True)  # type: ignore[arg-type]
    expect(target).to_be_visible()
    for _ in range(40):
        if target.evaluate("e => e === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{name} is not reached by Tab")
