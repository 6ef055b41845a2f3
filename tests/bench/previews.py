"""Previews: how small, how near to the scan, how fast; and the lab's page with every record drawn, in headless Chromium whose
GL is software. Nearness by libigl, an exact closest-point tree of its own, over every point of the scan."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import igl
import numpy as np
import trimesh
from playwright.sync_api import Browser, sync_playwright

from server.metrology.preview.thinning import DEVIATION_MM, MOST_BYTES, preview_of
from server.metrology.readers import read_scan
from tests.bench.sets import phantom_set, refined_set, surfaces
from tests.bench.timing import Figure
from tests.browser.conftest import ARGUMENTS, DESK
from tests.browser.measured import LabCase, measured_case
from tests.metrology.preview.unpacking import unpacked
from tests.portal.house import LAB, PASSWORD

DRAWN_S = 2.0
OPENINGS = 5
ALL_SHOWN = """() => document.querySelectorAll("#plate-records input[type=checkbox]:enabled:not(:checked)").forEach((b) => b.click())"""


def figures(folder: Path) -> Iterator[Figure]:
    for name, made in (("S", phantom_set(folder, detail=1.0)), ("M", refined_set(folder, times=1))):
        rows = [_preview(path) for path in surfaces(made)]
        shown = {"records": rows}
        yield Figure(
            f"{name}: largest preview", max(r["bytes"] for r in rows), "bytes", MOST_BYTES, shown=shown
        )
        yield Figure(
            f"{name}: p99 deviation, worst record", max(r["p99_mm"] for r in rows), "mm", DEVIATION_MM
        )
        yield Figure(
            f"{name}: time of a preview ÷ plain load, worst", max(r["to_load"] for r in rows), "×", None
        )
    seconds = _page_s(folder / "plate")
    yield Figure(
        "review page, all layers drawn, software GL, median",
        float(np.median(seconds)),
        "s",
        DRAWN_S,
        shown={"s": [round(s, 2) for s in seconds], "load_average": os.getloadavg()[0]},
    )


def _preview(path: Path) -> dict[str, float]:
    scan = read_scan(path.read_bytes(), path.name).scan
    begun = time.process_time()
    made = preview_of(scan)
    taken_s = time.process_time() - begun
    begun = time.process_time()
    trimesh.load_mesh(path)
    load_s = time.process_time() - begun
    back, _ = unpacked(made.data)
    squared, _, _ = igl.point_mesh_squared_distance(scan.vertices, back.vertices, back.faces.astype(np.int64))
    return {
        "facets": scan.n_faces,
        "kept": made.n_faces,
        "bytes": len(made.data),
        "p99_mm": round(float(np.quantile(np.sqrt(squared), 0.99)), 4),
        "s": round(taken_s, 2),
        "to_load": round(taken_s / load_s, 2),
    }


def _page_s(folder: Path) -> list[float]:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    path = shutil.which("chromium")
    if path is None:
        raise RuntimeError("Chromium is not installed; the page cannot be timed.")
    with measured_case(folder) as case, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        return [_opened_s(browser, case) for _ in range(OPENINGS)]


def _opened_s(browser: Browser, case: LabCase) -> float:
    """From asking for the page, with nothing in the browser's store but the sign-in page's files, until every record that is a
    surface is on the picture."""
    page = browser.new_context(viewport={"width": DESK[0], "height": DESK[1]}, base_url=case.url).new_page()
    page.goto("/sign-in")
    page.get_by_label("E-mail address").fill(LAB)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()
    begun = time.perf_counter()
    page.goto(case.path, wait_until="commit")
    page.locator('#plate[data-state="drawn"]').wait_for()
    page.evaluate(ALL_SHOWN)
    page.locator("#plate:not([data-busy])").wait_for()
    taken_s = time.perf_counter() - begun
    page.context.close()
    return taken_s
