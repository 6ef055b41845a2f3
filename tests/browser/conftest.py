"""A real portal, a real browser, a record set of real size. Where Chromium is missing the walks are skipped, and said so."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.browser.portal import CLINIC_EMAIL, LAB_EMAIL, PASSWORD
from tests.browser.seeing import CHECKED

ROOT = Path(__file__).resolve().parents[2]
ARGUMENTS = [
    "--no-sandbox",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--disable-gpu-rasterization",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
]
START_S = 90.0
PHONE = (390, 844)
TABLET = (820, 1180)
DESK = (1440, 900)
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


@pytest.fixture(scope="session")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a portal that runs as a process of its own."""
    folder = tmp_path_factory.mktemp("portal")
    port = _free_port()
    with (folder / "portal.log").open("wb") as log:
        command = [sys.executable, "-m", "tests.browser.portal", str(folder / "data"), str(port)]
        process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=subprocess.STDOUT)
        try:
            _wait_until_up(f"http://127.0.0.1:{port}/sign-in", process, folder / "portal.log")
            yield f"http://127.0.0.1:{port}"
        finally:
            process.terminate()
            process.wait(timeout=30)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_until_up(url: str, process: subprocess.Popen[bytes], log: Path) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        if process.poll() is not None:
            raise RuntimeError(log.read_text(errors="replace")[-4000:])
        try:
            urllib.request.urlopen(url, timeout=2).close()
            return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.2)
    raise RuntimeError("the portal did not start: " + log.read_text(errors="replace")[-4000:])


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("Chromium is not installed: NO WALK THROUGH THE PORTAL WAS MADE")
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield opened
        opened.close()


@dataclass
class Watched:
    """A page whose every complaint is kept: console errors, breaches of the policy, requests to other hosts."""

    page: Page
    context: BrowserContext
    complaints: list[str] = field(default_factory=list)


def _complain(watched: Watched, says: str) -> None:
    if watched.page not in CHECKED:
        watched.complaints.append(says)


def watch(context: BrowserContext, address: str) -> Watched:
    """A new page of a context, watched."""
    page = context.new_page()
    watched = Watched(page, context)
    page.on("console", lambda m: _complain(watched, m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: watched.complaints.append(str(error)))

    def asked(url: str) -> None:
        if not url.startswith((address, "data:")):
            watched.complaints.append(f"foreign: {url}")

    page.on("request", lambda r: asked(r.url))
    return watched


@pytest.fixture
def open_page(browser: Browser, address: str) -> Iterator[object]:
    """Opens watched pages; fails at the end where one of them complained."""
    opened: list[Watched] = []

    def start(size: tuple[int, int] = TABLET) -> Watched:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, timezone_id="Europe/Lisbon", base_url=address
        )
        opened.append(watch(context, address))
        return opened[-1]

    yield start
    for watched in opened:
        watched.context.close()
    assert [complaint for watched in opened for complaint in watched.complaints] == []


def sign_in(page: Page, email: str) -> None:
    page.goto("/sign-in")
    page.get_by_label("E-mail address").fill(email)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()


def sign_in_clinic(page: Page) -> None:
    sign_in(page, CLINIC_EMAIL)


def sign_in_lab(page: Page) -> None:
    sign_in(page, LAB_EMAIL)


@dataclass(frozen=True)
class RecordSet:
    """A clean record set and its jaw scan with a hole cut into it. Roles by file."""

    files: dict[str, list[Path]]
    bad_jaw: Path
    form: dict[str, object]
    n_triangles: int


@pytest.fixture(scope="session")
def record_set(tmp_path_factory: pytest.TempPathFactory) -> RecordSet:
    """Made by seed_data: some 700 000 triangles in all."""
    import json

    folder = tmp_path_factory.mktemp("records") / "set"
    command = [sys.executable, "-m", "server.cli", "phantom", str(folder), "--seed", "3", "--arch", "lower"]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True, timeout=400)
    form = json.loads((folder / "case.json").read_text())
    files: dict[str, list[Path]] = {}
    for entry in form["records"]:
        files.setdefault(entry["role"], []).append(folder / entry["file"])
    truth = sum(_count(path) for paths in files.values() for path in paths)
    bad = folder / "jaw with a hole.stl"
    cut_hole(files["jaw"][0], bad, radius_mm=5.5)
    return RecordSet(files, bad, form, truth)


def _count(path: Path) -> int:
    if path.suffix == ".stl":
        return int(np.fromfile(path, dtype="<u4", count=1, offset=80)[0])
    head = path.read_bytes()[:2000].split(b"end_header")[0].decode("ascii", "replace")
    return next((int(line.split()[2]) for line in head.splitlines() if line.startswith("element face")), 0)


def cut_hole(source: Path, target: Path, *, radius_mm: float) -> None:
    """Copies a binary STL without the facets around the place that lies farthest from every border: the one with most
    surface around it."""
    facets = np.fromfile(source, dtype=FACET, offset=84)
    centres = facets["corners"].mean(axis=1)
    places = centres[:: max(1, len(centres) // 400)]
    around = [np.count_nonzero(np.linalg.norm(centres - place, axis=1) < radius_mm + 1.0) for place in places]
    middle = places[int(np.argmax(around))]
    kept = facets[np.linalg.norm(centres - middle, axis=1) > radius_mm]
    target.write_bytes(b"\0" * 80 + np.uint32(len(kept)).tobytes() + kept.tobytes())
