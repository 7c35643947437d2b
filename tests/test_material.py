"""Bags, water, primer and what is not buildable, against sums a person can do."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.material import (
    Primer,
    Sheet,
    bags_needed,
    obstacles,
    order,
    powder_mass_kg,
    small_patches_m2,
)
from pourdatum.volume import Volume

SHEET = Sheet(
    "test compound", (2.0, 12.0), 1.7, 20.0, 4.4, 20.0,
    primer=(Primer("normal", 8.0, 1), Primer("absorbent", 6.0, 2)),
)  # fmt: skip

# Source and confidence stand in the file: exact by construction.
CASES = json.loads(
    (Path(__file__).parents[1] / "shared" / "bag_arithmetic.json").read_text("utf-8")
)["cases"]


def volume(mean_mm: float = 10.0, area_m2: float = 40.0, **changes: Any) -> Volume:
    """A fill of a floor of one depth."""
    depth_m = mean_mm / 1000.0
    values = {
        "volume_m3": depth_m * area_m2, "area_m2": area_m2, "mean_depth_m": depth_m,
        "min_depth_m": depth_m, "max_depth_m": depth_m, "short_m2": 0.0, "deep_m2": 0.0,
        "outline_m2": area_m2, "cut_m3": 0.0,
    }  # fmt: skip
    return Volume(**{**values, **changes})


def exact(fill: Volume) -> tuple[float, float]:
    """An interval of no width."""
    return fill.volume_m3, fill.volume_m3


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_published_bag_arithmetic(case: dict[str, Any]) -> None:
    """Mass and whole bags of the reference table, where one case is exactly two bags."""
    fill_m3 = case["area_m2"] * case["depth_mm"] / 1000.0
    mass_kg = powder_mass_kg(fill_m3, case["coverage_kg_m2_mm"])
    assert mass_kg == pytest.approx(case["mass_kg"], rel=1e-12)
    assert bags_needed(mass_kg, case["bag_kg"], case["waste"]) == case["bags"]


def test_common_practice() -> None:
    """Common practice with no source: 25 kg at 1.6 cover about 2 m² at 8 mm, and 37 m² at
    6 mm from 20 kg bags at 1.7 take 19.
    """
    assert pytest.approx(2.0, rel=0.03) == 25.0 / (1.6 * 8.0)
    assert bags_needed(powder_mass_kg(1.95 * 0.008, 1.6), 25.0) == 1
    assert bags_needed(powder_mass_kg(2.0 * 0.008, 1.6), 25.0) == 2
    assert bags_needed(powder_mass_kg(37.0 * 0.006, 1.7), 20.0) == 19


@given(
    whole=st.integers(0, 5000),
    bag_kg=st.floats(1.0, 1500.0),
    waste=st.sampled_from([0.0, 0.03, 0.05, 0.1]),
)
def test_float_dust_adds_no_bag(whole: int, bag_kg: float, waste: float) -> None:
    """Powder for exactly n bags takes n, however the mass was multiplied together."""
    mass_kg = whole * bag_kg / (1.0 + waste)
    assert bags_needed(mass_kg, bag_kg, waste) == whole


@given(whole=st.integers(0, 5000), share=st.floats(1e-6, 1.0))
def test_a_real_remainder_is_a_bag(whole: int, share: float) -> None:
    """A thousandth of a per cent of a bag more than n bags takes n + 1, up to 5 000 bags."""
    assert bags_needed((whole + max(share, 1e-5)) * 20.0, 20.0) == whole + 1


@pytest.mark.parametrize(
    ("powder_kg", "bag_kg", "waste", "said"),
    [
        (-1.0, 20.0, 0.0, "powder mass -1.0 kg"),
        (math.nan, 20.0, 0.0, "powder mass nan kg"),
        (10.0, 0.0, 0.0, "bag of 0.0 kg"),
        (10.0, 20.0, -0.1, "waste -0.1"),
    ],
)
def test_impossible_masses(powder_kg: float, bag_kg: float, waste: float, said: str) -> None:
    """What is no mass, bag or waste is refused by name."""
    with pytest.raises(ValueError, match=said):
        bags_needed(powder_kg, bag_kg, waste)


def test_order_of_a_plain_floor() -> None:
    """40 m² at 10 mm: 680 kg, 34 bags, 149.6 l of water, 5 l of primer, money at its price."""
    fill = volume()
    bought = order(
        fill, SHEET, volume_interval_m3=exact(fill), price_per_bag=19.5, labour_per_bag=2.0
    )
    assert bought.powder_kg == pytest.approx(680.0)
    assert bought.bags == 34
    assert bought.water_l == pytest.approx(34 * 4.4)
    assert bought.primer_l == pytest.approx(40.0 / 8.0)
    assert bought.cost == pytest.approx(34 * 21.5)
    assert bought.mass_kg_per_m2 == pytest.approx(10.0 * 1.7 * (1 + 4.4 / 20.0))


def test_waste_is_in_bags_and_not_in_powder() -> None:
    """5 % waste on 680 kg is 714 kg, 36 bags; the powder on the floor stays 680 kg."""
    fill = volume()
    bought = order(fill, SHEET, volume_interval_m3=exact(fill), waste=0.05)
    assert (bought.bags, bought.powder_kg) == (36, pytest.approx(680.0))


def test_two_coats_take_twice_the_primer() -> None:
    """An absorbent floor of 40 m² in two coats at 6 m² a litre takes 13.3 l."""
    fill = volume()
    bought = order(fill, SHEET, volume_interval_m3=exact(fill), absorbency="absorbent")
    assert bought.primer_l == pytest.approx(2 * 40.0 / 6.0)


def test_what_nobody_stated_is_none() -> None:
    """No price, no primer for this substrate, no set mass: none of them is made up."""
    fill = volume()
    bought = order(fill, SHEET, volume_interval_m3=exact(fill), absorbency="dense")
    assert (bought.primer_l, bought.cost, bought.set_kg_per_m2) == (None, None, None)


def test_bags_to_buy_by_hand() -> None:
    """400 l, interval of 2 x 1.96 x 3 l, 0.5 mm over 40 m² (20 l) and 1 % (4 l): the 95 %
    point is 400 + 1.645 x sqrt(9 + 400 + 16) = 433.9 l, 36.9 bags.
    """
    fill = volume()
    half_m3 = 1.959964 * 0.003
    bought = order(fill, SHEET, volume_interval_m3=(0.4 - half_m3, 0.4 + half_m3))
    assert bought.bags_to_buy == 37
    assert bought.bags_interval == (34, 35)  # 394.1 l are 33.5 bags, 405.9 l are 34.5.


def test_the_chance_of_running_short_by_hand() -> None:
    """The same 400 l and 20.6 l: N bags hold N x 11.765 l, and 1 - Phi tells the chance.

    34 bags are the mean, 400.0 l: one in two; 36 hold 423.5 l, 12.7 %; 37 hold 435.3 l, 4.3 %.
    2000 levels of the normal distribution know a share to 1 / 4000.
    """
    fill = volume()
    half_m3 = 1.959964 * 0.003
    bought = order(fill, SHEET, volume_interval_m3=(0.4 - half_m3, 0.4 + half_m3))
    spread_l = math.sqrt(9.0 + 400.0 + 16.0)
    assert [bags for bags, _ in bought.short] == [34, 35, 36, 37, 38, 39]
    for bags, share in bought.short:
        held_l = bags * 20.0 / 1.7
        wanted = 1.0 - NormalDist(400.0, spread_l).cdf(held_l)
        assert share == pytest.approx(wanted, abs=0.0005)


def test_one_bag_less_and_one_more_are_always_told() -> None:
    """Of a large pour not every number of bags is listed, but those beside what to buy are."""
    fill = replace(volume(), volume_m3=12.0)
    bought = order(fill, SHEET, volume_interval_m3=(10.0, 14.0))
    told = [bags for bags, _ in bought.short]
    wanted = {bought.bags, *range(bought.bags_to_buy - 1, bought.bags_to_buy + 2)}
    assert wanted <= set(told)
    assert told == sorted(told)
    assert len(told) <= 10
    shares = dict(bought.short)
    assert shares[bought.bags_to_buy] <= 0.05 < shares[bought.bags_to_buy - 1]


def test_bags_for_a_fill_that_was_drawn() -> None:
    """Fills spread evenly from 300 to 500 l: 95 % are below 490 l; half need more than 400.

    Poured without error: 490 l are 41.7 bags, 42; with 20 % waste 50. With 42 bags, which hold
    494.1 l, the upper 3 % run short.
    """
    fill = volume()
    drawn = np.linspace(0.3, 0.5, 2001)
    how = {"volume_interval_m3": (0.3, 0.5), "pour_accuracy_m": 0.0, "bag_yield_share": 0.0}
    bought = order(fill, SHEET, draws_m3=drawn, **how)
    assert bought.bags_to_buy == 42
    assert order(fill, SHEET, draws_m3=drawn, waste=0.2, **how).bags_to_buy == 50
    chances = dict(bought.short)
    assert chances[34] == pytest.approx(0.5, abs=0.001)
    assert chances[42] == pytest.approx((500.0 - 42 * 20.0 / 1.7) / 200.0, abs=0.001)


@given(st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_more_confidence_never_buys_less(a: float, b: float) -> None:
    """Bags to buy rise with the confidence and are never fewer than the expected use."""
    fill = volume()
    low, high = (
        order(fill, SHEET, volume_interval_m3=(0.38, 0.42), confidence=share)
        for share in sorted((a, b))
    )
    assert low.bags <= low.bags_to_buy <= high.bags_to_buy


def test_nothing_to_fill_buys_nothing() -> None:
    """A datum below the floor takes no bag, no water, no primer, and says so."""
    fill = volume(0.0, volume_m3=0.0, area_m2=0.0, mean_depth_m=0.0, min_depth_m=-0.02,
                  max_depth_m=-0.01, short_m2=40.0)  # fmt: skip
    bought = order(fill, SHEET, volume_interval_m3=(0.0, 0.0))
    assert (bought.bags, bought.bags_to_buy, bought.water_l, bought.primer_l) == (0, 0, 0.0, 0.0)
    assert bought.mass_kg_per_m2 == 0.0
    assert "nothing to pour" in obstacles(fill, SHEET, area_m2=40.0)[0]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"short_m2": 0.3}, "0.30 m² would be thinner than the 2 mm"),
        ({"deep_m2": 0.3}, "0.30 m² would be deeper than the 12 mm"),
    ],
)
def test_depths_outside_the_sheet(changes: dict[str, float], said: str) -> None:
    """More than 0.5 % of the floor (0.20 of 40 m²) outside the range stands in the way."""
    found = obstacles(volume(**changes), SHEET, area_m2=40.0)
    assert len(found) == 1
    assert said in found[0]


def test_small_patches_do_not_stop_a_plan() -> None:
    """0.19 m² short and 0.19 m² deep of 40 m² are patches to be filled by hand."""
    assert obstacles(volume(short_m2=0.19, deep_m2=0.19), SHEET, area_m2=40.0) == ()


@given(st.floats(0.0, 1e5))
def test_small_patch_rule(area_m2: float) -> None:
    """Allowed patches are never under 100 mm square nor over 1 m², and else 0.5 %."""
    allowed = small_patches_m2(area_m2)
    assert 0.01 <= allowed <= 1.0
    assert allowed == pytest.approx(min(max(0.005 * area_m2, 0.01), 1.0))


def test_load_of_a_suspended_floor() -> None:
    """12 mm of 2.074 kg per m² and mm weigh 24.9 kg per m²: too much for 24, borne by 25."""
    fill = volume(12.0)
    assert "24.9 kg per m²" in obstacles(fill, SHEET, area_m2=40.0, max_load_kg_per_m2=24.0)[0]
    assert obstacles(fill, SHEET, area_m2=40.0, max_load_kg_per_m2=25.0) == ()


def test_a_material_that_levels_itself_holds_no_fall() -> None:
    """A datum that falls by 10 mm per m is not buildable with a sheet that holds none."""
    found = obstacles(volume(), SHEET, area_m2=40.0, datum_slope=0.010)
    assert "a screed laid to falls" in found[0]


def test_cover_time_goes_on_beyond_the_table() -> None:
    """24 h at 3 mm and 72 h at 10 mm: 24 h below, 48 h half-way, and on at the same rate above."""
    sheet = Sheet("x", (2, 20), 1.7, 20, 4.4, 20, cover_after_h=((3, 24), (10, 72)))
    hours = [sheet.cover_hours(depth / 1000) for depth in (1, 3, 6.5, 10, 13.5)]
    assert hours == pytest.approx([24, 24, 48, 72, 96])
    assert SHEET.cover_hours(0.005) is None
