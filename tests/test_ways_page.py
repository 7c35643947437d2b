"""Ways in a plan of a scan: result, page and printed line, and a load that nothing keeps."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.cli.lines import result_lines
from pourdatum.errors import JobError
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import plan_pour, result_data, write_results
from pourdatum.pour import Crew, Pump
from pourdatum.report.pour_block import pour_sheet
from pourdatum.report.ways_block import name_of, out_of_range, why_behind, would_work
from pourdatum.sheetfile import read_sheet, shipped_sheets
from pourdatum.surface import Surface
from pourdatum.units import show_volume

LONG_M, WIDE_M = 5.0, 4.0
ROOM = shapely.box(0.0, 0.0, LONG_M, WIDE_M)


def bowl(x: Any, y: Any) -> Any:
    """A level floor with one pocket 25 mm deep: cosine-shaped, 0.9 m of radius."""
    away = np.hypot(x - 2.0, y - 1.6)
    return np.where(away < 0.9, -0.0125 * (1.0 + np.cos(np.pi * away / 0.9)), 0.0)


@pytest.fixture(scope="module")
def surface() -> Surface:
    """A scan of it."""
    rng = np.random.default_rng(47)
    return surface_of(walled(ROOM, rng, per_m2=6000.0, height=bowl, noise_m=0.0005))


def planned(surface: Surface, **parts: Any) -> Plan:
    """A plan of it."""
    return plan_pour(surface, Job.model_validate(parts))


@pytest.fixture(scope="module")
def plan(surface: Surface) -> Plan:
    """With a price of the bag and none of grinding."""
    return planned(surface, material={"price_per_bag": 20.0, "labour_per_bag": 2.0, "waste": 0.05})


def test_the_plan_as_asked_is_among_them(plan: Plan) -> None:
    """With the fill, bags, cost and obstacles of the plan itself."""
    (asked,) = (way for way in plan.ways.each if way.asked)
    assert asked.volume_m3 == pytest.approx(plan.volume.volume_m3, rel=1e-9)
    assert (asked.bags, asked.cost) == (plan.order.bags, plan.order.cost)
    assert asked.against == plan.obstacles != ()
    assert asked.mass_kg_per_m2 == pytest.approx(plan.order.mass_kg_per_m2, rel=1e-9)


def test_the_pocket(plan: Plan) -> None:
    """Its place, and its litres against the formula: 10 mm are left for the pour.

    The cosine is deeper than 10 mm less 2 mm, so than 8 mm of 25, out to the radius where
    1 + cos is 0.64; its litres from there by rings of a tenth of a millimetre.
    """
    (pocket,) = plan.ways.pockets
    ring = (np.arange(9000) + 0.5) * 1e-4
    depth = 0.0125 * (1.0 + np.cos(np.pi * ring / 0.9)) - 0.008
    wanted = float((2.0 * np.pi * ring * np.maximum(depth, 0.0)).sum() * 1e-4)
    assert math.dist(pocket.place_m, (2.0, 1.6)) < 0.1
    # 0.2 mm of datum (what a high point may be out by) over its 0.9 m², and 1 % of its litres.
    assert pocket.volume_m3 == pytest.approx(wanted, abs=0.0002 * 0.9 + 0.01 * wanted)
    assert pocket.depth_m == pytest.approx(0.027, abs=0.0006)


def test_result_and_page(plan: Plan, tmp_path: Path) -> None:
    """All ways are in result.json, lifts adding up; the page names the first and the pocket."""
    data = result_data(plan)
    assert len(data["ways"]) == len(plan.ways.each)
    for way in data["ways"]:
        assert way["bags"] == sum(lift["bags"] for lift in way["lifts"])
        assert way["buildable"] is not bool(way["obstacles"])
    one = next(way for way in data["ways"] if way["asked"])
    own = data["material"]["name"]
    both = next(
        way
        for way in data["ways"]
        if [lift["material"] for lift in way["lifts"]] == 3 * [own] and not way["grind_l"]
    )
    assert sum(lift["volume_l"] for lift in both["lifts"]) == pytest.approx(
        one["lifts"][0]["volume_l"], abs=0.002
    )
    assert both["pockets"] == data["pockets"]
    # Each lift in whole bags at 20 and 2.
    assert both["cost"] == 22.0 * both["bags"]
    write_results(plan, tmp_path / "out")
    page = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    assert "Ways to this floor" in page
    assert "Deep pockets" in page
    assert "invented and generic" in page
    assert "What would work" in page
    assert "in the report" not in page


def test_the_printed_line(plan: Plan) -> None:
    """What would work follows what stands in the way."""
    lines = result_lines(plan, "out", ["report"])
    at = lines.index("NOT BUILDABLE AS IT STANDS:")
    assert any(line.startswith("What would work: ") for line in lines[at:])


def test_a_buildable_plan_says_nothing_of_it(surface: Surface) -> None:
    """The deep sheet takes the pocket in one lift: no line, the table stands all the same."""
    plan = planned(surface, material={"sheet": "deep"})
    assert plan.buildable
    assert not any("What would work" in line for line in result_lines(plan, "out", ["report"]))
    assert next(way for way in plan.ways.each if way.asked).works
    assert plan.ways.pockets == ()


def test_a_level_that_leaves_too_little(surface: Surface) -> None:
    """A level 1 mm over the floor is thin all round the pocket; 1 mm more of datum would do."""
    level_m = 0.001
    plan = planned(surface, datum={"kind": "level", "z_m": level_m}, material={"sheet": "deep"})
    (thin,) = plan.ways.thin
    # Deep takes 8 mm and more: all but where the cosine is deeper than 7 mm, 0.59 m of radius.
    radius_m = 0.9 / math.pi * math.acos(7.0 / 12.5 - 1.0)
    assert thin.area_m2 == pytest.approx(20.0 - math.pi * radius_m**2, abs=0.1)
    raised = [way for way in plan.ways.each if way.sheet is plan.sheet and way.rise_m > 0.0]
    assert [way.works for way in raised] == [True]
    assert raised[0].rise_m == pytest.approx(0.007, abs=0.0003)
    page_words = [item["depth_mm"] for item in result_data(plan)["thin"]]
    assert page_words == [pytest.approx(1.0, abs=0.5)]


def test_grinding_at_the_jobs_prices_is_the_plan_asked_for(surface: Surface) -> None:
    """Where the plan grinds, its way has its litres, and costs bags and grinding."""

    def hump(x: Any, y: Any) -> Any:
        away = np.hypot(x - 3.5, y - 2.5)
        return np.where(away < 0.5, 0.004 * (1.0 + np.cos(np.pi * away / 0.5)), 0.0)

    rng = np.random.default_rng(48)
    floor = surface_of(walled(ROOM, rng, per_m2=6000.0, height=hump, noise_m=0.0005))
    rates = {"price_per_m2": 6.0, "price_per_m2_mm": 1.5, "setup_price": 20.0}
    plan = planned(floor, grind=rates, material={"price_per_bag": 20.0})
    assert plan.grinding is not None
    assert plan.grinding.ground
    (asked,) = (way for way in plan.ways.each if way.asked)
    assert asked.volume_m3 == pytest.approx(plan.volume.volume_m3, rel=1e-9)
    assert asked.ground_m3 == plan.grinding.volume_m3
    wanted = 20.0 * plan.order.bags + 20.0 + 6.0 * plan.grinding.area_m2
    assert asked.cost == pytest.approx(wanted + 1500.0 * plan.grinding.volume_m3, rel=1e-12)
    # Poured without grinding it would take a bag for every 11.8 l of 8 mm over 20 m² more.
    own = (way for way in plan.ways.each if way.sheet is plan.sheet and len(way.lifts) == 1)
    unground = next(way for way in own if not way.ground_m3)
    assert unground.cost is not None
    assert unground.cost > asked.cost
    assert plan.ways.best is asked


def test_a_floor_that_nothing_fits() -> None:
    """A hollow of 260 mm: one sentence names the nearest way and what stands against it.

    Five lifts of the light sheet and one more take 5 x 36 + 40 = 220 mm.
    """

    def hollow(x: Any, y: Any) -> Any:
        away = np.hypot(x - 2.0, y - 1.8)
        return np.where(away < 1.5, -0.13 * (1.0 + np.cos(np.pi * away / 1.5)), 0.0)

    rng = np.random.default_rng(49)
    floor = surface_of(walled(ROOM, rng, per_m2=3000.0, height=hollow, noise_m=0.0005))
    plan = planned(floor)
    assert not plan.buildable
    assert plan.ways.best is None
    said = would_work(plan)
    assert said.startswith("No way that was compared works. The nearest is ")
    assert "deeper than" in said
    assert "screed under it, or more lifts than six" in said
    assert said in result_lines(plan, "out", ["report"])


def test_a_pocket_for_three_lifts(tmp_path: Path) -> None:
    """A pocket of 60 mm is too deep for every sheet and for two lifts of the standard one."""
    rng = np.random.default_rng(50)
    floor = surface_of(
        walled(ROOM, rng, per_m2=3000.0, height=lambda x, y: 2.4 * bowl(x, y), noise_m=0.0005)
    )
    plan = planned(floor)
    own = plan.sheet.name
    same = [way for way in plan.ways.each if {lift.sheet.name for lift in way.lifts} == {own}]
    # 62 mm: lifts end 10, 20, 30, 40 and 50 mm down, and the last reaches 62.
    assert max(len(way.lifts) for way in same) >= 5
    data = result_data(plan)
    best = next(way for way in data["ways"] if way["buildable"])
    assert len(best["lifts"]) >= 2
    said = would_work(plan)
    assert said.startswith("What would work: ")
    write_results(plan, tmp_path / "out")
    page = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    # Lifts of one material are counted together, the last one too.
    assert re.search(r"(three|four|five|six) lifts of levelling compound, \w+, the last over", page)
    assert "the same over all" not in page
    page = page.replace("\xa0", " ")
    assert "lifts end 50 mm, 40 mm, 30 mm, 20 mm and 10 mm below the datum" in page


def test_a_crew_reads_what_each_lift_takes(plan: Plan, tmp_path: Path) -> None:
    """Bags and litres lift by lift, in the order in which they are poured."""
    best = plan.ways.best
    assert best is not None
    several = next(way for way in plan.ways.each if way.works and len(way.lifts) > 1)
    write_results(plan, tmp_path / "out")
    page = (tmp_path / "out/report.html").read_text(encoding="utf-8").replace("\xa0", " ")
    bags = [f"{lift.bags}" for lift in several.lifts]
    litres = [show_volume(lift.volume_m3, "metric") for lift in several.lifts]
    assert f"bags lift by lift {', '.join(bags[:-1])} and {bags[-1]}" in page
    assert f"to fill {', '.join(litres[:-1])} and {litres[-1]}" in page


def test_pockets_are_filled_as_the_first_way_does(plan: Plan) -> None:
    """The page does not ask for a thick material where its first way lays two thin lifts."""
    several = next(way for way in plan.ways.each if way.works and len(way.lifts) == 3)
    ways = replace(plan.ways, each=(several, *(w for w in plan.ways.each if w is not several)))
    told = re.sub(r"<[^>]+>", "", str(out_of_range(replace(plan, ways=ways))))
    assert "lift by lift" in told
    assert "with a material that takes" not in told


def test_a_way_that_is_not_as_asked_does_not_read_so(plan: Plan) -> None:
    """A datum 0.04 mm lower may be what makes a way work: its name says that it is moved."""
    asked = next(way for way in plan.ways.each if way.asked)
    moved = name_of(replace(asked, asked=False, rise_m=-0.00004), "metric").replace("\xa0", " ")
    assert moved.startswith("datum less than 0.1 mm lower, levelling compound, standard")
    assert "datum" not in name_of(replace(asked, asked=False, rise_m=0.0), "metric")


def test_half_an_hour_later_is_not_none(plan: Plan) -> None:
    """Less than half an hour is no reason; a half is told as a half."""
    best = plan.ways.best
    assert best is not None
    base = replace(best, walk_h=21.0)
    assert "later" not in why_behind(replace(base, walk_h=21.1), base, "metric")
    assert "walked on 0.5 h later" in why_behind(
        replace(base, walk_h=21.5, cost=None), base, "metric"
    )


def test_a_pour_sheet_that_is_not_buildable_says_so(plan: Plan, surface: Surface) -> None:
    """A sheet that lies on the mixer without its first page; a buildable one has no such line."""
    assert not plan.buildable
    assert "not buildable as it stands" in str(pour_sheet(plan))
    deep = planned(surface, material={"sheet": "deep"})
    assert "not buildable" not in str(pour_sheet(deep))


def test_a_level_that_is_too_high_for_every_sheet(surface: Surface) -> None:
    """150 mm over a floor with a pocket of 25: the sentence says how much lower works, and it does.

    175 mm at the deepest; light takes 40, so 135 lower, and 15 mm are then left on the floor.
    """
    plan = planned(surface, datum={"kind": "level", "z_m": 0.15})
    assert plan.ways.best is None
    said = would_work(plan)
    lower = re.search(r"It works with the datum ([\d.]+) mm lower", said)
    assert lower is not None
    assert float(lower[1]) == pytest.approx(135.0, abs=1.0)
    assert "levelling compound, light in one lift" in said
    z_m = 0.15 - float(lower[1]) / 1000.0
    built = planned(surface, datum={"kind": "level", "z_m": z_m}, material={"sheet": "light"})
    assert built.buildable


def applied(job: dict[str, Any], plan: Plan) -> dict[str, Any] | None:
    """The job with the way out that its plan names; None where that is not a job of one lift."""
    mend, best = None if plan.pour is None else plan.pour.mend, plan.ways.best
    out = {key: dict(value) for key, value in job.items()}
    if isinstance(mend, Pump):
        out["pour"]["litres_per_minute"] = mend.litres_per_minute
    elif isinstance(mend, Crew):
        out["pour"]["mixers"] = mend.mixers
    if best is None or len(best.lifts) > 1 or best.ground_m3 > 0.0:
        return None
    if plan.datum.kind == "level":
        out["datum"]["z_m"] += best.rise_m
    if best.sheet.name != plan.sheet.name:
        names = {read_sheet(name).name: name for name in shipped_sheets()}
        out["material"] = {"sheet": names[best.sheet.name]}
    return out


def impossible(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Jobs that cannot be done as they stand: the level, the crew, the pump, or two of them."""
    high_m = 0.0  # Of the room, by its formula.
    low = {"kind": "level", "z_m": high_m + rng.uniform(-0.006, 0.0016)}
    thin = {"kind": "level", "z_m": high_m + 0.00165}
    good = {"kind": "level", "z_m": high_m + 0.004}
    pump = {"mode": "pump", "litres_per_minute": rng.uniform(0.2, 0.5)}
    crew = {"mixers": 1, "minutes_per_batch": 19.0, "bags_per_batch": 1}
    return [
        {"datum": low}, {"datum": thin}, {"datum": good, "pour": pump},
        {"datum": good, "pour": crew}, {"datum": low, "pour": pump},
    ]  # fmt: skip


def test_the_way_out_that_is_named_works(seed: int) -> None:
    """A flat room: each job that cannot be done, done as its plan says what would work."""
    rng = np.random.default_rng(seed)
    surface = surface_of(walled(ROOM, rng, per_m2=6000.0, noise_m=0.0005))
    tried = 0
    for job in impossible(rng):
        plan = planned(surface, **job)
        if plan.buildable:
            continue
        again = applied(job, plan)
        assert again is not None, (seed, job, would_work(plan))
        mended = planned(surface, **again)
        assert mended.buildable, (seed, job, would_work(plan), mended.obstacles)
        tried += 1
    assert tried >= 3, seed


def test_a_slow_pump_is_answered_by_a_faster_one(surface: Surface) -> None:
    """0.3 l a minute keep no edge wet: the rate that does is named, and no other datum."""
    high_m = 0.0  # Of the room, by its formula.
    job = {
        "datum": {"kind": "level", "z_m": high_m + 0.003},
        "material": {"sheet": "deep"} , "pour": {"mode": "pump", "litres_per_minute": 0.3},
    }  # fmt: skip
    plan = planned(surface, **job)
    assert plan.pour is not None
    assert plan.pour.obstacle in plan.obstacles
    said = would_work(plan)
    assert "l per minute" in said
    if len(plan.obstacles) == 1:
        assert "higher" not in said


def test_a_load_below_the_least_depth_is_refused(surface: Surface) -> None:
    """2 mm of the standard sheet weigh 2 x 1.7 x 1.22 = 4.1 kg wet; the lightest is named.

    Rapid: 2 x 1.65 x 1.2 = 3.96 kg; light, for all its name, 4 x 0.9 x 1.28 = 4.6 kg.
    """
    with pytest.raises(JobError, match=r"less than the 4\.1 that 2 mm of") as refused:
        planned(surface, pour={"max_load_kg_per_m2": 4.0})
    assert "rapid, weighs 4.0 at its least depth of 2 mm" in refused.value.hint
    assert refused.value.id == "load-too-low"
