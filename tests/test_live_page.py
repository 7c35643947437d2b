"""The report in a real browser: slider, touch, keys, section, units, light, dark and print.

Headless Chromium opens the written file from the disk, at the size of a phone and of a desk, and
what it shows is held against the tool's own figures. Without the browser these tests are skipped.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import pourdatum as pdm
from browser import DESK, PHONE, Browser, Page
from finished import SHEET, make_check, make_ground_plan, make_plan, make_survey
from live_js import ARITHMETIC, source
from pourdatum.geometry import Plane
from pourdatum.job import Job
from pourdatum.jobfloor import DatumSection
from pourdatum.outcome import Plan, Warned
from pourdatum.pipeline import result_data
from pourdatum.placedepth import depth_at
from pourdatum.report.live_floor import floor_data
from pourdatum.report.page import write_page
from pourdatum.volume import fill_volume

SAMPLES = Path(__file__).parent.parent / "sample_scans"
DATUMS = 50


@dataclass(frozen=True)
class Written:
    """A plan and its page."""

    plan: Plan
    file: Path


@pytest.fixture(scope="module")
def written(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Written]:
    """Pages of two sample floors and of a made one."""
    found = {}
    for name in ("cooperage", "tram-depot"):
        scan = pdm.read_scan(SAMPLES / f"{name}.laz")
        found[name] = pdm.plan_pour(pdm.make_surface(scan, pdm.find_floor(scan)), Job())
    found["made"] = make_plan()
    folder = tmp_path_factory.mktemp("pages")
    for name, plan in found.items():
        write_page(plan, folder / f"{name}.html")
    return {name: Written(plan, folder / f"{name}.html") for name, plan in found.items()}


def said(page: Page, of: str) -> dict[str, str]:
    """What a list of the page says under each name."""
    code = (
        f"Object.fromEntries([...document.querySelectorAll('#{of} > div')].map((pair) =>"
        " [pair.children[0].textContent, pair.querySelector('data').textContent]))"
    )
    found: dict[str, str] = page.run(code)
    return {name: text.replace("\u00a0", " ") for name, text in found.items()}


def held(page: Page, of: str) -> dict[str, str]:
    """The same in metres, m² and m³, unrounded."""
    code = (
        f"Object.fromEntries([...document.querySelectorAll('#{of} > div')].map((pair) =>"
        " [pair.children[0].textContent, pair.querySelector('data').value]))"
    )
    found: dict[str, str] = page.run(code)
    return found


def put(page: Page, field: str, value: object) -> None:
    """Enter a value as a hand does, and wait for what follows."""
    page.run(
        f"(() => {{ const field = document.getElementById('{field}'); field.value = '{value}';"
        " field.dispatchEvent(new Event('input', {bubbles: true})); })()"
    )
    page.frame()


def pick(page: Page, name: str, value: str) -> None:
    """Click one of several choices."""
    page.run(f"document.querySelector('input[name={name}][value={value}]').click()")
    page.frame()


def press(page: Page, button: str) -> None:
    """Click a button."""
    page.run(f"document.getElementById('{button}').click()")
    page.frame()


def on_map(page: Page, place: tuple[float, float] = (0.5, 0.5)) -> tuple[float, float]:
    """A point of the window over the map, in shares of its width and height."""
    left, top, wide, tall = page.run(
        "(() => { const map = document.getElementById('live-map');"
        " map.scrollIntoView({block: 'center'}); const box = map.getBoundingClientRect();"
        " return [box.left, box.top, box.width, box.height]; })()"
    )
    return left + place[0] * wide, top + place[1] * tall


def in_the_plan(page: Page) -> tuple[float, float]:
    """The place that is read, local plan [m]."""
    x, y = held(page, "live-reading")["Place x, y"].split()
    return float(x), float(y)


# -- the datum -------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", ["cooperage", "tram-depot", "made"])
def test_fifty_datums(browser: Browser, written: dict[str, Written], name: str, size: Any) -> None:
    """Over the slider's whole range its litres are the tool's to 0.1 %, and so are the areas."""
    one = written[name]
    plan, surface = one.plan, one.plan.surface
    with browser.page(one.file, size) as page:
        low, high = page.run(
            "['min', 'max'].map((end) => Number(document.getElementById('live-slider')[end]))"
        )
        assert low < 0.0 < high
        for step_mm in np.linspace(low, high, DATUMS).round(1):
            put(page, "live-slider", step_mm)
            volume = fill_volume(
                surface.height_m, surface.grid, plan.floor.outline,
                plan.datum.plane.raised(step_mm / 1000),
                least_m=plan.sheet.least_m, greatest_m=plan.sheet.greatest_m,
            )  # fmt: skip
            shown = held(page, "live-figures")
            litres = pytest.approx(1000 * volume.volume_m3, rel=1e-3)
            assert 1000 * float(shown["To fill"]) == litres, step_mm
            area = {"rel": 1e-3, "abs": 0.002}
            assert float(shown["Thinner than 2 mm"]) == pytest.approx(volume.short_m2, **area)
            assert float(shown["Deeper than 12 mm"]) == pytest.approx(volume.deep_m2, **area)
            assert float(shown["Depth"]) == pytest.approx(volume.max_depth_m, abs=2e-6)
        assert page.faults() == []


def test_the_plan_s_own_datum(browser: Browser, written: dict[str, Written]) -> None:
    """At rest, and when one goes back, the page says what result.json and its tables say."""
    for one in written.values():
        data = result_data(one.plan)
        with browser.page(one.file) as page:
            for _ in range(2):
                shown, exact = said(page, "live-figures"), held(page, "live-figures")
                assert float(exact["To fill"]) * 1000 == pytest.approx(
                    data["fill"]["volume_l"], abs=0.001
                )
                assert int(shown["Bags, expected use"].replace(" ", "")) == data["material"]["bags"]
                assert "plan's own datum" in page.run(
                    "document.getElementById('live-moved').textContent"
                )
                put(page, "live-raise", "1.3")
                assert "+1.3 mm" in page.run("document.getElementById('live-moved').textContent")
                press(page, "live-reset")


def test_a_datum_by_its_level(browser: Browser, written: dict[str, Written]) -> None:
    """A level in the field gives what a plan to that very level gives: litres, bags, areas."""
    one = written["cooperage"]
    z_m = one.plan.datum.plane.z0_m + one.plan.origin_m[2] + 0.0021
    level = round(z_m, 4)
    job = Job(datum=DatumSection(kind="level", z_m=level))
    data = result_data(pdm.plan_pour(one.plan.surface, job))
    with browser.page(one.file) as page:
        put(page, "live-level", level)
        shown, exact = said(page, "live-figures"), held(page, "live-figures")
        assert float(exact["To fill"]) * 1000 == pytest.approx(data["fill"]["volume_l"], rel=1e-3)
        assert int(shown["Bags, expected use"]) == data["material"]["bags"]
        deep = pytest.approx(data["fill"]["deep_m2"], rel=1e-3, abs=0.002)
        assert float(exact["Deeper than 12 mm"]) == deep
        assert page.run("document.getElementById('live-slider').value") == "2.1"


def test_a_ground_floor(browser: Browser, tmp_path: Path) -> None:
    """A plan that grinds keeps its least depth: what is filled and ground follows the datum."""
    plan = make_ground_plan()
    write_page(plan, tmp_path / "ground.html")
    surface, least_m = plan.surface, plan.sheet.least_m
    with browser.page(tmp_path / "ground.html") as page:
        for step_mm in (-1.0, 1.0, 3.0):
            put(page, "live-raise", step_mm)
            under = fill_volume(
                surface.height_m, surface.grid, plan.floor.outline,
                plan.datum.plane.raised(step_mm / 1000 - least_m),
            )  # fmt: skip
            shown = held(page, "live-figures")
            wanted = under.volume_m3 + least_m * under.outline_m2
            assert float(shown["To fill"]) == pytest.approx(wanted, rel=1e-3)
            # Of a few noisy cells over the ground level, a millilitre is nothing.
            assert float(shown["To grind"]) == pytest.approx(under.cut_m3, rel=1e-3, abs=1e-6)
        assert "as it is ground" in page.run("document.getElementById('live').textContent")


def test_the_exact_volumes_in_the_browser(browser: Browser, written: dict[str, Written]) -> None:
    """What Node is asked of the arithmetic, a browser's own engine answers alike."""
    from test_live_integral import SCENES, VECTORS, half_a_step, scene

    with browser.page(written["made"].file) as page:
        for name, height, *size, near in SCENES:
            one = scene(height, *size)
            data = json.dumps(floor_data(*one, Plane(0.0)))
            limits = "{least_m: 0, greatest_m: 1, ground_m: null}"
            found = page.run(
                f"(async () => {{ {source(*ARITHMETIC)}\n"
                f"return pourAt(await floorOf({data}), 0, {limits}).volume_m3; }})()"
            )
            exact = VECTORS[name]["volume_m3"]
            assert found == pytest.approx(exact, abs=half_a_step(one[2]) + near * exact), name


# -- a place ---------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_touch_reads_the_place(browser: Browser, written: dict[str, Written], size: Any) -> None:
    """Depth, level and place under a finger or a mouse are the tool's there."""
    one = written["cooperage"]
    plan, grid, origin = one.plan, one.plan.surface.grid, one.plan.origin_m
    with browser.page(one.file, size) as page:
        seen = set()
        for share in ((0.2, 0.6), (0.35, 0.75), (0.7, 0.6), (0.15, 0.3)):
            at = on_map(page, share)
            page.touch(*at) if size[2] else page.point(*at)
            x, y = in_the_plan(page)
            place = np.array([[x - origin[0], y - origin[1]]])
            seen.add((round(x, 3), round(y, 3)))
            shown = held(page, "live-reading")
            level_m = float(grid.at(plan.surface.height_m, place)[0])
            depth_m = float(plan.datum.plane.at(*place[0])) - level_m
            assert float(shown["Depth"]) == pytest.approx(depth_m, abs=2e-6)
            assert float(shown["Level of the floor"]) == pytest.approx(
                level_m + origin[2], abs=2e-6
            )
            corner = plan.pins.bases[0]
            along, across = (float(part) for part in shown["From corner A"].split())
            assert (along, across) == pytest.approx(tuple(corner.along_across(place)[0]), abs=1e-6)
            assert said(page, "live-reading")["Floor"].startswith(("seen", "not seen"))
        assert len(seen) == 4
        assert page.faults() == []


def test_pins_are_read_as_result_json_has_them(
    browser: Browser, written: dict[str, Written]
) -> None:
    """Going to a pin by its place, one reads its depth, and its interval to a tenth."""
    one = written["cooperage"]
    pins = result_data(one.plan)["pins"]
    with browser.page(one.file) as page:
        points = [on_map(page, share) for share in ((0.2, 0.6), (0.6, 0.8))]
        places = []
        for at in points:
            page.point(*at)
            places.append(in_the_plan(page))
        (u0, v0), (u1, v1) = points
        (x0, y0), (x1, y1) = places
        read = 0
        for pin in pins:
            x, y = pin["place"]
            page.point(u0 + (x - x0) / (x1 - x0) * (u1 - u0), v0 + (y - y0) / (y1 - y0) * (v1 - v0))
            if np.hypot(*np.subtract(in_the_plan(page), (x, y))) > 0.02:
                continue  # A pin at a wall, whose pixel lies in the wall.
            read += 1
            shown = held(page, "live-reading")
            assert 1000 * float(shown["Depth"]) == pytest.approx(pin["depth_mm"], abs=0.3)
            ends = [1000 * float(end) for end in shown["Between (95 %)"].split()]
            wide = pin["depth_interval_mm"][1] - pin["depth_interval_mm"][0]
            assert ends == pytest.approx(pin["depth_interval_mm"], abs=0.1 * wide + 0.3)
        assert read > 0.6 * len(pins)


def test_any_corner_is_chosen(browser: Browser, written: dict[str, Written]) -> None:
    """Every corner of the room's truth is offered once, the pins' own first, and measured from."""
    one = written["cooperage"]
    truth = json.loads((SAMPLES / "cooperage.truth.json").read_text(encoding="utf-8"))
    left = {tuple(corner) for corner in truth["outline"]}
    with browser.page(one.file) as page:
        names = page.run("[...document.getElementById('live-corner').options].map((o) => o.text)")
        assert names == [f"corner {letter}" for letter in "ABCDEF"]
        x, y = in_the_plan(page)
        for number, name in enumerate("ABCDEF"):
            page.run(
                "(() => { const field = document.getElementById('live-corner'); field.value ="
                f" '{number}'; field.dispatchEvent(new Event('change')); }})()"
            )
            page.frame()
            along, across = map(float, held(page, "live-reading")[f"From corner {name}"].split())
            far = {corner: float(np.hypot(x - corner[0], y - corner[1])) for corner in left}
            met = min(left, key=lambda corner: abs(far[corner] - np.hypot(along, across)))
            assert np.hypot(along, across) == pytest.approx(far[met], abs=0.02), name
            # Walls stand square to the axes: what is taped is one of the two differences each.
            taped = sorted((abs(x - met[0]), abs(y - met[1])))
            assert sorted((abs(along), abs(across))) == pytest.approx(taped, abs=0.02), name
            left.remove(met)
    assert not left


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_no_name_stands_on_another(
    browser: Browser, written: dict[str, Written], size: Any
) -> None:
    """With every layer on, words of the map keep off each other, and every batch has its number."""
    one = written["cooperage"]
    with browser.page(one.file, size) as page:
        for box in ("pins", "corners"):
            pick(page, "live-show", box)
        page.run(
            "(() => { window.told = []; const pen = CanvasRenderingContext2D.prototype;"
            " const own = pen.fillText; pen.fillText = function (text, x, y) {"
            " told.push([text, x, y, this.measureText(text).width]); own.call(this, text, x, y); };"
            " })()"
        )
        pick(page, "live-show", "batches")
        told = page.run("told")
    assert one.plan.pour is not None
    numbers = {str(batch.number) for batch in one.plan.pour.batches}
    assert size != DESK or numbers <= {text for text, *_ in told}
    assert {"A", "1 high point"} <= {text for text, *_ in told}
    for k, (text, x, y, wide) in enumerate(told):
        for other, u, v, broad in told[:k]:
            apart = abs(x - u) >= (wide + broad) / 2 or abs(y - v) >= 12
            assert apart, (text, other)


def test_the_floor_is_read_up_to_its_edge(browser: Browser, tmp_path: Path) -> None:
    """Along a slanting wall a place is floor when it lies in the outline, whatever its cell."""
    survey = make_survey()
    surface, grid = survey.surface, survey.surface.grid
    outline = shapely.Polygon([(0.5, 0.3), (7.3, 1.1), (6.4, 3.2), (0.9, 3.3)])
    x, y = grid.mesh()
    surface.floor.outline = outline
    surface.height_m = 0.001 * x
    surface.measured = shapely.contains_xy(outline, x, y)
    surface.inferred = np.zeros(grid.shape, bool)
    write_page(make_plan(survey), tmp_path / "slant.html")
    rng = np.random.default_rng(4)
    wall = outline.exterior.interpolate(rng.uniform(0, outline.length, 60))
    places = shapely.get_coordinates(wall) + rng.uniform(-0.03, 0.03, (60, 2))
    inside = shapely.contains_xy(outline.buffer(0.0005), *places.T)
    surely = inside == shapely.contains_xy(outline.buffer(-0.003), *places.T)
    with browser.page(tmp_path / "slant.html") as page:
        body = source("integral.js", "unpacking.js", "floor.js", "units.js", "model.js")
        found = page.run(
            f"(async () => {{ {body}\n const model = await modelOf(JSON.parse("
            "document.getElementById('live-data').textContent));"
            f"return {places.tolist()}.map((one) => model.at(...one) !== null); }})()"
        )
    assert surely.sum() > 40
    assert inside[surely].any()
    assert not inside[surely].all()
    np.testing.assert_array_equal(np.array(found)[surely], inside[surely])


def test_keys_walk_the_map(browser: Browser, written: dict[str, Written]) -> None:
    """Arrows move the reading by 0.1 m, with Shift by 1 m, and the place is told once it rests."""
    with browser.page(written["made"].file) as page:
        page.run("document.getElementById('live-map').focus()")
        x0, y0 = in_the_plan(page)
        page.key("ArrowDown")
        page.key("ArrowDown")
        page.key("ArrowRight", shift=True)
        x1, y1 = in_the_plan(page)
        assert (x1 - x0, y1 - y0) == pytest.approx((1.0, -0.2))
        page.wait("document.getElementById('live-said').textContent.includes('Depth')")
        assert "From" in page.run("document.getElementById('live-said').textContent")
        for _ in range(20):
            page.key("ArrowLeft", shift=True)
        page.wait("document.getElementById('live-said').textContent.includes('ends here')")


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_closer(browser: Browser, written: dict[str, Written], size: Any) -> None:
    """Twice closer, the same way of a finger is a quarter of the way on the floor."""
    with browser.page(written["made"].file, size) as page:
        reach = []
        for _ in range(2):
            places = []
            for share in ((0.45, 0.55), (0.55, 0.55)):
                at = on_map(page, share)
                page.touch(*at) if size[2] else page.point(*at)
                places.append(in_the_plan(page))
            reach.append(places[1][0] - places[0][0])
            press(page, "live-closer")
            press(page, "live-closer")
        assert reach[1] == pytest.approx(reach[0] / 4, rel=0.02)
        for _ in range(4):
            press(page, "live-wider")
        assert page.run("document.getElementById('live-wider').disabled")
        assert page.faults() == []


def test_a_section_between_two_places(browser: Browser, written: dict[str, Written]) -> None:
    """From one place to another: its length, and the least and greatest depth on the way."""
    one = written["made"]
    plan = one.plan
    with browser.page(one.file) as page:
        page.point(*on_map(page, (0.1, 0.9)))
        start = in_the_plan(page)
        assert page.run("document.getElementById('live-section').hidden")
        press(page, "live-from")
        page.point(*on_map(page, (0.55, 0.55)))
        end = in_the_plan(page)
        press(page, "live-to")
        said_ = page.run("document.getElementById('live-section-said').textContent")
        ends = np.array([start, end]) - plan.origin_m[:2]
        line = ends[0] + np.linspace(0, 1, 241)[:, None] * (ends[1] - ends[0])
        depth = plan.datum.plane.z0_m - plan.surface.grid.at(plan.surface.height_m, line)
        long_m = np.hypot(*(ends[1] - ends[0]))
        assert f"Section of {long_m:.2f} m." in said_
        assert f"Depth: {1000 * depth.min():.1f} to {1000 * depth.max():.1f} mm" in said_
        drawn = "document.getElementById('live-cut').getContext('2d').getImageData(0, 0, 400, 190)"
        assert page.run(f"new Set(new Uint32Array({drawn}.data.buffer)).size") > 5
        press(page, "live-clear")
        assert page.run("document.getElementById('live-section').hidden")


# -- looks -----------------------------------------------------------------------------------


def colours_of_map(page: Page) -> int:
    """A number that changes with what the map shows."""
    code = (
        "(() => { const map = document.getElementById('live-map');"
        " const data = map.getContext('2d').getImageData(0, 0, map.width, map.height).data;"
        " let sum = 0; for (let k = 0; k < data.length; k += 1) sum = (31 * sum + data[k]) | 0;"
        " return sum; })()"
    )
    found: int = page.run(code)
    return found


def test_layers_are_switched(browser: Browser, written: dict[str, Written]) -> None:
    """Every layer that is switched changes the picture, and switched back it is as before."""
    with browser.page(written["cooperage"].file) as page:
        first = colours_of_map(page)
        boxes = page.run(
            "[...document.querySelectorAll('input[name=live-show]')].map((box) => box.value)"
        )
        assert {"unseen", "out", "humps", "pins", "batches", "corners"} <= set(boxes)
        for box in boxes:
            pick(page, "live-show", box)
            changed = colours_of_map(page) != first
            assert changed or box == "out", box
            pick(page, "live-show", box)
            assert colours_of_map(page) == first, box
        for layer in ("level", "error"):
            pick(page, "live-layer", layer)
            assert colours_of_map(page) != first
        pick(page, "live-layer", "depth")
        assert colours_of_map(page) == first


def test_imperial_where_it_is_chosen(browser: Browser, written: dict[str, Written]) -> None:
    """Inches, feet and gallons by the exact factors of 0.0254 m and 3.785411784 l."""
    one = written["made"]
    with browser.page(one.file) as page:
        pick(page, "live-units", "imperial")
        gallons = 1000 * one.plan.volume.volume_m3 / 3.785411784
        shown = said(page, "live-figures")
        assert shown["To fill"] == f"{gallons:.1f} US gal"
        assert "Deeper than 0.47 in" in shown
        assert said(page, "live-reading")["Depth"].endswith(" in")
        put(page, "live-raise", "0.1")
        datum = one.plan.datum.plane.raised(0.00254)
        surface = one.plan.surface
        volume = fill_volume(surface.height_m, surface.grid, one.plan.floor.outline, datum)
        found = float(held(page, "live-figures")["To fill"])
        assert found == pytest.approx(volume.volume_m3, rel=1e-3)
        pick(page, "live-units", "metric")
        assert page.run("document.getElementById('live-raise').value") == "2.5"


def test_light_dark_and_print(browser: Browser, written: dict[str, Written]) -> None:
    """Dark where the device or the reader asks for it; on paper light, and the map as drawn."""
    shown = "getComputedStyle(document.body).backgroundColor"
    still = "getComputedStyle(document.querySelector('figure.still')).display"
    live = "getComputedStyle(document.getElementById('live')).display"
    with browser.page(written["made"].file) as page:
        assert page.run(shown) == "rgb(255, 255, 255)"
        assert page.run(still) == "none"
        page.media(prefers_color_scheme="dark")
        assert page.run(shown) != "rgb(255, 255, 255)"
        pick(page, "live-look", "light")
        assert page.run(shown) == "rgb(255, 255, 255)"
        page.media()
        pick(page, "live-look", "dark")
        assert page.run(shown) != "rgb(255, 255, 255)"
        page.media("print")
        assert page.run(shown) == "rgb(255, 255, 255)"
        assert (page.run(still), page.run(live)) == ("block", "none")
        page.media()
        press(page, "live-still")
        assert page.run(still) == "block"


def test_whole_without_a_script(browser: Browser, written: dict[str, Written]) -> None:
    """Where no script runs, the map as drawn is there and nothing hangs half made."""
    with browser.page(written["made"].file) as page:
        page.ask("Emulation.setScriptExecutionDisabled", value=True)
        page.ask("Page.reload")
        page.wait("document.readyState === 'complete'")
        assert page.run("getComputedStyle(document.getElementById('live')).display") == "none"
        still = "getComputedStyle(document.querySelector('figure.still')).display"
        assert page.run(still) == "block"
        page.ask("Emulation.setScriptExecutionDisabled", value=False)


def test_pages_of_a_survey_and_of_a_proof(browser: Browser, tmp_path: Path) -> None:
    """Both read a place and have no slider; a proof reads the thickness placed there."""
    check = make_check()
    write_page(check.survey, tmp_path / "survey.html")
    write_page(check, tmp_path / "proof.html")
    with browser.page(tmp_path / "survey.html", PHONE) as page:
        page.touch(*on_map(page, (0.3, 0.6)))
        place = np.subtract(in_the_plan(page), check.origin_m[:2])[None]
        surface, figures = check.survey.surface, check.survey.figures
        off = surface.grid.at(surface.height_m, place)[0] - figures.mean_m
        assert float(held(page, "live-reading")["Off the mean level"]) == pytest.approx(
            off, abs=2e-6
        )
        assert page.run("document.getElementById('live-slider')") is None
        assert page.run("!!document.querySelector('input[value=edges]')")
        assert page.faults() == []
    with browser.page(tmp_path / "proof.html") as page:
        page.point(*on_map(page, (0.4, 0.7)))
        x, _ = np.subtract(in_the_plan(page), check.origin_m[:2])
        shown = held(page, "live-reading")
        assert float(shown["Thickness"]) == pytest.approx(0.010 + 0.0005 * (x - 4.0), abs=2e-6)
        assert float(shown["Uncertainty (95 %)"]) == pytest.approx(0.0006, abs=1e-5)
        assert page.faults() == []


def test_zones_have_no_slider(
    browser: Browser, written: dict[str, Written], tmp_path: Path
) -> None:
    """Of a floor in zones each place is read under its own datum, and none is moved."""
    surface = written["cooperage"].plan.surface
    x0, y0, _ = surface.origin_m
    z_m = written["cooperage"].plan.datum.plane.z0_m + surface.origin_m[2]
    west, south, east, north = surface.floor.outline.buffer(0.5).bounds
    middle = 0.5 * (west + east)
    zones = [
        {
            "name": name,
            "points": [[x0 + x, y0 + y] for x, y in shapely.box(*box).exterior.coords[:-1]],
            "kind": "level",
            "z_m": level,
        }
        for name, box, level in (
            ("<b>west", (west, south, middle, north), z_m),
            ("east", (middle, south, east, north), z_m + 0.003),
        )
    ]
    plan = pdm.plan_pour(surface, Job.model_validate({"zone": zones}))
    write_page(plan, tmp_path / "zones.html")
    with browser.page(tmp_path / "zones.html") as page:
        assert page.run("document.getElementById('live-slider')") is None
        assert "none is moved here" in page.run("document.getElementById('live').textContent")
        for share in ((0.2, 0.3), (0.8, 0.7)):
            page.point(*on_map(page, share))
            place = np.subtract(in_the_plan(page), (x0, y0))[None]
            depth_m = float(surface.grid.at(plan.depth_m, place)[0])
            assert float(held(page, "live-reading")["Depth"]) == pytest.approx(depth_m, abs=2e-6)
        assert page.faults() == []


def test_a_datum_that_is_not_level(
    browser: Browser, written: dict[str, Written], tmp_path: Path
) -> None:
    """A plane parallel to the floor is moved as a whole, and asked for no level."""
    surface = written["cooperage"].plan.surface
    plan = pdm.plan_pour(surface, Job(datum=DatumSection(kind="parallel")))
    write_page(plan, tmp_path / "parallel.html")
    with browser.page(tmp_path / "parallel.html") as page:
        assert page.run("document.getElementById('live-level')") is None
        put(page, "live-raise", "-1.5")
        volume = fill_volume(
            surface.height_m, surface.grid, plan.floor.outline, plan.datum.plane.raised(-0.0015)
        )
        found = float(held(page, "live-figures")["To fill"])
        assert found == pytest.approx(volume.volume_m3, rel=1e-3)


def test_levels_shot_singly(browser: Browser, tmp_path: Path) -> None:
    """A floor of single levels has its map, with the shots on it and what lies between them."""
    from test_spots import TWELVE, _surface

    points = np.column_stack([TWELVE, 10.0 + 0.003 * np.cos(TWELVE.sum(axis=1))])
    plan = pdm.plan_pour(_surface(points), Job())
    write_page(plan, tmp_path / "levels.html")
    with browser.page(tmp_path / "levels.html", PHONE) as page:
        page.touch(*on_map(page, (0.5, 0.4)))
        place = np.subtract(in_the_plan(page), plan.origin_m[:2])[None]
        depth_m = plan.datum.plane.z0_m - plan.surface.grid.at(plan.surface.height_m, place)[0]
        shown = held(page, "live-reading")
        assert float(shown["Depth"]) == pytest.approx(depth_m, abs=2e-6)
        at = depth_at(plan.surface, plan.datum, place)
        ends = [float(end) for end in shown["Between (95 %)"].split()]
        assert ends == pytest.approx([at.low_m[0], at.high_m[0]], abs=0.0005)
        assert page.faults() == []


def test_foreign_names_are_text(browser: Browser, tmp_path: Path) -> None:
    """A script in a title or a warning is run nowhere, and the policy had nothing to stop."""
    bad = "</script><script>document.title = 'run'</script><img src=x onerror=\"document.title=1\">"
    survey = make_survey(title=bad, file=bad, warnings=(Warned("x", bad),))
    write_page(make_plan(survey, sheet=replace(SHEET, name=bad)), tmp_path / "bad.html")
    with browser.page(tmp_path / "bad.html") as page:
        assert page.run("document.title").startswith("</script><script>document.title")
        assert page.run("document.images.length") >= 1
        assert page.run("[...document.images].every((one) => one.src.startsWith('data:'))")
        assert page.faults() == []


def test_a_section_without_a_vertical(browser: Browser, tmp_path: Path) -> None:
    """Where no level is known nothing is off the mean level: it is off the best-fit plane."""
    file = tmp_path / "oblique.html"
    write_page(make_survey(), file)
    text = file.read_text("utf-8")
    assert text.count('"levelled":true') == 1
    file.write_text(text.replace('"levelled":true', '"levelled":false'), "utf-8")
    with browser.page(file) as page:
        press(page, "live-from")
        page.run("document.getElementById('live-map').focus()")
        page.key("ArrowRight")
        press(page, "live-to")
        told = page.run("document.getElementById('live-section-said').textContent")
        assert "Off the best-fit plane: " in told
        assert "level" not in told
        assert page.faults() == []


def test_the_policy_stops_any_other_script(browser: Browser, written: dict[str, Written]) -> None:
    """A script that somebody puts into the page is not run, nor is one of an attribute."""
    with browser.page(written["made"].file) as page:
        page.run(
            "(() => { const one = document.createElement('script'); one.textContent ="
            " 'window.ran = 1'; document.body.append(one);"
            " document.body.setAttribute('onclick', 'window.ran = 1'); document.body.click(); })()"
        )
        assert page.run("window.ran") is None
        assert any("Content Security Policy" in fault for fault in page.faults())
