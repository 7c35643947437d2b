"""The live map for everybody: names, focus, sizes to touch, contrast.

What is asked is WCAG 2.2 AA. The rules that a program can try come from axe-core (MPL 2.0),
which npm fetches into a temporary folder for this test alone; without npm or the network that
part is skipped, and our own checks of names, order and sizes stand.
"""

from __future__ import annotations

import base64
import hashlib
import io
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest

from browser import DESK, PHONE, Browser, Page
from finished import make_check, make_plan
from pourdatum.report.page import write_page

AXE = "axe-core@4.14.1"
AXE_SHA512 = (
    "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
)
LEAST_PX = 24
"""Side of what is touched (WCAG 2.2, success criterion 2.5.8)."""


@pytest.fixture(scope="module")
def pages(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A page of each command."""
    check, folder = make_check(), tmp_path_factory.mktemp("pages")
    outcomes = {"plan": make_plan(), "survey": check.survey, "proof": check}
    for name, outcome in outcomes.items():
        write_page(outcome, folder / f"{name}.html")
    return {name: folder / f"{name}.html" for name in outcomes}


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The checker's source, of the version and the hash named above."""
    npm, folder = shutil.which("npm"), tmp_path_factory.mktemp("axe")
    if npm is None:
        pytest.skip("npm is not installed: accessibility is tried by our own checks alone")
    command = [npm, "pack", AXE, "--silent", "--pack-destination", str(folder)]
    try:
        subprocess.run(command, cwd=folder, capture_output=True, check=True, timeout=90)
    except (subprocess.SubprocessError, OSError):
        pytest.skip("npm could not fetch axe-core: accessibility is tried by our own checks alone")
    (packed,) = folder.glob("*.tgz")
    data = packed.read_bytes()
    assert base64.b64encode(hashlib.sha512(data).digest()).decode() == AXE_SHA512
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        held = archive.extractfile("package/axe.min.js")
        assert held is not None
        return held.read().decode()


def opened_up(page: Page) -> None:
    """Show all that can be shown: a section, every layer, the map as printed."""
    for name in ("live-from", "live-to", "live-still"):
        page.run(f"document.getElementById('{name}').click()")
    page.run("document.querySelectorAll('input[name=live-show]').forEach((box) => "
             "box.checked || box.click())")  # fmt: skip
    page.frame()


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", ["plan", "survey", "proof"])
def test_no_serious_finding(
    browser: Browser, pages: dict[str, Path], axe: str, name: str, size: Any, look: str
) -> None:
    """The checker finds nothing serious by WCAG 2.2 AA, in either size and look."""
    with browser.page(pages[name], size) as page:
        page.media(prefers_color_scheme=look)
        opened_up(page)
        page.run(f"{axe};1")
        found = page.run(
            "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa',"
            " 'best-practice']}).then(({violations, passes}) => ({"
            " tried: passes.length,"
            " faults: violations.map((one) => `${one.impact} ${one.id}: ` +"
            " one.nodes.map((node) => node.html.slice(0, 120)).join(' | '))}))"
        )
        assert found["tried"] > 15
        assert found["faults"] == []


@pytest.mark.parametrize("name", ["plan", "survey", "proof"])
def test_every_control_has_a_name_and_room(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    """On a phone each control has words of its own and is large enough to touch."""
    code = (
        "[...document.querySelectorAll('#live input, #live select, #live button, #live-map')]"
        ".map((one) => { const box = one.getBoundingClientRect(); return {"
        " id: one.id || `${one.name} ${one.value}`,"
        " name: (one.labels?.[0]?.textContent || one.getAttribute('aria-label') ||"
        " one.textContent).trim(), wide: box.width, tall: box.height}; })"
    )
    with browser.page(pages[name], PHONE) as page:
        controls = page.run(code)
        assert len(controls) > 8
        for one in controls:
            assert one["name"], one["id"]
            assert min(one["wide"], one["tall"]) >= LEAST_PX, one
        wide = page.run("[document.documentElement.scrollWidth, innerWidth]")
        assert wide[0] <= wide[1]


def test_tab_goes_through_in_the_order_of_the_page(
    browser: Browser, pages: dict[str, Path]
) -> None:
    """Tab reaches map, slider and the rest from top to bottom, and the focus is seen."""
    with browser.page(pages["plan"]) as page:
        page.run("document.getElementById('live-map').focus()")
        order = []
        for _ in range(8):
            order.append(page.run("document.activeElement.id || document.activeElement.name"))
            drawn = page.run("getComputedStyle(document.activeElement).outlineStyle")
            page.key("Tab")
            assert drawn == "solid" or len(order) == 1
        assert order == [
            "live-map", "live-closer", "live-corner", "live-from", "live-slider", "live-raise",
            "live-level", "live-layer",
        ]  # fmt: skip


def test_slider_by_keys_is_told(browser: Browser, pages: dict[str, Path]) -> None:
    """Arrow keys move the slider by a step, and its text tells datum, litres and bags."""
    with browser.page(pages["plan"]) as page:
        page.run("document.getElementById('live-slider').focus()")
        for _ in range(3):
            page.key("ArrowRight")
        page.frame()
        told = page.run("document.getElementById('live-slider').getAttribute('aria-valuetext')")
        assert told.startswith("+0.3 mm, ")
        assert " l, " in told
        assert told.endswith(" bags")
