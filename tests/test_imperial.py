"""An imperial job speaks in inches, feet, gallons and pounds, wherever people read it."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import pourdatum as pdm
from pourdatum.cli.lines import result_lines
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import result_data, survey_floor
from pourdatum.report.page import plan_page, survey_page
from pourdatum.tomlfile import check

SAMPLES = Path(__file__).resolve().parents[1] / "sample_scans"
METRIC = re.compile(
    r"(?<![\w.])[\d\u2212±][\d\u00a0\u202f  ,.]*\s?(mm|cm|m|m²|m³|l|litres?|kg|°C)(?![\w²³])"
)
# Published limits and names of standards and criteria are quoted as they are published.
QUOTED = (
    "mg per kg", "mg per m³", "0.1 in the United Kingdom", "3mm/2m", "metres are taken",
)  # fmt: skip
DEEP, LOW = 87.375, 87.3535


@cache
def surface_of(name: str) -> Any:
    """The levels of a sample."""
    scan = pdm.read_scan(str(SAMPLES / name))
    surface = pdm.make_surface(scan, pdm.find_floor(scan))
    scan.wait_for_hashes()
    return surface


UNSEEN = r"<(style|script).*?</\1>|data:image[^\"]*"
"""What of a page nobody reads."""


def metric_in(text: str) -> list[str]:
    """Metric amounts in a text, with what stands around them."""
    for quoted in QUOTED:
        text = text.replace(quoted, " ")
    return [text[max(m.start() - 50, 0) : m.end() + 20] for m in METRIC.finditer(text)]


def read_by_people(plan: Plan) -> str:
    """Printed lines and the page's text."""
    # The sheet's name is its maker's word, and what the file is in is said in the file's unit.
    page = re.sub(UNSEEN, " ", plan_page(plan, b""), flags=re.S)
    page = re.sub(r"<[^>]+>", " ", page)
    shown = "\n".join([*result_lines(plan, "out", ("report",)), page])
    for text in plan.survey.scan.assumptions:
        shown = shown.replace(text, " ").replace(text[:1].upper() + text[1:], " ")
    return shown


GRIND = {"price_per_m2": 6.0, "price_per_m2_mm": 1.5, "setup_price": 80.0}
JOBS: dict[str, dict[str, Any]] = {
    "as it is": {},
    "too deep": {"datum": {"kind": "level", "z_m": DEEP}},
    "too thin": {"datum": {"kind": "level", "z_m": LOW}},
    "too heavy": {
        "datum": {"kind": "level", "z_m": 87.364}, "pour": {"max_load_kg_per_m2": 25.0},
    },
    "ground": {
        "grind": GRIND | {"max_depth_mm": 2.0}, "material": {"price_per_bag": 19.5},
        "preparation": {"removal_mm": 0.5, "roughness_mm": 0.3},
        "build_up": {"mm": 10.0},
        "threshold": [{"place": [2510.0, 1841.6], "level": 87.372, "tolerance_mm": 2.0},
                      {"place": [2560.0, 1841.6], "level": 87.372}],
    },
    "parallel": {"datum": {"kind": "parallel"}},
    "pumped": {"pour": {"mode": "pump", "litres_per_minute": 60.0, "hose_l": 80.0}},
    "hand-held": {"scan": {"sensor": "mobile"}, "sensor": {"tilt_mm_per_m": 0.5, "warp_mm": 2.0}},
    "zones": {
        "zone": [
            {"name": "hall", "points": [[2509, 1839], [2513, 1839], [2513, 1848], [2509, 1848]]},
            {"name": "bay", "points": [[2513, 1839], [2520, 1839], [2520, 1842], [2513, 1842]],
             "kind": "level", "z_m": DEEP},
        ],
    },
}  # fmt: skip


@pytest.mark.parametrize("name", JOBS)
def test_nothing_metric_is_shown(name: str) -> None:
    """Lines and page of plans that work and that do not: every amount is in trade units."""
    job = check(Job, JOBS[name] | {"units": "imperial"}, "job", "")
    plan = pdm.plan_pour(surface_of("cooperage.laz"), job)
    assert metric_in(read_by_people(plan)) == []
    told = [item.text for item in plan.warnings] + list(plan.obstacles)
    told += [text for text in plan.assumptions if text not in plan.survey.scan.assumptions]
    told += [why for way in plan.ways.each for why in way.against]
    assert [found for text in told for found in metric_in(text)] == []


@pytest.mark.parametrize("name", ["cooperage.laz", "tram-depot.laz", "passage.laz"])
def test_nothing_metric_is_shown_of_a_survey(name: str) -> None:
    """Warnings of the floor itself: doorways, open edges, thin scans, other levels."""
    survey = survey_floor(surface_of(name), check(Job, {"units": "imperial"}, "job", ""))
    page = re.sub(UNSEEN, " ", survey_page(survey, b""), flags=re.S)
    shown = "\n".join([*result_lines(survey, "out", ("report",)), re.sub(r"<[^>]+>", " ", page)])
    for text in survey.scan.assumptions:
        shown = shown.replace(text, " ").replace(text[:1].upper() + text[1:], " ")
    assert metric_in(shown) == []


def test_the_file_stays_metric() -> None:
    """Keys of ``result.json`` carry their unit, whatever people are shown."""
    surface = surface_of("cooperage.laz")
    metric, imperial = (
        result_data(pdm.plan_pour(surface, check(Job, {"units": units}, "job", "")))
        for units in ("metric", "imperial")
    )
    for key in ("datum", "fill", "material", "pour", "pins", "floor"):
        assert metric[key] == imperial[key]


def test_the_net_is_fine() -> None:
    """What the search calls metric: amounts with their unit, and no words that only look so."""
    caught = ["2.0 mm", "16.80 m² of", "± 28 l,", "0.3 mm per m", "10\u202f337 l", "-5 kg", "10 °C"]
    assert all(metric_in(text) for text in caught)
    free = ["bay 1 may", "3mm/2m", "12 in", "30 ft²", "5 mg per kg", "part 2 mix", "4 lb per ft²"]
    assert not any(metric_in(text) for text in free)
