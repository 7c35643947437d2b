"""Grind or pour on scanned floors: the chosen datum, its humps and its figures against the formula.

The brute force takes the two integrals of "grind or pour" from the formula on a fine lattice.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import shapely
from scipy.ndimage import label

from made_scan import surface_of, walled
from pourdatum.areaerror import area_uncertainty_m2
from pourdatum.costcurve import Prices
from pourdatum.datum import Datum, DatumRequest, choose_datum
from pourdatum.grinding import Grinding, _cost_between, weigh_grinding
from pourdatum.job import Job
from pourdatum.outcome import Plan
from pourdatum.pipeline import plan_pour
from pourdatum.placedepth import depth_at
from pourdatum.results import as_data, plan_result
from pourdatum.simulate import Hump, Relief, Wave, patch_mean
from pourdatum.spread import fill_draws_m3
from pourdatum.surface import Surface

LONG_M, WIDE_M = 4.0, 3.0
ROOM = shapely.box(0.0, 0.0, LONG_M, WIDE_M)
LEAST_M = 0.002
LATTICE_M = 0.01
CLEAR_M = 0.0003
"""What stands out by less may be listed as a hump or not [m]."""
AIM_M = 0.0002
"""What the high point may be out by on a sound scan [m]: the aim of the table of accuracy."""
PRICES = Prices(1700.0, 6.0, 1500.0, 20.0)
TWO = (Hump(1.0, 1.0, 0.008, 0.7), Hump(3.0, 2.0, 0.006, 0.6))
GENTLE = Relief(slope_x=0.0008, waves=(Wave(0.0006, 3.5, 0.4, 0.3),), humps=TWO)


@cache
def scanned(relief: Relief, seed: int) -> tuple[Surface, Datum]:
    """A scan of a floor, and its high-point datum."""
    rng = np.random.default_rng(seed)
    surface = surface_of(walled(ROOM, rng, per_m2=8000.0, height=relief.height))
    return surface, choose_datum(surface, DatumRequest("high-point"), LEAST_M)


def weighed(relief: Relief, seed: int, prices: Prices = PRICES, **limits: Any) -> Grinding:
    """The decision on a scan of a floor."""
    surface, datum = scanned(relief, seed)
    given = {"least_m": LEAST_M, "greatest_m": 0.1} | limits
    return weigh_grinding(surface, datum, prices, **given)


def lattice(relief: Relief) -> np.ndarray:
    """The formula at the middles of a lattice, (ny, nx)."""
    x, y = np.meshgrid(
        (np.arange(round(LONG_M / LATTICE_M)) + 0.5) * LATTICE_M,
        (np.arange(round(WIDE_M / LATTICE_M)) + 0.5) * LATTICE_M,
    )
    return np.asarray(relief.height(x, y))


def true_top_m(relief: Relief) -> float:
    """The highest mean over a square of 100 mm on the floor, from a grid of places [m]."""
    x, y = np.meshgrid(np.arange(0.05, LONG_M - 0.049, 0.01), np.arange(0.05, WIDE_M - 0.049, 0.01))
    return float(patch_mean(relief.height, x.ravel(), y.ravel()).max())


def true_costs(relief: Relief, prices: Prices, datum_m: np.ndarray) -> np.ndarray:
    """What data cost on the floor of the formula if it is ground for them."""
    z, da = np.sort(lattice(relief), axis=None), LATTICE_M**2
    sums = np.concatenate([[0.0], np.cumsum(z)])
    level = datum_m - LEAST_M
    below = np.searchsorted(z, level)
    above = z.size - below
    fill = (LEAST_M * z.size + level * below - sums[below]) * da
    cut = (sums[-1] - sums[below] - level * above) * da
    volumes = prices.fill_per_m3 * fill + prices.grind_per_m3 * cut
    return np.asarray(volumes + prices.grind_per_m2 * above * da + prices.setup)


def true_cost(relief: Relief, prices: Prices, datum_m: float, *, ground: bool) -> float:
    """What one datum costs there."""
    if ground:
        return float(true_costs(relief, prices, np.array([datum_m]))[0])
    z = lattice(relief)
    return prices.fill_per_m3 * float(np.maximum(datum_m - z, 0.0).sum()) * LATTICE_M**2


def cheapest_true(relief: Relief, prices: Prices, low_m: float = -math.inf) -> float:
    """The least that any datum costs there, of those from ``low_m`` up: steps of 5 um."""
    top = true_top_m(relief) + LEAST_M
    levels = np.arange(top, max(float(lattice(relief).min()) + LEAST_M, low_m), -5e-6)
    unground = true_cost(relief, prices, top, ground=False)
    return min(unground, float(true_costs(relief, prices, levels).min()))


def pieces(relief: Relief, level_m: float) -> tuple[np.ndarray, list[int]]:
    """The connected pieces of the formula over a level, numbered, and which stand clear of it."""
    z = lattice(relief)
    labels, count = label(z > level_m, np.ones((3, 3)))
    numbers = range(1, count + 1)
    return labels, [k for k in numbers if z[labels == k].max() > level_m + CLEAR_M]


# --- the decision ---------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [931, 932, 933, 934])
def test_the_chosen_datum_costs_within_one_percent_of_the_cheapest(seed: int) -> None:
    """On fresh floors at fresh prices, and the humps said to be worth it are those that stand out.

    Judged is the true cost of the chosen datum, not what we say it costs: that is held to what
    0.2 mm of level costs all over.
    """
    rng = np.random.default_rng(seed)
    humps = tuple(
        Hump(*place, rng.uniform(0.004, 0.011), rng.uniform(0.5, 0.8))
        for place in ((0.9, 0.8), (3.1, 0.9), (2.0, 2.2))
    )
    wave = Wave(rng.uniform(0.0, 0.001), 3.0, rng.uniform(0, 6))
    slope_x, slope_y = rng.uniform((0.0005, 0.0), (0.0015, 0.001))
    relief = Relief(slope_x=slope_x, slope_y=slope_y, waves=(wave,), humps=humps)
    prices = Prices(rng.uniform(1000.0, 2500.0), *rng.uniform((0, 0, 0), (12.0, 5000.0, 30.0)))
    found = weighed(relief, seed, prices)
    level, ground = found.datum.plane.z0_m, bool(found.ground)
    best = cheapest_true(relief, prices)
    assert true_cost(relief, prices, level, ground=ground) <= 1.01 * best
    assert found.cost == pytest.approx(best, abs=prices.fill_per_m3 * AIM_M * ROOM.area)
    labels, clear = pieces(relief, level - LEAST_M)
    reach, hit = round(0.1 / LATTICE_M), set()
    for hump in found.ground:
        col, row = (int(at / LATTICE_M) for at in hump.place_m)
        near = labels[max(row - reach, 0) : row + reach + 1, max(col - reach, 0) : col + reach + 1]
        assert near.any()
        hit |= set(near.ravel().tolist())
    assert not ground or set(clear) <= hit
    assert len(found.ground) <= labels.max()


def test_both_humps_go_and_their_figures_are_those_of_the_formula() -> None:
    """Volume, area and saving at the chosen datum, from the formula at that datum.

    A level that errs by 0.2 mm over the ground area, or the whole floor, is allowed: the area is
    that of the formula within so much of the level.
    """
    found = weighed(GENTLE, 21)
    level = found.datum.plane.z0_m - LEAST_M
    z, da = lattice(GENTLE), LATTICE_M**2
    ground_m2 = np.count_nonzero(z > level) * da
    assert len(found.ground) == 2
    assert found.volume_m3 == pytest.approx(
        np.maximum(z - level, 0).sum() * da, abs=1e-4 * ground_m2
    )
    least, most = (np.count_nonzero(z > level + off) * da for off in (AIM_M, -AIM_M))
    assert least < found.area_m2 < most
    unground = (true_top_m(GENTLE) + LEAST_M - z).sum() * da
    saved = unground - np.maximum(level + LEAST_M - z, LEAST_M).sum() * da
    assert found.saved_m3 == pytest.approx(saved, abs=AIM_M * ROOM.area)
    assert found.saved_m3 == pytest.approx(found.ground[-1].saves_m3)
    for hump in found.ground:
        around = 2 * math.sqrt(math.pi * hump.area_m2)
        # Half a cell of 25 mm all round, of a ragged edge.
        assert hump.outline.area == pytest.approx(hump.area_m2, abs=0.0125 * 2 * around)
        assert hump.outline.contains(shapely.Point(hump.place_m))
    # What hardly stands out is ground with them, and is in no list.
    listed = sum(hump.grind_m3 for hump in found.ground)
    assert 0.0 <= found.volume_m3 - listed < CLEAR_M * ground_m2


def test_the_higher_saves_down_to_the_lower() -> None:
    """Alone, the higher hump brings the datum to the top of the lower: the fill of that slab.

    Two tops, 0.2 mm each.
    """
    found = weighed(GENTLE, 21)
    first, second = found.ground
    assert math.dist(first.place_m, (1.0, 1.0)) < 0.1
    z, da = lattice(GENTLE), LATTICE_M**2
    top, lower = true_top_m(GENTLE), float(np.max(z[:, z.shape[1] // 2 :]))
    slab = (top - z).sum() * da - np.maximum(lower - z, 0.0).sum() * da
    assert first.saves_m3 == pytest.approx(slab, abs=2 * AIM_M * ROOM.area)
    assert second.saves_m3 > first.saves_m3


@pytest.mark.parametrize(
    "prices",
    [replace(PRICES, setup=1e6), replace(PRICES, grind_per_m2=1e6), replace(PRICES, fill_per_m3=0)],
)
def test_where_grinding_does_not_pay_the_high_point_stands(prices: Prices) -> None:
    """The datum is the one given, humps are listed as not worth it, and nothing is taken off."""
    found = weighed(GENTLE, 21, prices)
    assert found.datum == scanned(GENTLE, 21)[1]
    assert [hump.worth for hump in found.humps] == [False, False]
    assert (found.volume_m3, found.area_m2, found.saved_m3) == (0.0, 0.0, 0.0)
    assert found.cost == found.unground_cost


def test_noise_is_never_ground() -> None:
    """A level floor at usual prices without set-up: what stands out is luck, and stays."""
    for seed in (31, 32):
        found = weighed(Relief(), seed, replace(PRICES, setup=0.0))
        assert (found.ground, found.datum.lowered_m) == ((), 0.0)


def test_the_curve_ends_over_the_high_point_and_holds_the_choice() -> None:
    """From the deepest datum allowed up to the top; the chosen one is a point and the least."""
    found = weighed(GENTLE, 21, deepest_m=0.008)
    level, cost = found.curve.T
    top = scanned(GENTLE, 21)[1].plane.z0_m
    assert level[0] == pytest.approx(top - 0.008)
    assert level[-1] == top
    assert (np.diff(level) > 0).all()
    assert len(level) < 300
    at = np.flatnonzero(level == found.datum.plane.z0_m)
    assert cost[at] == pytest.approx(cost.min(), rel=1e-9)
    assert cost[-1] == pytest.approx(found.unground_cost)


def test_a_blob_of_mortar_is_chipped_and_not_ground() -> None:
    """A solid spot 80 mm wide and 15 mm high beside the humps is a nib: the decision is the same.

    Points under it are gone, which moves the datum by less than the 0.2 mm it is known to.
    """
    rng = np.random.default_rng(21)
    points = walled(ROOM, rng, per_m2=8000.0, height=GENTLE.height)
    away = np.hypot(points[:, 0] - 2.2, points[:, 1] - 0.7)
    r, turn = 0.04 * np.sqrt(rng.random(80)), rng.uniform(0.0, 2 * np.pi, 80)
    x, y = 2.2 + r * np.cos(turn), 0.7 + r * np.sin(turn)
    z = GENTLE.height(x, y) + 0.015 * np.sqrt(1.0 - (r / 0.04) ** 2)
    kept = points[(away > 0.04) | (points[:, 2] > 0.05)]
    spotted = surface_of(np.concatenate([kept, np.column_stack([x, y, z])]))
    assert len(spotted.nibs) == 1
    datum = choose_datum(spotted, DatumRequest("high-point"), LEAST_M)
    found = weigh_grinding(spotted, datum, PRICES, least_m=LEAST_M, greatest_m=0.1)
    clean = weighed(GENTLE, 21)
    assert found.datum.plane.z0_m == pytest.approx(clean.datum.plane.z0_m, abs=AIM_M)
    assert len(found.ground) == 2
    assert all(math.dist(hump.place_m, (2.2, 0.7)) > 0.3 for hump in found.humps)


# --- limits ---------------------------------------------------------------------------------------


def test_the_deepest_grind_binds() -> None:
    """Where all would be ground 6 mm deep and 2 are allowed, the datum lies 2 mm lower."""
    found = weighed(GENTLE, 21, deepest_m=0.002)
    assert found.datum.lowered_m == pytest.approx(0.002, abs=1e-9)
    assert found.bound == "deepest grind"
    best = cheapest_true(GENTLE, PRICES, true_top_m(GENTLE) + LEAST_M - 0.002)
    level = found.datum.plane.z0_m
    cost = true_cost(GENTLE, PRICES, level, ground=True)
    assert cost == pytest.approx(best, abs=PRICES.fill_per_m3 * AIM_M * ROOM.area)


def test_the_greatest_depth_binds() -> None:
    """At a price at which nothing would be ground, a depth too great forces it, to 0.2 mm.

    The dearer the area, the higher the datum: it lies at the limit.
    """
    dear = replace(PRICES, grind_per_m2=4000.0)
    lowest = float(lattice(GENTLE).min())
    free = weighed(GENTLE, 21, dear)
    assert free.ground == ()
    greatest = free.datum.plane.z0_m - lowest - 0.001
    found = weighed(GENTLE, 21, dear, greatest_m=greatest)
    assert found.bound == "greatest depth"
    assert found.datum.plane.z0_m - lowest == pytest.approx(greatest, abs=0.0002)
    assert found.ground
    assert found.too_deep_m == pytest.approx(found.datum.plane.z0_m, abs=1e-9)


CORNER = Relief(slope_x=0.003, slope_y=0.002, humps=(Hump(2.5, 1.8, 0.006, 0.6),))


def corner_weighed(*things: tuple[Any, float]) -> tuple[Grinding, float]:
    """A floor whose south-west corner is lowest, 1 mm too deep; the level of its lowest 100 mm."""
    rng = np.random.default_rng(5)
    points = walled(ROOM, rng, per_m2=8000.0, height=CORNER.height, noise_m=0.0001, things=things)
    surface = surface_of(points)
    datum = choose_datum(surface, DatumRequest("high-point"), LEAST_M)
    low_m = float(patch_mean(CORNER.height, np.array([0.05]), np.array([0.05]))[0])
    dear = replace(PRICES, grind_per_m2=4000.0)
    greatest_m = datum.plane.z0_m - low_m - 0.001
    found = weigh_grinding(surface, datum, dear, least_m=LEAST_M, greatest_m=greatest_m)
    return found, low_m + greatest_m


def test_the_greatest_depth_is_measured_from_the_lowest_patch() -> None:
    """From the mean over its lowest 100 mm, to 0.03 mm where the scan has next to no noise.

    On this corner the level under which 0.01 m² lie is 0.1 mm higher: 0.05 x 5 mm per m against
    the square root of 2 x 0.01 x 3 x 2 mm.
    """
    found, limit_m = corner_weighed()
    assert found.bound == "greatest depth"
    assert found.datum.plane.z0_m == pytest.approx(limit_m, abs=3e-5)
    assert found.unseen_m < 1e-4


def test_a_low_corner_that_nobody_saw_is_in_what_holds_the_datum() -> None:
    """A crate of 0.9 by 0.9 m in it: the datum is too high, by no more than is stated."""
    found, limit_m = corner_weighed((shapely.box(0.0, 0.0, 0.9, 0.9), 0.8))
    over_m = found.datum.plane.z0_m - limit_m
    assert over_m > 0.0005
    assert found.unseen_m == found.held_m
    assert over_m < found.held_m < 0.006
    assert found.held_cost > 0.0


def test_a_hollow_that_goes_on_under_a_crate_is_no_noise(seed: int) -> None:
    """Floor carried on down under it decides: what that may be out by is told as unseen."""
    hollow = Relief(humps=(Hump(2.5, 1.8, 0.006, 0.6), Hump(1.2, 1.0, -0.01, 0.9, "cosine")))
    rng = np.random.default_rng(seed)
    crate = (shapely.box(0.8, 0.6, 1.6, 1.4), 0.8)
    points = walled(ROOM, rng, per_m2=8000.0, height=hollow.height, noise_m=0.0003, things=(crate,))
    surface = surface_of(points)
    datum = choose_datum(surface, DatumRequest("high-point"), LEAST_M)
    seen_m = float(surface.height_m[surface.measured].min())
    carried_m = float(surface.height_m[surface.inferred].min())
    assert carried_m < seen_m
    greatest_m = datum.plane.z0_m - carried_m - 0.001
    dear = replace(PRICES, grind_per_m2=4000.0)
    found = weigh_grinding(surface, datum, dear, least_m=LEAST_M, greatest_m=greatest_m)
    assert found.bound == "greatest depth"
    assert found.unseen_m == found.held_m > 0.0
    over_m = found.datum.plane.z0_m - greatest_m - float(lattice(hollow).min())
    assert abs(over_m) < found.unseen_m


def test_unseen_floor_that_may_lie_lower_is_told_though_it_is_carried_on_higher(seed: int) -> None:
    """A hollow under a crate of which the rim alone shows, and a corner that was seen lower.

    The corner sets the limit. How far the floor under the crate may reach below it is told, and
    so is that the limit is out by no less.
    """
    hollow = Hump(1.5, 1.3, -0.0105, 0.8, "cosine")
    relief = replace(CORNER, humps=(*CORNER.humps, hollow))
    crate = (shapely.box(1.0, 0.8, 2.0, 1.8), 0.8)
    rng = np.random.default_rng(seed)
    points = walled(ROOM, rng, per_m2=8000.0, height=relief.height, noise_m=0.0001, things=(crate,))
    surface = surface_of(points)
    datum = choose_datum(surface, DatumRequest("high-point"), LEAST_M)
    seen_m = float(surface.height_m[surface.measured].min())
    assert float(surface.height_m[surface.inferred].min()) > seen_m
    dear = replace(PRICES, grind_per_m2=4000.0)
    greatest_m = datum.plane.z0_m - seen_m - 0.001
    found = weigh_grinding(surface, datum, dear, least_m=LEAST_M, greatest_m=greatest_m)
    assert found.bound == "greatest depth"
    assert 0.0005 < found.unseen_m == found.held_m


def test_a_limit_known_poorly_costs_what_the_curve_says() -> None:
    """By the curve at both ends and not by its slope carried on: 10 z², 2 mm off at 1 mm, by hand.

    90 - 10 = 80 upwards, where the slope of 20 over 2 mm would say 40.
    """
    curve = SimpleNamespace(top_m=9.0, cost=lambda z: 10.0 * np.asarray(z) ** 2)
    assert _cost_between(cast("Any", curve), 1.0, -9.0, 2.0) == pytest.approx(80.0)


def test_a_pocket_does_not_bind() -> None:
    """A hollow of 20 mm and 0.2 m across is filled first: it forces no grinding."""
    relief = replace(GENTLE, humps=(*TWO, Hump(2.1, 0.5, -0.02, 0.1, "cosine")))
    dear = replace(PRICES, grind_per_m2=4000.0)
    found = weighed(relief, 22, dear, greatest_m=0.015)
    assert found.ground == ()
    assert found.too_deep_m is None


def test_what_a_limit_that_is_not_known_costs() -> None:
    """Where a level is held, its 95 % times the slope of the true cost there; nothing where free.

    By hand: unground a metre of datum costs the fill of the whole floor; ground it costs the fill
    over what is not ground less the concrete and the rim of what is, here from the formula by
    differences of 20 um.
    """
    unground = weighed(GENTLE, 21, replace(PRICES, setup=1e6))
    high_m = 1.959964 * scanned(GENTLE, 21)[1].standard_error_m
    assert unground.held_m == pytest.approx(high_m, rel=1e-6)
    assert unground.held_cost == pytest.approx(
        high_m * PRICES.fill_per_m3 * scanned(GENTLE, 21)[0].floor.outline.area, rel=1e-6
    )
    deepest = weighed(GENTLE, 21, deepest_m=0.002)
    around = deepest.datum.plane.z0_m + np.array([-1e-5, 1e-5])
    slope = abs(float(np.diff(true_costs(GENTLE, PRICES, around))[0])) / 2e-5
    assert deepest.held_m == pytest.approx(high_m, rel=1e-6)
    assert deepest.held_cost == pytest.approx(high_m * slope, rel=0.05)
    free = weighed(GENTLE, 21)
    assert (free.bound, free.held_m, free.held_cost) == (None, 0.0, 0.0)


def test_the_greatest_depth_is_known_as_well_as_the_lowest_floor() -> None:
    """Its error is that of the cells that are lowest, and not of the highest."""
    dear = replace(PRICES, grind_per_m2=4000.0)
    surface, datum = scanned(GENTLE, 21)
    greatest = datum.plane.z0_m - float(lattice(GENTLE).min()) - 0.001
    found = weighed(GENTLE, 21, dear, greatest_m=greatest)
    low = np.argsort(surface.height_m[surface.measured])[:10]
    error_m = float(surface.standard_error_m[surface.measured][low].mean())
    assert found.held_m == pytest.approx(1.96 * error_m, rel=0.3)
    assert found.held_cost > 0.0


def test_limits_that_exclude_each_other_are_said() -> None:
    """A floor that no allowed grinding brings within the range is weighed by cost alone."""
    found = weighed(GENTLE, 21, replace(PRICES, setup=0.0), deepest_m=0.001, greatest_m=0.004)
    assert not found.reached
    assert found.bound == "deepest grind"


# --- the floor as ground --------------------------------------------------------------------------


def test_a_drawn_floor_is_ground_too() -> None:
    """Where every floor that agrees with the scan is ground all over, its fill does not vary.

    Only the edge is left: its standard uncertainty times the depth. A spread of 1 000 draws is
    known to 2.2 %; four of those.
    """
    surface, datum = scanned(GENTLE, 21)
    ground = datum.lowered(0.05, LEAST_M)
    plan_volume = _filled(surface, ground)
    assert plan_volume.volume_m3 == pytest.approx(LEAST_M * surface.floor.area_m2, rel=1e-6)
    draws = fill_draws_m3(surface, ground, plan_volume)
    expected = area_uncertainty_m2(surface) * LEAST_M
    assert float(draws.std()) == pytest.approx(expected, rel=0.09)


def _filled(surface: Surface, datum: Datum) -> Any:
    from pourdatum.pipeline.onedatum import _fill
    from pourdatum.sheetfile import read_sheet

    return _fill(surface, datum, read_sheet("standard"), LEAST_M)


def test_depth_over_ground_floor_is_the_least_depth() -> None:
    """On a hump that is ground the depth is the least; beside it, less by what was saved."""
    surface, datum = scanned(GENTLE, 21)
    found = weighed(GENTLE, 21)
    places = np.array([[1.0, 1.0], [3.0, 2.0], [2.0, 2.6]])
    depth = depth_at(surface, found.datum, places)
    assert depth.value_m[:2] == pytest.approx([LEAST_M, LEAST_M], abs=1e-12)
    assert depth.low_m[:2] == pytest.approx([LEAST_M, LEAST_M], abs=1e-12)
    before = depth_at(surface, datum, places).value_m[2]
    assert depth.value_m[2] == pytest.approx(before - found.datum.lowered_m, abs=1e-12)
    assert depth.high_m[2] > depth.value_m[2] > depth.low_m[2]


# --- the plan -------------------------------------------------------------------------------------

PRICED: dict[str, Any] = {
    "grind": {"price_per_m2": 6.0, "price_per_m2_mm": 1.5, "setup_price": 20.0},
    "material": {"price_per_bag": 19.5, "waste": 0.05},
}


def planned(**parts: Any) -> Plan:
    """A plan of the gentle floor; ``parts`` as sections of a job."""
    return plan_pour(scanned(GENTLE, 21)[0], Job.model_validate(parts))


def test_the_plan_is_for_the_ground_floor() -> None:
    """Fill, depth and order are those of the formula's floor as ground, at the chosen datum.

    The price of fill is 19.5 x 1.7 / 20 x 1.05 a litre, and the curve's least is what it costs.
    """
    plan = planned(**PRICED)
    data = as_data(plan_result(plan))
    level = plan.datum.plane.z0_m
    z, da = lattice(GENTLE), LATTICE_M**2
    fill = float(np.maximum(level - z, LEAST_M).sum() * da)
    assert plan.volume.volume_m3 == pytest.approx(fill, abs=0.5 * AIM_M * ROOM.area)
    assert data["fill"]["min_depth_mm"] == 2.0
    assert data["fill"]["short_m2"] == 0.0
    low, high = data["fill"]["volume_interval_l"]
    assert low < data["fill"]["volume_l"] < high
    # The fill cannot be under the least depth over all the floor, whatever the scan is out by.
    assert low > 0.98 * 1000 * LEAST_M * ROOM.area
    assert float(np.nanmin(plan.depth_m)) == pytest.approx(LEAST_M, abs=1e-12)
    grind = data["grind"]
    listed = sum(hump["grind_l"] for hump in grind["humps"] if hump["worth"])
    assert 0.0 <= grind["volume_l"] - listed + 0.002 < 1000 * CLEAR_M * grind["area_m2"]
    curve = dict(grind["curve"])
    litre = 19.5 * 1.7 / 20 * 1.05
    cost = litre * data["fill"]["volume_l"] + 6.0 * grind["area_m2"] + 1.5 * grind["volume_l"] + 20
    assert curve[data["datum"]["z_m"]] == pytest.approx(cost, abs=0.02)
    codes = {warning.code for warning in plan.warnings}
    assert "grind-dust" in codes
    assert codes.isdisjoint({"grind-not-priced", "grind-not-decided"})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"grind": {"allowed": True}}, "no price of grinding"),
        ({"material": {"waste": 0.05}}, "no price of a bag"),
        ({"datum": {"kind": "parallel"}}, 'kind "parallel" is not lowered'),
        ({"datum": {"kind": "level", "z_m": 0.012}}, 'kind "level" is not lowered'),
    ],
)
def test_what_is_missing_is_said_and_litres_are_given(changes: Any, said: str) -> None:
    """Without a price, or with a datum that stays, there is no curve and no verdict."""
    plan = planned(**(PRICED | changes))
    grind = as_data(plan_result(plan))["grind"]
    assert (grind["volume_l"], grind["area_m2"], grind["curve"]) == (None, None, [])
    assert {hump["worth"] for hump in grind["humps"]} == {None}
    assert all(hump["grind_l"] is not None for hump in grind["humps"])
    assert any(said in item.text for item in plan.warnings if item.code == "grind-not-decided")


def test_grinding_that_is_ruled_out_is_not_weighed() -> None:
    """``allowed = false`` keeps the high point though prices are given."""
    plan = planned(**(PRICED | {"grind": PRICED["grind"] | {"allowed": False}}))
    assert plan.grinding is None
    assert plan.datum.lowered_m == 0.0
    assert as_data(plan_result(plan))["grind"]["curve"] == []


def test_roughness_is_filled_over_ground_floor_too() -> None:
    """Half a millimetre of texture is half a litre on each m², ground or not.

    The least depth stands over the top of the texture, so that the mean is deeper by it.
    """
    smooth = planned(**PRICED)
    rough = planned(**(PRICED | {"preparation": {"roughness_mm": 0.5}}))
    assert rough.datum.lowered_m == pytest.approx(smooth.datum.lowered_m, abs=2e-5)
    more = rough.volume.volume_m3 - smooth.volume.volume_m3
    assert more == pytest.approx(0.0005 * smooth.volume.outline_m2, rel=0.05)
    assert float(np.nanmin(rough.depth_m)) == pytest.approx(LEAST_M + 0.0005, abs=1e-12)


def test_floor_that_bends_under_a_crate_is_known_as_well_as_it_bends(seed: int) -> None:
    """A hollow 10 mm deep goes on under a crate of 0.8 m: by 1.7 mm too high, and stated so.

    Its curvature is h/2 (pi / r)², 0.06 per m at most; over the 0.4 m from rim to middle a fit
    may miss k d² / 2, 5 mm. On a flat floor nothing of that is stated.
    """
    rng = np.random.default_rng(seed)
    crate = (shapely.box(0.8, 0.6, 1.6, 1.4), 0.8)
    for depth_m in (0.0, 0.01):
        relief = Relief(humps=(Hump(1.2, 1.0, -depth_m, 0.9, "cosine"),) if depth_m else ())
        points = walled(
            ROOM, rng, per_m2=8000.0, height=relief.height, noise_m=0.0003, things=(crate,)
        )
        surface = surface_of(points)
        x, y = surface.grid.mesh()
        hidden = surface.inferred
        off = np.abs(surface.height_m - relief.height(x, y))[hidden]
        stated = surface.standard_error_m[hidden]
        if depth_m:
            assert float(off.max()) > 0.001
            assert float((off < 1.96 * stated).mean()) > 0.9
            assert float(stated.max()) < 0.006
        else:
            assert float(stated.max()) < 0.0006
