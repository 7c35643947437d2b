"""The page of `pourdatum open` in a real browser: dropped, asked, pointed, delivered.

Accessibility is held to WCAG 2.2, level AA; the number of its criterion stands at each check.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from browser import Page, open_browser
from pourdatum.cli.local.serve import Served, served_page
from test_open import by_command_line, framework, in_feet, small

__all__ = ["in_feet", "small"]  # fixtures

PHONE, DESK, ZOOMED = 390, 1280, 320
"""Widths in CSS pixels; the last is 1280 enlarged to 400 %, as 1.4.10 asks."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Page]:
    """A tab for all; each test opens a page of its own in it."""
    framework()
    with open_browser() as one, one.tab() as tab:
        yield tab


@pytest.fixture
def page(tmp_path: Path, browser: Page) -> Iterator[Served]:
    """A served page, open in the browser at desk size."""
    with served_page(tmp_path / "out") as served:
        (tmp_path / "out").mkdir()
        browser.browser.events.clear()
        look(browser, DESK)
        browser.visit(served.address)
        yield served


def look(browser: Page, width: int, *, dark: bool = False) -> None:
    """Set the width of the window, and whether its user prefers dark."""
    browser.resize((width, 900, width < 600))
    browser.media(prefers_color_scheme="dark" if dark else "light")


def stands(browser: Page, *states: str) -> str:
    """Wait until the page shows one of these states."""
    among = json.dumps(states)
    told = browser.wait(
        f"document.readyState === 'complete' && {among}.includes(document.body.dataset.state)"
        " && document.body.dataset.state",
        120,
    )
    return str(told)


def controls(browser: Page) -> list[dict[str, Any]]:
    """What the browser tells a screen reader of the controls: role and name."""
    tree = browser.ask("Accessibility.getFullAXTree")["nodes"]
    roles = {"button", "textbox", "radio", "checkbox", "combobox", "link", "progressbar", "image"}
    return [
        {"role": node["role"]["value"], "name": node.get("name", {}).get("value", "")}
        for node in tree
        if not node["ignored"] and node["role"]["value"] in roles
    ]


def check_screen(browser: Page) -> None:
    """What holds of every screen, at every size, by day and by night."""
    assert browser.run("document.documentElement.lang") == "en"  # 3.1.1
    assert browser.run("document.querySelectorAll('h1').length") == 1
    assert browser.run("document.title.length") > 10  # 2.4.2
    for control in controls(browser):  # 4.1.2, 1.1.1
        assert control["name"].strip(), control
    for width in (ZOOMED, PHONE, DESK):
        for dark in (False, True):
            look(browser, width, dark=dark)
            # 1.4.10: nothing is scrolled sideways.
            assert browser.run("document.documentElement.scrollWidth - innerWidth") <= 0
            # 2.5.8: targets of 24 by 24; links within a sentence are excepted by it.
            small = browser.run(
                "[...document.querySelectorAll('button, .button, select, textarea, .choice,"
                " input:not([type=radio]):not([type=checkbox])')].filter(e => e.offsetParent)"
                ".map(e => e.getBoundingClientRect()).filter(r => r.width < 24 || r.height < 24)"
                ".length"
            )
            assert small == 0
    look(browser, DESK)
    light = browser.run("getComputedStyle(document.body).backgroundColor")
    look(browser, DESK, dark=True)
    assert browser.run("getComputedStyle(document.body).backgroundColor") != light
    look(browser, DESK)


def test_a_dropped_scan_becomes_the_plan_of_the_command_line(
    browser: Page, page: Served, sample_scans: Path, tmp_path: Path
) -> None:
    """Dropped, exit touched on the plan, delivered: result.json is that of `pourdatum plan`."""
    scan = sample_scans / "cooperage.laz"
    check_screen(browser)
    browser.drop_files("#drop", scan)
    assert "cooperage.laz, 2.1 MB" in browser.text()
    browser.click("[type=submit]")
    assert stands(browser, "working", "asking", "failed") != "failed"
    assert stands(browser, "asking", "done", "failed") == "asking"
    check_screen(browser)
    # A touch in the lower left quarter: the nearest place on the floor's edge is taken.
    x, y = browser.run(
        "(() => { const r = document.querySelector('#plan .floor').getBoundingClientRect();"
        " return [r.x + 0.02 * r.width, r.y + 0.8 * r.height]; })()"
    )
    browser.click_at(x, y)
    exit_at = browser.run("['x', 'y'].map(a => document.getElementById('exit-' + a).value)")
    truth = json.loads(scan.with_suffix("").with_suffix(".truth.json").read_text())
    west = min(corner[0] for corner in truth["outline"])
    assert float(exit_at[0]) == pytest.approx(west, abs=0.02)
    assert browser.run("!document.getElementById('mark').hasAttribute('hidden')")
    browser.click("[type=submit]")
    assert stands(browser, "done", "failed") == "done"
    check_screen(browser)
    job = tmp_path / "job.toml"
    job.write_text(f"[pour]\nexit = [{', '.join(exit_at)}]\n")
    expected = by_command_line(tmp_path / "cli", "plan", str(scan), "--job", str(job))
    lying = tmp_path / "out" / "cooperage-plan" / "result.json"
    assert json.loads(lying.read_text()) == expected
    assert browser.run("fetch('result/result.json').then(r => r.json())") == expected
    assert f"{expected['fill']['volume_l']:.0f} l" in browser.text()
    # 2.4.3: after each step the heading has the focus, so that it is read out.
    assert browser.run("document.activeElement.tagName") == "H1"
    shown = browser.run("document.querySelector('.map').naturalWidth")
    assert shown > 100
    # Nothing was refused by the policy, no script failed, and nothing came from elsewhere.
    assert browser.faults() == []
    own = page.address
    assert all(asked.startswith((own, "data:")) for asked in browser.asked())


def test_it_can_be_done_with_the_keyboard_alone(
    browser: Page, page: Served, in_feet: Path, tmp_path: Path
) -> None:
    """2.1.1: a path typed, a survey chosen, the unit answered, and no mouse; 2.4.7: focus shows."""

    def tab_to(selector: str) -> None:
        for _ in range(40):
            if browser.run(f"document.activeElement.matches({json.dumps(selector)})"):
                outline = "getComputedStyle(document.activeElement).outlineStyle"
                assert browser.run(outline) != "none"
                return
            browser.key("Tab")
        raise AssertionError(f"{selector} is not reached")

    tab_to("#paths")
    browser.ask("Input.insertText", text=str(in_feet))
    tab_to("[name=command]")
    browser.key("ArrowDown")
    assert browser.run("document.querySelector('[data-plan]').hidden")
    tab_to("[type=submit]")
    browser.key("Enter", text="\r")
    assert stands(browser, "asking", "done", "failed") == "asking"
    check_screen(browser)
    assert "In which unit are the coordinates" in browser.text()
    tab_to("[type=submit]")
    browser.key("Enter", text="\r")  # without an answer
    browser.wait("document.getElementById('error').innerText === 'choose an answer first'")
    browser.run("document.querySelector('h1').focus()")
    tab_to("[name=answer]")
    browser.key(" ", text=" ")
    browser.key("ArrowDown")
    assert browser.run("document.querySelector('[name=answer]:checked').value") == "ft"
    tab_to("[type=submit]")
    browser.key("Enter", text="\r")
    assert stands(browser, "done", "failed") == "done"
    expected = by_command_line(tmp_path / "cli", "survey", str(in_feet), "--units", "ft")
    lying = tmp_path / "out" / "feet-survey" / "result.json"
    assert json.loads(lying.read_text()) == expected
    assert browser.faults() == []


def test_the_report_is_live_and_has_no_origin(browser: Page, page: Served, small: Path) -> None:
    """Opened from the page, its map answers; it is of no origin, and cannot speak to the server."""
    browser.run(f"document.getElementById('paths').value = {json.dumps(str(small))}")
    browser.run("document.querySelector('[name=exit][value=none]').click()")
    browser.click("[type=submit]")
    assert stands(browser, "done", "failed") == "done"
    browser.visit(f"{page.address}result/report.html")
    browser.wait("document.documentElement.dataset.ready")
    assert browser.run("document.querySelectorAll('#live-figures > div').length") > 3
    assert browser.faults() == []
    assert browser.run("self.origin") == "null"
    assert browser.run("fetch('../state').then(() => 'heard', () => 'refused')") == "refused"


def test_a_name_with_markup_runs_nothing(
    browser: Page, page: Served, small: Path, tmp_path: Path
) -> None:
    """The name of the file stands on the page as it is, and no part of it is an element."""
    hostile = tmp_path / "<img src=x onerror=document.title='taken'>.laz"
    hostile.write_bytes(small.read_bytes()[:1000])
    browser.choose_files("#scan", hostile)
    browser.wait("document.getElementById('chosen').innerText.includes('<img src=x')")
    browser.click("[type=submit]")
    assert stands(browser, "failed", "done") == "failed"
    check_screen(browser)
    assert "<img src=x" in browser.text()
    browser.click("[data-do=again]")
    assert stands(browser, "ready") == "ready"
    assert "<img src=x" in browser.text()
    assert browser.run("document.querySelectorAll('img').length") == 0
    assert "taken" not in browser.run("document.title")
    assert browser.faults() == []


def test_cancel_and_end_by_their_buttons(
    browser: Page, page: Served, small: Path, tmp_path: Path
) -> None:
    """Cancelled at work, the page is back at the start and the folder empty; End ends it."""
    browser.run(f"document.getElementById('paths').value = {json.dumps(str(small))}")
    browser.click("[type=submit]")
    stands(browser, "working")
    check_screen(browser)
    browser.wait("document.getElementById('stage').innerText !== 'starting'")
    browser.click("[data-do=stop]")
    stands(browser, "ready")
    assert "Cancelled. Nothing was written." in browser.text()
    assert list((tmp_path / "out").iterdir()) == []
    # What was typed is still there.
    assert browser.run("document.getElementById('paths').value") == str(small)
    browser.click("[data-do=end]")
    browser.wait("document.querySelector('h1').innerText.includes('has ended')")
    until = time.monotonic() + 10
    while not page.ended.is_set() and time.monotonic() < until:
        time.sleep(0.05)
    assert page.ended.is_set()
    assert browser.faults() == []
