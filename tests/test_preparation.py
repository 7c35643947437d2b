"""What is open before the order until the job gives it; primer in the money; silica said once."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import pourdatum as pdm
from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import result_data
from pourdatum.report.page import plan_page
from pourdatum.report.ways_block import name_of
from pourdatum.tomlfile import check

SAMPLE = Path(__file__).resolve().parents[1] / "sample_scans" / "cooperage.laz"
GIVEN = {
    "substrate": "Cement screed",
    "moisture": "CM 1.6 %, 2026-11-20",
    "pull_off": "1.7 N per mm²",
    "cleanliness": "shot-blasted, vacuumed",
}
GRIND = {"price_per_m2": 6.0, "price_per_m2_mm": 1.5, "setup_price": 80.0}
PRICED = {"price_per_bag": 19.5, "labour_per_bag": 4.0, "primer_price_per_l": 7.25}


@cache
def surface() -> Any:
    """The levels of the sample."""
    scan = pdm.read_scan(str(SAMPLE))
    found = pdm.make_surface(scan, pdm.find_floor(scan))
    scan.wait_for_hashes()
    return found


def planned(**parts: Any) -> Plan:
    """The sample's plan under a job of these tables."""
    return pdm.plan_pour(surface(), check(Job, parts, "job", ""))


def page_of(plan: Plan) -> str:
    """What is read on the page."""
    text = re.sub(r"<style.*?</style>", " ", plan_page(plan, b""), flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ")


def test_open_until_given() -> None:
    """Four tests that no scan makes: open in lines, page and file; then as the job has them."""
    plan = planned()
    (line,) = [text for text in result_lines(plan, "out", ("report",)) if text.startswith("open")]
    assert "substrate, moisture, pull-off strength, cleanliness" in line
    for name in ("Substrate", "Moisture", "Pull-off strength", "Cleanliness"):
        assert f"{name} open" in page_of(plan)
    data = result_data(plan)["preparation"]
    assert {key: data[key] for key in GIVEN} == dict.fromkeys(GIVEN)
    given = planned(preparation=GIVEN)
    assert not [text for text in result_lines(given, "out", ()) if text.startswith("open")]
    for value in GIVEN.values():
        assert value in page_of(given)
    assert {key: result_data(given)["preparation"][key] for key in GIVEN} == GIVEN
    part = planned(preparation={"moisture": "CM 1.6 %"})
    (line,) = [text for text in result_lines(part, "out", ()) if text.startswith("open")]
    assert "moisture" not in line


def test_a_substrate_that_the_sheet_does_not_name() -> None:
    """The sheet says what it goes on; another one is told, the same in other letters is not."""
    codes = [item.code for item in planned(preparation={"substrate": "Old timber"}).warnings]
    assert "substrate-not-on-sheet" in codes
    codes = [item.code for item in planned(preparation=GIVEN).warnings]
    assert "substrate-not-on-sheet" not in codes


@pytest.mark.parametrize("zones", [False, True])
def test_primer_is_in_the_money(zones: bool) -> None:
    """Bags with labour, and primer at its price; ``material.cost`` stays that of the bags."""
    corners = [[2509.0, 1839.0], [2520.0, 1839.0], [2520.0, 1848.0], [2509.0, 1848.0]]
    parts = {"zone": [{"name": "all", "points": corners}]} if zones else {}
    plan = planned(material=PRICED, **parts)
    order = plan.order
    assert order.primer_l is not None
    assert order.cost == pytest.approx(order.bags * 23.5)
    assert order.primer_cost == pytest.approx(order.primer_l * 7.25)
    assert plan.besides.cost == pytest.approx(order.bags * 23.5 + order.primer_l * 7.25)
    assert "primer" in next(t for t in result_lines(plan, "out", ()) if t.startswith("cost"))
    bare = planned(material={k: v for k, v in PRICED.items() if k[0] != "p" or "bag" in k}, **parts)
    assert bare.order.primer_cost is None
    assert bare.besides.cost == pytest.approx(bare.order.bags * 23.5)
    assert "without primer" in page_of(bare)


def test_a_primer_price_in_the_sheet(tmp_path: Path) -> None:
    """A price beside the primer's coverage counts; the job's wins; below zero is refused."""
    sheet = tmp_path / "bag.toml"
    text = (
        'name = "bag"\ndepth_mm = [2, 20]\npowder_kg_per_m2_mm = 1.7\nbag_kg = 20\n'
        "water_l_per_bag = 4.4\nworking_time_min = 20\nprice_per_bag = 10.0\n"
        '[[primer]]\nsubstrate = "normal"\ncoverage_m2_per_l = 8\nprice_per_l = {}\n'
    )
    sheet.write_text(text.format("5.0"))
    own = planned(material={"sheet": str(sheet)})
    assert own.order.primer_l is not None
    assert own.order.primer_cost == pytest.approx(5.0 * own.order.primer_l)
    over = planned(material={"sheet": str(sheet), "primer_price_per_l": 6.0})
    assert over.order.primer_cost == pytest.approx(6.0 * own.order.primer_l)
    sheet.write_text(text.format("-5.0"))
    with pytest.raises(JobError, match="price_per_l"):
        planned(material={"sheet": str(sheet)})


def test_two_costs_are_told_apart() -> None:
    """The curve counts powder by weight, the order whole bags: both stand there, told apart."""
    plan = planned(material=PRICED, grind=GRIND)
    assert plan.grinding is not None
    assert plan.besides.cost is not None
    page = page_of(plan)
    assert "count powder by weight, so that the curve is smooth" in page
    assert f"{plan.besides.cost:.2f} in whole bags" in page


@pytest.mark.parametrize("ground", [False, True])
def test_silica_is_said_once_among_cautions_and_once_beside_grinding(ground: bool) -> None:
    """Where nothing is ground the cautions say it; where something is, the place beside it too."""
    job = {"material": PRICED, "grind": GRIND} if ground else {}
    page = page_of(planned(**job)).lower()
    assert page.count("silica") == page.count("harms lungs for good") == (2 if ground else 1)


def test_a_tip_that_is_ground_is_not_nothing() -> None:
    """A cone's tip of half a millimetre, 0.00003 l: less than a tenth, and never 0.0 l."""
    way = replace(planned().ways.each[0], ground_m3=2.6e-8, ground_m2=1.5e-4)
    for system, amount in (("metric", "0.1 l"), ("imperial", "0.1 US gal")):
        said = name_of(way, system)  # type: ignore[arg-type]
        assert f"grind less than {amount} off less than" in said
        assert not re.search(r"\b0\.0+ (l|US|m|ft)", said)
    large = name_of(replace(way, ground_m3=0.0023, ground_m2=1.95), "metric")
    assert "grind 2.3 l off 1.95 m²" in large
