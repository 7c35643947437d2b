"""The cost of grinding and filling over the datum, and its minimum, against closed forms.

Formulas are derived in the docstrings, by hand from the two integrals of "grind or pour":
fill = integral of max(d - z, m), ground = integral of max(z - (d - m), 0).
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from numpy.typing import NDArray

from pourdatum.costcurve import CERTAIN, CostCurve, Prices
from pourdatum.fillcurve import level_curve
from pourdatum.grid import Grid
from pourdatum.simulate import Hump, Relief, Wave

Array = NDArray[np.float64]
LEAST_M = 0.003
LONG_M, WIDE_M = 4.0, 3.0
AREA_M2 = LONG_M * WIDE_M


def curve_of(height, prices: Prices, cell_m: float = 0.02) -> CostCurve:
    """The curve of a formula over 4 by 3 m; its top is the formula's own highest node."""
    grid = Grid(0.0, 0.0, cell_m, round(WIDE_M / cell_m) + 1, round(LONG_M / cell_m) + 1)
    fill = level_curve(height(*grid.mesh()), grid, shapely.box(0, 0, LONG_M, WIDE_M))
    top_m = fill.high_m + LEAST_M
    return CostCurve(fill, LEAST_M, prices, top_m, float(fill.volume_m3(top_m)))


def brute(height, prices: Prices, levels: Array, step_m: float = 0.005) -> Array:
    """Cost at levels, from the formula on a lattice of middles: no surface, no code of ours."""
    x, y = np.meshgrid(
        (np.arange(round(LONG_M / step_m)) + 0.5) * step_m,
        (np.arange(round(WIDE_M / step_m)) + 0.5) * step_m,
    )
    z, da = height(x, y).ravel(), step_m**2
    out = []
    for d in levels:
        over = z - (d - LEAST_M)
        fill = np.maximum(d - z, LEAST_M).sum() * da
        ground, area = np.maximum(over, 0.0).sum() * da, np.count_nonzero(over > 0) * da
        cost = prices.fill_per_m3 * fill + prices.grind_per_m3 * ground
        cost += prices.grind_per_m2 * area + (prices.setup if area > 0 else 0.0)
        out.append(cost)
    return np.array(out)


# --- the integrals --------------------------------------------------------------------------------


def test_a_wedge_is_exact() -> None:
    """z = s x: above level t stands W (sL - t)² / 2s over W (sL - t) / s; below, W t² / 2s."""
    s, d = 0.005, 0.015
    curve = curve_of(lambda x, y: s * x, Prices(1.0), cell_m=0.5)
    t, top = d - LEAST_M, s * LONG_M
    assert curve.ground_m3(d) == pytest.approx(WIDE_M * (top - t) ** 2 / (2 * s), rel=1e-12)
    assert curve.ground_m2(d) == pytest.approx(WIDE_M * (top - t) / s, rel=1e-12)
    fill = LEAST_M * AREA_M2 + WIDE_M * t**2 / (2 * s)
    assert curve.fill_m3(d) == pytest.approx(fill, rel=1e-12)


def cone(x: Array, y: Array, high: float = 0.012, radius: float = 1.2) -> Array:
    """A cone in the middle of a level floor."""
    return high * np.maximum(1.0 - np.hypot(x - 2.0, y - 1.5) / radius, 0.0)


def cap(x: Array, y: Array, high: float = 0.012, radius: float = 1.2) -> Array:
    """A cap of a paraboloid in the middle of a level floor."""
    return high * np.maximum(1.0 - ((x - 2.0) ** 2 + (y - 1.5) ** 2) / radius**2, 0.0)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.8])
def test_a_cone_and_a_cap_are_cut_as_their_formulas_say(share: float) -> None:
    """With u = 1 - t/h: a cone leaves pi R² u² and pi R² h u³/3, a paraboloid pi R² u and
    pi R² h u²/2.

    Facets of 10 mm within a circle of 0.24 m at the least: (10 mm)²/8 over its square is 2e-4.
    """
    u, high, whole = 1.0 - share, 0.012, np.pi * 1.2**2
    d = share * high + LEAST_M
    for shape, area, volume in (
        (cone, whole * u**2, whole * high * u**3 / 3),
        (cap, whole * u, whole * high * u**2 / 2),
    ):
        curve = curve_of(shape, Prices(1.0), cell_m=0.01)
        assert curve.ground_m2(d) == pytest.approx(area, rel=1e-3)
        assert curve.ground_m3(d) == pytest.approx(volume, rel=1e-3)
        # What is filled, cut and left under the level make up the block: V(h) is all of it.
        under = (whole * high / 3 if shape is cone else whole * high / 2) - volume
        fill = LEAST_M * AREA_M2 + AREA_M2 * share * high - under
        assert curve.fill_m3(d) == pytest.approx(fill, rel=1e-4)


def test_over_the_high_point_nothing_is_ground() -> None:
    """At the top the cost is the price of the fill alone, set-up left out; higher, the slab."""
    curve = curve_of(cone, Prices(1000.0, 5.0, 900.0, 77.0))
    fill = AREA_M2 * (0.012 + LEAST_M) - np.pi * 1.2**2 * 0.012 / 3
    assert curve.cost(curve.top_m) == pytest.approx(1000.0 * fill, rel=1e-4)
    assert curve.ground_m3(curve.top_m) == curve.ground_m2(curve.top_m) == 0.0
    higher = curve.cost(curve.top_m + 0.001) - curve.cost(curve.top_m)
    assert higher == pytest.approx(1000.0 * 0.001 * AREA_M2, rel=1e-9)


def test_four_at_once_are_the_four() -> None:
    """Fill, area, cut and area above agree with each asked alone, on terraces too.

    Volumes to rounding of 0.2 m³; a level that is a terrace's has it neither below nor above.
    """
    rng = np.random.default_rng(52)

    def terraces(x: Array, y: Array) -> Array:
        return 1.2 + np.round(0.01 * np.hypot(x, y), 3) + 0.001 * rng.integers(0, 2, x.shape)

    fill = curve_of(terraces, Prices(1.0), cell_m=0.1).fill
    levels = np.sort(np.concatenate([rng.uniform(1.19, 1.27, 40), 1.2 + 0.001 * np.arange(60)]))
    found = fill.fill_and_cut(levels)
    alone = (fill.volume_m3, fill.area_m2, fill.cut_m3, fill.cut_area_m2)
    for one, asked in zip(found, alone, strict=True):
        np.testing.assert_allclose(one, asked(levels), rtol=1e-9, atol=1e-12)
    assert np.abs(found[1] + found[3] - AREA_M2).max() > 0.01


# --- the minimum ----------------------------------------------------------------------------------


def test_the_minimum_over_a_wedge() -> None:
    """d(cost)/dt = (p t - v (sL - t) - a) W / s is zero at t = (v sL + a) / (p + v)."""
    s, p, a, v = 0.005, 1700.0, 6.0, 1500.0
    curve = curve_of(lambda x, y: s * x, Prices(p, a, v), cell_m=0.5)
    t = (v * s * LONG_M + a) / (p + v)
    found = curve.cheapest(LEAST_M, curve.top_m)
    assert found == pytest.approx(t + LEAST_M, abs=1e-7)
    w = WIDE_M / s
    cost = p * (LEAST_M * AREA_M2 + w * t**2 / 2) + v * w * (0.02 - t) ** 2 / 2 + a * w * (0.02 - t)
    assert curve.cost(found) == pytest.approx(cost, rel=1e-9)


def test_the_minimum_over_a_cone() -> None:
    """p (A - B u²) - v B u² - 2 a B u / h = 0 with B = pi R²: a quadratic in u.

    Facets of 20 mm: the level to 0.2 % of the cone's height.
    """
    p, a, v, b, high = 1500.0, 20.0, 12_000.0, np.pi * 1.2**2, 0.012
    curve = curve_of(cone, Prices(p, a, v))
    u = max(np.roots([(p + v) * b, 2 * a * b / high, -p * AREA_M2]))
    assert 0.1 < u < 0.9
    found = curve.cheapest(LEAST_M, curve.top_m)
    assert found == pytest.approx(high * (1 - u) + LEAST_M, abs=0.002 * high)


def test_a_cheap_cap_is_ground_to_the_floor() -> None:
    """Where each level further down saves more fill than it costs, the floor itself is the end.

    But for facets that straddle the rim: a cell of area all round it costs as much as 0.1 mm of
    fill beside it, 2 pi R cell a / (p (A - pi R²)) = 0.08 mm.
    """
    curve = curve_of(cap, Prices(1500.0, 6.0, 1500.0))
    assert curve.cheapest(LEAST_M, curve.top_m) == pytest.approx(LEAST_M, abs=8e-5)


@pytest.mark.parametrize(("area_price", "ground"), [(9.0, True), (11.0, False)])
def test_a_step_is_ground_whole_or_not(area_price: float, ground: bool) -> None:
    """1 m of 4 stands 10 mm high: filling costs 3/4 of 1500 l x A for it, grinding v + a of 1/4.

    p 10 mm 9 m² = 135; v 10 mm 3 m² = 105 is spent below the step, so 30 is left for 3 m² of
    area: 10 for each. Half a cell of the rise moves this by under 1 %.
    """

    def step(x: Array, y: Array) -> Array:
        return np.where(x >= 3.0, 0.010, 0.0)

    curve = curve_of(step, Prices(1500.0, area_price, 3500.0))
    found = curve.cheapest(LEAST_M, curve.top_m)
    assert found == pytest.approx(LEAST_M if ground else curve.top_m, abs=1e-9)


def test_a_setup_price_tips_the_balance() -> None:
    """The wedge's minimum saves S without set-up: 0.999 S of set-up and it is ground, 1.001 not."""
    s, p, a, v = 0.005, 1700.0, 3.0, 500.0
    t, w = (v * s * LONG_M + a) / (p + v), WIDE_M / s
    ground = p * w * t**2 / 2 + v * w * (0.02 - t) ** 2 / 2 + a * w * (0.02 - t)
    saves = p * w * 0.02**2 / 2 - ground
    assert saves > 5.0
    for share, is_ground in ((0.999, True), (1.001, False)):
        curve = curve_of(lambda x, y: s * x, Prices(p, a, v, share * saves), cell_m=0.5)
        found = curve.cheapest(LEAST_M, curve.top_m)
        assert found == pytest.approx(t + LEAST_M if is_ground else curve.top_m, abs=1e-6)


@pytest.mark.parametrize(("share", "ground"), [(0.999, True), (1.001, False), (50.0, False)])
def test_grinding_dearer_than_any_fill_is_not_done(share: float, ground: bool) -> None:
    """A wedge's edge is ground while (v sL + a) / (p + v) is below sL: up to a = p sL."""
    curve = curve_of(lambda x, y: 0.005 * x, Prices(1500.0, share * 1500.0 * 0.02, 900.0), 0.5)
    assert (curve.cheapest(LEAST_M, curve.top_m) < curve.top_m) is ground


def test_free_grinding_goes_as_low_as_it_may() -> None:
    """At no price the least fill is the cheapest: the lowest datum that is allowed."""
    curve = curve_of(cone, Prices(1500.0))
    assert curve.cheapest(0.007, curve.top_m) == pytest.approx(0.007, abs=1e-9)


def test_free_fill_is_never_ground_for() -> None:
    """Where fill costs nothing, all data cost nothing without grinding, and none is ground."""
    curve = curve_of(cone, Prices(0.0, 6.0, 1500.0, 80.0))
    assert curve.cheapest(LEAST_M, curve.top_m) == curve.top_m


def test_limits_hold() -> None:
    """The least within a range lies in it; a range that ends under the top leaves the top out."""
    prices = Prices(1500.0, 10 * 1500.0, 0.0)
    curve = curve_of(cone, prices)
    assert curve.cheapest(LEAST_M, 0.010) <= 0.010
    cheap = curve_of(cap, Prices(1500.0, 6.0, 1500.0))
    assert cheap.cheapest(0.009, cheap.top_m) == pytest.approx(0.009, abs=1e-9)
    with pytest.raises(ValueError, match="no datum lies between"):
        cheap.cheapest(0.02, 0.01)


@pytest.mark.parametrize("seed", range(6))
def test_no_level_is_cheaper_on_floors_with_many_minima(seed: int) -> None:
    """Fresh floors with plateaus and humps at rates that make several dips in the curve.

    None of 1 000 levels is cheaper on the surface; and the cheapest of 100 by brute force, from
    the formula on a lattice of 5 mm, costs the same to what lattice, facets and steps err: 3e-3.
    What rises between nodes over the highest level is not ground.
    """
    rng = np.random.default_rng(7300 + seed)
    humps = tuple(
        Hump(*rng.uniform((0.5, 0.5), (3.5, 2.5)), *rng.uniform((0.002, 0.2), (0.012, 0.8)))
        for _ in range(rng.integers(1, 6))
    )
    relief = Relief(slope_x=rng.uniform(0, 0.002), waves=(Wave(0.001, 3.0, rng.uniform(0, 6)),),
                    humps=humps)  # fmt: skip
    prices = Prices(1700.0, *rng.uniform((0.0, 0.0, 0.0), (30.0, 9000.0, 60.0)))
    curve = curve_of(relief.height, prices)
    low = curve.fill.low_m + LEAST_M
    found = curve.cheapest(low, curve.top_m)
    levels = np.linspace(low, curve.top_m, 1000)
    exact = curve.cost(levels)
    assert float(curve.cost(found)) <= float(exact.min()) * (1 + CERTAIN)
    ground = brute(relief.height, prices, levels[:-1:10])
    unground = brute(relief.height, Prices(prices.fill_per_m3), levels[-1:])
    outside = np.concatenate([ground, unground])
    assert float(curve.cost(found)) == pytest.approx(float(outside.min()), rel=3e-3)
