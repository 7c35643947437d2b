"""What is bought besides the material, and the mixing card, by hand and against trade figures."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import pytest
import shapely

from finished import SHEET, make_plan, make_survey
from pourdatum.buying import STOP_OVER_M, buy_besides, edge_strip_m
from pourdatum.outcome import Plan
from pourdatum.report.blocks import SILICA
from pourdatum.report.mixing_block import HAZARDS, mixing_card, to_buy
from pourdatum.sheetfile import read_sheet, shipped_sheets

FACTS = {
    row["id"]: row
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "shared" / "trade_facts.csv").read_text("utf-8").splitlines()
    )
}


def text_of(html: object) -> str:
    """What a person reads of it."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", str(html).replace("\u00a0", " ")))


@pytest.fixture(scope="module")
def plan() -> Plan:
    """An L of 8 by 6 m with a column of 0.3 m and a drain of 75 mm radius."""
    return make_plan()


def test_edge_strip_by_hand(plan: Plan) -> None:
    """The L's outline is 28 m, the column's 1.2 m; the drain has a block of its own."""
    floor = plan.surface.floor
    assert edge_strip_m(floor.outline, floor.openings) == pytest.approx(29.2)
    two = shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 0, 4, 1)])
    assert edge_strip_m(two, ()) == pytest.approx(10.0)


def test_blocks_stand_above_the_deepest_pour_beside(plan: Plan) -> None:
    """At the drain the pour is as deep as the formula's floor lies below the datum."""
    bought = buy_besides(plan.surface, plan.depth_m, stop_ends_m=4.0, cost=880.0)
    (block,) = bought.blocks
    x, y = plan.surface.grid.mesh()
    near = (abs(x - 2.6) <= 0.226) & (abs(y - 1.9) <= 0.226) & plan.surface.measured
    assert block.height_m == pytest.approx(float(plan.depth_m[near].max()) + STOP_OVER_M)
    # A circle of 75 mm drawn with 64 sides.
    assert block.length_m == pytest.approx(0.471, abs=0.001)
    assert bought.stop_ends_m == 4.0
    assert bought.cost_per_m2 == pytest.approx(880.0 / plan.surface.floor.outline.area)


def test_nothing_seen_beside_an_opening_is_none(plan: Plan) -> None:
    """Where no floor was seen around it the height is not made up."""
    depth_m = plan.depth_m + float("nan")
    assert buy_besides(plan.surface, depth_m).blocks[0].height_m is None


def test_the_page_of_what_to_buy(plan: Plan) -> None:
    """Metres, blocks, money and load stand on it; without prices no money."""
    bought = buy_besides(plan.surface, plan.depth_m, stop_ends_m=4.0, cost=352.0)
    said = text_of(to_buy(replace(plan, besides=bought, max_load_kg_per_m2=10.0)))
    assert "29.20 m, along walls and columns" in said
    assert "Stop-ends 4.00 m" in said
    assert f"{352.0 / plan.surface.floor.outline.area:.2f} per m²" in said
    assert "10 kg per m²; the pour weighs" in said
    assert "too heavy" in said
    none = text_of(to_buy(replace(plan, besides=buy_besides(plan.surface, plan.depth_m))))
    assert "Money" not in none
    assert "not given; the pour weighs" in none


def test_the_mixing_card(plan: Plan) -> None:
    """4.4 ± 0.1 l: 4.30 to 4.50 l; a tenth of 4.4 l is 0.44 l, 4.4 times the tolerance."""
    said = text_of(mixing_card(plan))
    assert "4.40 l, 4.40 kg on a scale" in said
    assert "4.30 l to 4.50 l" in said
    assert "wrong by a tenth (common practice), here 0.44 l, 4.4 times" in said
    assert "10 to 25 °C" in said
    assert "within 20 min" in said
    assert "1 coat, 45 min dry" in said


def test_a_sheet_without_a_tolerance(plan: Plan) -> None:
    """2 to 3 % of 4.4 l, 0.09 to 0.13 l: common practice, no source."""
    said = text_of(mixing_card(replace(plan, sheet=replace(SHEET, water_tolerance_l=None))))
    assert "0.09 l to 0.13 l either way is usual (common practice)" in said


def test_the_card_in_pounds() -> None:
    """4.4 l are 1.16 US gal and weigh 9.70 lb (0.45359237 kg, 3.785411784 l)."""
    said = text_of(mixing_card(make_plan(make_survey(system="imperial"))))
    assert "1.16 US gal, 9.70 lb on a scale" in said
    assert "50 to 77 °F" in said
    assert "One US gallon of water weighs 8.35 lb" in said


def test_the_hazards_are_those_of_their_sources() -> None:
    """Statements and limits of shared/trade_facts.csv, which names their sources."""
    said = " ".join([*HAZARDS, SILICA])
    for code in re.findall(r"H31\d", FACTS["CEMENT-H"]["value"]):
        assert code in said
    assert f"{FACTS['SILICA-OSHA-PEL']['value']} mg per m³" in said
    assert f"{FACTS['SILICA-UK-WEL']['value']} in the United Kingdom" in said
    assert f"{FACTS['CEMENT-CR6']['value']} mg per kg" in said


def ends(key: str) -> tuple[float, float]:
    """First range of a fact."""
    found = re.search(r"([\d.]+)-([\d.]+)", FACTS[key]["value"])
    assert found is not None
    return float(found[1]), float(found[2])


@pytest.mark.parametrize("name", shipped_sheets())
def test_shipped_sheets_are_sensible(name: str) -> None:
    """Powder and primer within the ranges of shared/trade_facts.csv (common practice)."""
    sheet = read_sheet(name)
    low, high = ends("SLU-COVER-LIGHT" if name == "light" else "SLU-COVER")
    assert low <= sheet.powder_kg_per_m2_mm <= high
    low, high = ends("SLU-PRIME")
    assert all(low <= one.coverage_m2_per_l <= high for one in sheet.primer)
    # Common practice, no source: the water stays within 2 to 3 % of what is stated, in whole per
    # cents.
    assert sheet.water_tolerance_l is not None
    assert round(100.0 * sheet.water_tolerance_l / sheet.water_l_per_bag) in (2, 3)


def test_a_light_mix_weighs_about_half() -> None:
    """Common practice, no source: light powder weighs about half of the standard one."""
    light, standard = (read_sheet(name).powder_kg_per_m2_mm for name in ("light", "standard"))
    assert light / standard == pytest.approx(0.5, abs=0.05)
