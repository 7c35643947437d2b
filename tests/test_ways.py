"""Ways compared: lifts of a cone and of a trough by formula, cost, mass and time by hand."""

from __future__ import annotations

import json
import math
import secrets
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from pourdatum.costcurve import Prices
from pourdatum.filling import tops_m
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.lifts import Offer, Terms
from pourdatum.material import Primer, Sheet
from pourdatum.pockets import find_pockets, find_thin, near_to
from pourdatum.way import Way, Ways
from pourdatum.ways import compare_ways

LONG_M, WIDE_M = 6.0, 5.0
ROOM = shapely.box(0.0, 0.0, LONG_M, WIDE_M)
AREA_M2 = LONG_M * WIDE_M
CELL_M = 0.02
THIN = Sheet(
    "thin compound", (2.0, 12.0), 1.7, 20.0, 4.0, 20.0, walk_after_h=4.0,
    cover_after_h=((2.0, 20.0), (12.0, 70.0)), primer=(Primer("normal", 8.0, 2, 45.0),),
)  # fmt: skip
DEEP = Sheet(
    "deep compound", (8.0, 45.0), 1.8, 25.0, 5.0, 25.0, walk_after_h=6.0,
    cover_after_h=((10.0, 48.0), (45.0, 240.0)), primer=(Primer("normal", 10.0, 1, 60.0),),
)  # fmt: skip
LEVEL = Plane(THIN.least_m)
HIGH = Terms("high-point")
CASES = json.loads(
    (Path(__file__).parents[1] / "shared" / "bag_arithmetic.json").read_text("utf-8")
)["cases"]


def floor_of(shape: Any, cell_m: float = CELL_M) -> Any:
    """A floor of a formula with no noise; nodes lie on its edges."""
    grid = Grid(0.0, 0.0, cell_m, round(WIDE_M / cell_m) + 1, round(LONG_M / cell_m) + 1)
    x, y = grid.mesh()
    all_of_it = np.ones(x.shape, bool)
    return SimpleNamespace(
        grid=grid, height_m=shape(x, y), measured=all_of_it, inferred=~all_of_it,
        floor=SimpleNamespace(outline=ROOM),
    )  # fmt: skip


def cone(deep_m: float, radius_m: float, x0: float = 2.6, y0: float = 2.2) -> Any:
    """A level floor with one cone-shaped pocket."""
    return lambda x, y: -deep_m * np.maximum(0.0, 1.0 - np.hypot(x - x0, y - y0) / radius_m)


def trough(deep_m: float, half_m: float = 0.8, x0: float = 3.0) -> Any:
    """A level floor with a trough of straight sides across it: piecewise linear, so exact."""
    return lambda x, y: -deep_m * np.maximum(0.0, 1.0 - np.abs(x - x0) / half_m) + 0.0 * y


def only(ways: Ways, *names: str, ground: bool = False) -> Way:
    """The way with these lifts at the datum that is ground for, or that is not."""
    (way,) = (
        way for way in ways.each
        if tuple(lift.sheet.name for lift in way.lifts) == names and (way.ground_m3 > 0.0) == ground
    )  # fmt: skip
    return way


def compared(
    shape: Any, *offers: Offer, terms: Terms = HIGH, cell_m: float = CELL_M, **how: Any
) -> Ways:
    """The ways of a floor at the datum of the thin compound."""
    return compare_ways(floor_of(shape, cell_m), LEVEL, offers or (Offer(THIN),), terms, **how)


def test_two_lifts_of_a_cone() -> None:
    """A cone of 20 mm and 1 m radius under 2 mm: lift one is the cone below what is left.

    12 mm less the 2 mm of the first lift leave 10 mm: a cone of 12 mm and 12 / 20 m, a third of
    base times height. Total: 2 mm x 30 m² and the cone of 20 mm. A cone on a grid of 20 mm is out
    by about the square of 0.02 / 0.6, a thousandth.
    """
    way = only(compared(cone(0.020, 1.0)), "thin compound", "thin compound")
    first, last = way.lifts
    assert first.volume_m3 == pytest.approx(math.pi * 0.6**2 * 0.012 / 3.0, rel=1e-3)
    assert first.area_m2 == pytest.approx(math.pi * 0.6**2, rel=1e-3)
    assert first.volume_m3 + last.volume_m3 == pytest.approx(0.060 + math.pi * 0.02 / 3, rel=1e-3)
    (pocket,) = way.pockets
    assert math.dist(pocket.place_m, (2.6, 2.2)) < 1e-9
    assert pocket.depth_m == pytest.approx(0.022)
    assert first.deepest_m == pytest.approx(0.012)
    assert way.works


def test_three_lifts_of_a_cone() -> None:
    """A cone of 30 mm and 1 m under 2 mm takes 22 mm in two lifts of 12 mm, which is too little.

    Lifts end 10 and 20 mm below the datum: cones of 22 and 12 mm, the second without the first.
    """
    way = only(compared(cone(0.030, 1.0)), *3 * ("thin compound",))
    large, small = (math.pi * (h / 30.0) ** 2 * h / 3000.0 for h in (22.0, 12.0))
    assert [lift.volume_m3 for lift in way.lifts] == pytest.approx(
        [small, large - small, 0.060 + math.pi * 0.010 - large], rel=2e-3
    )
    assert [lift.area_m2 for lift in way.lifts] == pytest.approx(
        [math.pi * 0.4**2, math.pi * (22.0 / 30.0) ** 2, AREA_M2], rel=3e-3
    )
    # A node lies up to 0.6 mm above the level of a rim.
    assert [lift.deepest_m for lift in way.lifts] == pytest.approx([0.012, 0.010, 0.010], abs=1e-9)
    assert [lift.ends_m for lift in way.lifts] == pytest.approx([0.020, 0.010, 0.0])
    assert way.works
    (pocket,) = way.pockets
    assert pocket.volume_m3 == pytest.approx(large, rel=1e-3)


def test_a_deep_compound_below_and_a_thin_one_above() -> None:
    """8 mm of the deep one at least leave 4 mm: a cone of 28 mm and 28 / 30 m; that works."""
    ways = compared(cone(0.030, 1.0), Offer(THIN), Offer(DEEP))
    way = only(ways, "deep compound", "thin compound")
    wanted = math.pi * (28.0 / 30.0) ** 2 * 0.028 / 3.0
    assert way.lifts[0].volume_m3 == pytest.approx(wanted, rel=1e-3)
    assert (way.works, way.rise_m) == (True, 0.0)
    assert not ways.each[-1].works
    assert only(ways, "thin compound").against[0].startswith("1.4")  # pi (20/30)² = 1.40 m²


@settings(max_examples=25, deadline=None)
@given(st.integers(15, 120), st.integers(3, 20))
def test_lifts_add_up_to_one_lift(deep_mm: int, half_dm: int) -> None:
    """A trough is exact: each lift is that of the formula, and their sum is the one lift's.

    As few lifts as leave no more than 0.15 m² of 30 too deep; lifts end 10, 20 ... mm below the
    datum (12 less 2), those of the deep compound 4, 41, 78 ... (12 less 8, then 45 less 8 each).
    """
    deep_m, half_m = deep_mm / 1000.0, half_dm / 10.0
    ways = compared(trough(deep_m, half_m), Offer(THIN), Offer(DEEP), cell_m=0.1)
    whole = only(ways, "thin compound")
    assert whole.volume_m3 == pytest.approx(0.002 * AREA_M2 + deep_m * half_m * WIDE_M, rel=1e-9)
    for name, left_m, step_m, most_m in (
        ("thin compound", 0.010, 0.010, 0.012),
        ("deep compound", 0.004, 0.037, 0.045),
    ):
        ends = [left_m + k * step_m for k in range(5)]
        wide_m2 = [
            2.0 * max(deep_m + 0.002 - end - most_m, 0.0) / deep_m * half_m * WIDE_M for end in ends
        ]
        count = next((k for k, area_m2 in enumerate(wide_m2, 1) if area_m2 <= 0.15), None)
        way = only(ways, *(count or 1) * (name,), "thin compound")
        lifts = "six lifts of thin" if name == "thin compound" else "five lifts of deep"
        against = " ".join(way.against)
        if count is None and "most of the floor, and no pocket" in against:
            continue
        assert count or lifts in against
        below = [(deep_m + 0.002 - end) for end in ends[: count or 1]]
        wide_m = half_m * WIDE_M / deep_m
        feathered = [under_m**2 * wide_m for under_m in below]
        # Behind stop-ends a lift is its least depth there, and what is poured beyond is the pour's.
        least_m = {"thin compound": 0.002, "deep compound": 0.008}[name]
        stopped = [
            (max(under_m - least_m, 0.0) ** 2 + 2.0 * max(under_m - least_m, 0.0) * least_m)
            * wide_m
            for under_m in below
        ]
        got = np.cumsum([lift.volume_m3 for lift in way.lifts[:-1]])[::-1]
        behind = [
            one == pytest.approx(there, rel=1e-9, abs=1e-12)
            and one != pytest.approx(here, rel=1e-9, abs=1e-12)
            for one, here, there in zip(got, feathered, stopped, strict=True)
        ]
        wanted = np.where(behind, stopped, feathered)
        assert got == pytest.approx(wanted, rel=1e-9, abs=1e-12)
        # Two straight rims across the room for each of them.
        assert way.stop_ends_m == pytest.approx(2.0 * WIDE_M * sum(behind), rel=1e-6)
        assert way.volume_m3 == pytest.approx(whole.volume_m3, rel=1e-12)
        areas = [
            2.0 * (under_m - least_m * cut) * wide_m
            for under_m, cut in reversed(list(zip(below, behind, strict=True)))
        ]
        assert [lift.area_m2 for lift in way.lifts[:-1]] == pytest.approx(areas)


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 10), st.integers(1, 30), st.integers(1, 10), st.integers(0, 40))
def test_wherever_one_lift_is_too_deep_all_are_within_range(
    least: int, more: int, under_least: int, under_more: int
) -> None:
    """At every depth, from the pour's greatest down to what six lifts reach.

    Asked of sheets whose range holds twice the least depth below it; others leave depths that are
    too much for so many lifts and too little for one more, which are said.
    """
    pour = sheet_of(least, least + under_least + more)
    under = sheet_of(under_least, 2 * under_least + under_more)
    ends = tops_m(pour, under)
    reach_mm = 1000.0 * ends[-1] + under.depth_mm[1]
    for depth_mm in np.linspace(pour.depth_mm[1] + 1e-6, reach_mm, 300):
        limits = [1000.0 * end + under.depth_mm[1] for end in ends]
        count = 1 + sum(limit < depth_mm for limit in limits)
        own = [0.0, *(1000.0 * end for end in ends[:count]), depth_mm]
        first, *others = np.diff(own)
        assert pour.depth_mm[0] - 1e-9 <= first <= pour.depth_mm[1] + 1e-9
        for thick_mm in others:
            assert under.depth_mm[0] - 1e-9 <= thick_mm <= under.depth_mm[1] + 1e-9


def sheet_of(least_mm: float, greatest_mm: float) -> Sheet:
    """A sheet of a range of depths."""
    return Sheet("any compound", (least_mm, greatest_mm), 1.7, 20.0, 4.0, 20.0)


def test_each_lift_is_within_its_range_where_one_is_not() -> None:
    """Wherever the fill is deeper than 12 mm, the first lift is 2 mm and the last 10 mm or more."""
    surface = floor_of(cone(0.020, 1.0))
    depth_m = 0.002 - surface.height_m
    left_m = 0.010
    found = find_pockets(surface, depth_m, greatest_m=0.012, left_m=left_m, whole=(1.0, 1.0))
    assert len(found.each) == 1
    assert float((depth_m - left_m)[depth_m >= 0.012].min()) >= 0.002
    assert found.elsewhere_m <= left_m


def test_a_first_lift_that_runs_out_slowly_ends_at_a_stop_end() -> None:
    """A cone of 20 mm and 1 m filled with the deep one to 4 mm: 18 mm and 0.9 m of radius.

    It is thinner than 8 mm over 0.4 m beside its rim. Beyond 0.3 m that is the ring from 0.5 to
    0.6 m, pi x 0.11 = 0.346 m²; a look every 60 mm knows a ring of 0.1 m to 0.06 / 0.1 of its
    cells at the rims. Behind a stop-end at 12 mm, the circle of 0.5 m, it is 8 mm and more, and the
    thin one is poured 12 mm beside it: a cylinder of 8 mm and a cone of 10 mm on it.
    """
    surface = floor_of(cone(0.020, 1.0))
    depth_m = 0.002 - surface.height_m
    found = find_pockets(
        surface, depth_m, greatest_m=0.012, left_m=0.004, whole=(1.0, 1.0), filling_least_m=0.008
    )
    assert 0.5 * 0.346 < found.feather_m2 < 1.5 * 0.346
    way = only(
        compared(cone(0.020, 1.0), Offer(THIN), Offer(DEEP)), "deep compound", "thin compound"
    )
    assert way.works
    assert way.stop_ends_m == pytest.approx(math.pi, rel=0.01)
    filled_m3 = math.pi * 0.25 * (0.008 + 0.010 / 3.0)
    assert way.lifts[0].volume_m3 == pytest.approx(filled_m3, rel=0.01)
    assert way.lifts[0].area_m2 == pytest.approx(math.pi * 0.25, rel=0.01)
    assert way.volume_m3 == pytest.approx(0.002 * AREA_M2 + math.pi * 0.020 / 3.0, rel=1e-3)
    assert way.lifts[1].deepest_m == pytest.approx(0.012, abs=5e-4)


def test_a_tilted_floor_is_filled_behind_a_stop_end() -> None:
    """A fall of 18 mm over 6 m at the datum: 2 to 20 mm. Behind a stop-end at 12 mm, 5 m across.

    8 mm of the deep compound is reached 3.33 m from the high end, and the floor beyond is filled
    from 4 mm under the datum: 8 to 16 mm over 2.67 m, 0.16 m³.
    """
    way = only(
        compared(lambda x, y: -0.003 * x, Offer(THIN), Offer(DEEP)),
        "deep compound", "thin compound",
    )  # fmt: skip
    assert way.works, way.against
    assert way.stop_ends_m == pytest.approx(5.0, rel=0.01)
    assert way.lifts[0].volume_m3 == pytest.approx(0.012 * 5.0 * 8.0 / 3.0, rel=0.01)


def test_a_floor_a_little_too_thin_is_raised() -> None:
    """Level asked for 0.35 mm too low, with 0.4 mm of noise allowed for: raise it by that.

    Half of the floor lies 0.1 mm over its highest patch as cells do, so it is 0.45 mm too thin.
    """
    terms = Terms("level", clear_m=0.00035, noise_m=0.0004)
    ways = compared(
        lambda x, y: 0.00035 + 0.0001 * np.sign(np.sin(3.0 * x)), Offer(THIN, 20.0), terms=terms
    )
    assert not next(way for way in ways.each if way.asked).works
    best = ways.best
    assert best is not None
    assert best.rise_m == pytest.approx(0.00035)
    assert best.ground_m3 == 0.0
    assert best.cost == best.bags * 20.0


def test_cost_mass_and_time_by_hand() -> None:
    """A trough of 30 mm, half a metre to each side, 5 m long, filled with deep, then thin.

    Left 4 mm; the first lift is 28 mm deep: 0.028² / 0.030 x 0.5 x 5 = 65.33 l, at 1.8 117.6 kg,
    5 bags of 25; 4.667 m². All: 60 + 75 = 135 l, so the last is 69.67 l, 118.43 kg, 6 bags of 20.
    Wet at the deepest: 28 x 1.8 x 1.2 + 4 x 1.7 x 1.2 = 68.64 kg per m². The first bears a foot
    after 6 h, two coats of 45 min dry in 1.5 h, the last takes 4 h: 11.5 h to walk. Covered: the
    28 mm after 48 + 192 x 18 / 35 = 146.74 h from the last lift on.
    """
    ways = compared(trough(0.030, 0.5), Offer(THIN, 21.0), Offer(DEEP, 30.0))
    way = only(ways, "deep compound", "thin compound")
    first, last = way.lifts
    assert first.powder_kg == pytest.approx(1.8 * 1000 * 0.028**2 / 0.030 * 2.5)
    assert last.powder_kg == pytest.approx(1.7 * (135.0 - 65.0 - 1.0 / 3.0))
    assert (first.bags, last.bags, way.cost) == (5, 6, 5 * 30.0 + 6 * 21.0)
    assert way.mass_kg_per_m2 == pytest.approx(68.64)
    assert (way.wait_h, way.walk_h) == (7.5, 11.5)
    assert way.cover_h == pytest.approx(7.5 + 48.0 + 192.0 * 18.0 / 35.0)
    assert first.primer_l == pytest.approx(14.0 / 3.0 / 10.0)
    assert last.primer_l == pytest.approx(2 * AREA_M2 / 8.0)


def test_three_lifts_by_hand() -> None:
    """The same trough with the thin compound alone: 12 mm, 10 mm and what is left over all.

    Below 20 mm: 0.012² / 0.030 x 2.5 = 12 l, 20.4 kg, 2 bags; below 10 mm 40.33 l, so 28.33 l,
    48.2 kg, 3 bags; of 135 l 94.67 are left, 160.9 kg, 9 bags: 14 at 21. Wet 32 x 1.7 x 1.2 =
    65.28 kg per m². Twice 4 h to bear a foot and 1.5 h to dry, then 4 h: 15 h. 12 mm are covered
    after 70 h.
    """
    way = only(compared(trough(0.030, 0.5), Offer(THIN, 21.0)), *3 * ("thin compound",))
    assert [lift.powder_kg for lift in way.lifts] == pytest.approx(
        [20.4, 1.7 * (121.0 / 3.0 - 12.0), 1.7 * (135.0 - 121.0 / 3.0)]
    )
    assert ([lift.bags for lift in way.lifts], way.cost) == ([2, 3, 9], 14 * 21.0)
    assert way.mass_kg_per_m2 == pytest.approx(65.28)
    assert (way.wait_h, way.walk_h) == (11.0, 15.0)
    assert way.cover_h == pytest.approx(81.0)
    areas = (2 * 12.0 / 30.0 * 2.5, 2 * 22.0 / 30.0 * 2.5, AREA_M2)
    assert [lift.primer_l for lift in way.lifts] == pytest.approx([a / 4.0 for a in areas])
    assert way.works


def test_two_pockets_apart() -> None:
    """Cones of 30 mm and 1 m, of 20 mm and 0.6 m, of 9.5 mm and 1 m under 2 mm.

    Left 10 mm: cones of 22 mm and 22 / 30 m, and of 12 mm and 0.36 m. The third reaches 11.5 mm,
    is within range, and is not filled first, though it is deeper than what is left elsewhere.
    """

    def shape(x: Any, y: Any) -> Any:
        return (
            cone(0.030, 1.0, 1.4, 1.4)(x, y)
            + cone(0.020, 0.6, 4.4, 1.2)(x, y)
            + cone(0.0095, 1.0, 4.0, 3.6)(x, y)
        )

    ways = compared(shape)
    wanted = [math.pi * (r * h / c) ** 2 * h / 3.0 for c, r, h in
              ((0.030, 1.0, 0.022), (0.020, 0.6, 0.012))]  # fmt: skip
    # A cone on a grid is out by about the square of 0.02 / 0.36.
    assert [one.volume_m3 for one in ways.pockets] == pytest.approx(wanted, rel=3e-3)
    # The second needs no more than two of the three lifts: none of it is in the first.
    way = only(ways, *3 * ("thin compound",))
    assert way.lifts[0].volume_m3 == pytest.approx(math.pi * 0.4**2 * 0.012 / 3.0, rel=3e-3)
    assert way.pockets == ways.pockets
    assert way.volume_m3 == pytest.approx(only(ways, "thin compound").volume_m3, rel=1e-12)


def wedge(rise_m: float) -> Any:
    """A floor that rises along x."""
    return lambda x, y: rise_m * (x / LONG_M - 1.0) + 0.0 * y


def test_grinding_until_one_lift_does() -> None:
    """A wedge of 14 mm under 2 mm reaches 16 mm. 0.15 m² may stay too deep: 30 mm of its length.

    Then the datum comes down by 4 - 14 x 0.03 / 6 = 3.93 mm, over the highest 3.93 / 14 of 6 m:
    half of 3.93 mm x 1.684 m x 5 m = 16.55 l off 8.421 m². Price: 20 + 6 x 8.421 + 1.5 x 16.55,
    and bags. The fill is 2 mm x 30 m² and what is left below: half of 10.07 mm x 4.316 m x 5 m.
    """
    prices = Prices(1700.0, 6.0, 1500.0, 20.0)
    ways = compared(wedge(0.014), Offer(THIN, 21.0), terms=Terms("high-point", grind=prices))
    way = only(ways, "thin compound", ground=True)
    drop_m = 0.004 - 0.014 * 0.03 / 6.0
    length_m = drop_m / 0.014 * LONG_M
    assert way.rise_m == pytest.approx(-drop_m, abs=1e-9)
    assert way.ground_m2 == pytest.approx(5.0 * length_m, rel=1e-6)
    assert way.ground_m3 == pytest.approx(0.5 * drop_m * length_m * 5.0, rel=1e-6)
    below_m3 = 0.5 * (0.014 - drop_m) * (LONG_M - length_m) * WIDE_M
    assert way.volume_m3 == pytest.approx(0.060 + below_m3, rel=1e-6)
    bags = math.ceil(1700.0 * (0.060 + below_m3) / 20.0)
    grinding = 20.0 + 6.0 * 5.0 * length_m + 1500.0 * 0.5 * drop_m * length_m * 5.0
    assert way.works
    assert way.cost == pytest.approx(21.0 * bags + grinding, rel=1e-6)
    assert ways.best is way


def test_grinding_that_is_not_enough_is_not_enough() -> None:
    """A wedge of 40 mm needs 29.8 mm ground for one lift; 10 mm are proposed at most."""
    ways = compared(wedge(0.040))
    way = only(ways, "thin compound", ground=True)
    assert way.rise_m == pytest.approx(-0.010)
    assert not way.works
    # What no grinding brings into one lift is filled in several, behind stop-ends across the room.
    assert all(len(one.lifts) > 1 and one.stop_ends_m > 0.0 for one in ways.each if one.works)
    held = compared(wedge(0.014), terms=Terms("high-point", deepest_grind_m=0.002))
    assert not only(held, "thin compound", ground=True).works
    never = compared(wedge(0.014), terms=Terms("high-point", may_grind=False))
    assert all(way.ground_m3 == 0.0 for way in never.each)


def test_a_given_level_too_low_is_ground_for_or_raised() -> None:
    """2 mm over the mean of a wedge of 6 mm: half the floor is thin.

    Ground for that level: above 3 mm of the wedge's 6 mm, half of 3 mm x 3 m x 5 m = 22.5 l.
    Raised by 3 mm: 2 mm at the high end, and 5 mm in the mean, 150 l.
    """
    shape = wedge(0.006)
    terms = Terms("level", clear_m=0.003)
    surface = floor_of(shape)
    ways = compare_ways(surface, Plane(-0.001), (Offer(THIN),), terms)
    assert len(ways.each) == 3  # As given, ground for it, and raised.
    ground = only(ways, "thin compound", ground=True)
    assert ground.ground_m3 == pytest.approx(0.0225, rel=1e-9)
    raised = next(way for way in ways.each if way.rise_m > 0.0)
    assert (raised.rise_m, raised.works) == (0.003, True)
    assert raised.volume_m3 == pytest.approx(0.150, rel=1e-9)
    own = next(way for way in ways.each if way.asked)
    assert not own.works
    (thin,) = ways.thin
    assert thin.area_m2 == pytest.approx(15.0, rel=1e-6)
    assert thin.depth_m == pytest.approx(-0.001)
    assert thin.place_m[0] == pytest.approx(LONG_M)


def test_thin_places_apart() -> None:
    """Two humps that stand too high are two places, the larger first, each with its least."""

    def shape(x: Any, y: Any) -> Any:
        return -0.010 - cone(0.010, 0.5, 1.5, 1.5)(x, y) - cone(0.012, 1.0, 4.0, 3.0)(x, y)

    found = find_thin(floor_of(shape), 0.0 - shape(*floor_of(shape).grid.mesh()), least_m=0.002)
    # pi (R (h - 8) / h)²: 1 m x 4 / 12 and 0.5 m x 2 / 10.
    assert [one.area_m2 for one in found] == pytest.approx(
        [math.pi / 9.0, math.pi / 100.0], rel=0.05
    )
    assert [one.depth_m for one in found] == pytest.approx([-0.002, 0.0], abs=1e-9)
    assert math.dist(found[0].place_m, (4.0, 3.0)) < 1e-9


def test_the_order() -> None:
    """By cost where all is priced; what has no price comes after, by powder; what fails last."""
    light = Sheet("light compound", (2.0, 40.0), 0.9, 15.0, 4.2, 20.0)
    ways = compared(cone(0.030, 1.0), Offer(THIN, 5.0), Offer(DEEP, 30.0), Offer(light))
    works = [way for way in ways.each if way.works]
    assert ways.each[: len(works)] == tuple(works)
    known = [way.cost for way in works if way.cost is not None]
    assert known == sorted(known)
    assert [way.cost for way in works][: len(known)] == known
    powder = [way.powder_kg for way in works if way.cost is None and not way.ground_m3]
    assert all(way.ground_m3 > 0.0 for way in works[len(known) + len(powder) :])
    assert powder == sorted(powder)
    assert ways.each[len(works)].asked
    assert ways.best is works[0]


def test_a_load_limit() -> None:
    """Both lifts together, 28 x 2.16 + 4 x 2.04 = 68.64 kg per m², against what is allowed."""
    for allowed, works in ((68.0, False), (69.0, True)):
        terms = Terms("high-point", max_load_kg_per_m2=allowed)
        ways = compared(trough(0.030, 0.5), Offer(THIN), Offer(DEEP), terms=terms)
        way = only(ways, "deep compound", "thin compound")
        assert way.works is works
    assert "68.6 kg per m²" in only(
        compared(trough(0.030, 0.5), Offer(THIN), Offer(DEEP),
                 terms=Terms("high-point", max_load_kg_per_m2=68.0)),
        "deep compound", "thin compound",
    ).against[0]  # fmt: skip


def test_another_least_depth_lifts_the_datum() -> None:
    """8 mm instead of 2 mm over the high point: 6 mm more on the whole floor, 180 l."""
    ways = compared(cone(0.010, 1.0), Offer(THIN), Offer(DEEP))
    thin, deep = (only(ways, name) for name in ("thin compound", "deep compound"))
    assert deep.rise_m == pytest.approx(0.006)
    assert deep.volume_m3 - thin.volume_m3 == pytest.approx(0.180, rel=1e-9)
    assert len(ways.each) == 2  # One lift is deep enough: nothing to fill first.
    assert ways.pockets == ()


def test_not_deep_enough_for_two() -> None:
    """A sheet of 8 to 12 mm: 13 mm is too deep for one lift and too little for two of 8."""
    odd = Sheet("odd compound", (8.0, 12.0), 1.7, 20.0, 4.0, 20.0)
    ways = compare_ways(floor_of(trough(0.0055)), Plane(0.008), (Offer(odd),), HIGH)
    way = only(ways, "odd compound", "odd compound")
    assert any("not deep enough for two" in why for why in way.against)


def test_nothing_works() -> None:
    """A trough of 400 mm is deeper than six lifts: the nearest has the least against it.

    Five of the deep compound and one of the thin one take 4 + 4 x 37 + 45 = 197 mm.
    """
    ways = compared(trough(0.400), Offer(THIN), Offer(DEEP))
    assert ways.best is None
    assert ways.each[0].asked
    assert ways.nearest is not None
    assert len(ways.nearest.against) == min(len(way.against) for way in ways.each)
    assert all(way.against for way in ways.each)
    said = "197 mm that five lifts of deep compound and one of thin compound fill together"
    every = [why for way in ways.each for why in way.against]
    assert any(said in why for why in every)
    # Of one material they are six: 6 x 12 mm less 5 x 2, and 6 x 45 mm less 5 x 8.
    assert any("62 mm that six lifts of thin compound fill together" in why for why in every)
    assert any("230 mm that six lifts of deep compound fill together" in why for why in every)


def test_two_lifts_of_one_material_are_told_as_two() -> None:
    """A floor of which most is 30 mm deep: 12 mm and 12 less 2 are 22 mm."""
    ways = compared(lambda x, y: -0.028 * (x > 1.0), Offer(THIN))
    every = [why for way in ways.each for why in way.against]
    assert any("the 22 mm that two lifts of thin compound fill together" in why for why in every)
    assert not any("and one of thin" in why for why in every)


@pytest.mark.parametrize("deep_m", [0.020, 0.030, 0.060])
def test_more_lifts_make_no_more_ways(deep_m: float) -> None:
    """Each datum has each pair of materials once, in as many lifts as it needs."""
    ways = compared(cone(deep_m, 1.0), Offer(THIN), Offer(DEEP))
    told = [
        (way.lifts[0].sheet, way.sheet, len(way.lifts) > 1, way.rise_m, way.ground_m3 > 0.0)
        for way in ways.each
    ]
    assert len(set(told)) == len(told)


def test_most_of_a_floor_is_no_pocket() -> None:
    """A floor that lies 60 mm too low is not laid in five lifts: nothing is offered but two."""
    shape = lambda x, y: np.where(x < 1.0, 0.0, -0.060) + 0.0 * y  # noqa: E731
    ways = compared(shape)
    assert max(len(way.lifts) for way in ways.each) == 2
    said = only(ways, "thin compound", "thin compound").against
    assert any("most of the floor, and no pocket" in why for why in said)


def test_a_fall_that_no_sheet_holds() -> None:
    """A datum that falls by 10 mm per m stands against every self-levelling sheet."""
    ways = compared(cone(0.010, 1.0), terms=Terms("parallel", slope=0.010))
    assert ways.best is None
    assert all("falls by 10.0 mm per m" in why for way in ways.each for why in way.against)


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_published_bag_arithmetic(case: dict[str, Any]) -> None:
    """Mass and bags of the reference table (source in the file) for a level floor of 30 m²."""
    depth_mm = case["depth_mm"] * case["area_m2"] / AREA_M2
    sheet = Sheet("x", (0.0, 300.0), case["coverage_kg_m2_mm"], case["bag_kg"], 5.0, 20.0)
    terms = Terms("level", waste=case["waste"])
    flat = floor_of(lambda x, y: 0.0 * (x + y))
    (way,) = compare_ways(flat, Plane(depth_mm / 1000.0), (Offer(sheet, 3.0),), terms).each
    assert way.powder_kg == pytest.approx(case["mass_kg"], rel=1e-9)
    assert (way.bags, way.cost) == (case["bags"], 3.0 * case["bags"])


def test_what_is_not_known_is_none() -> None:
    """No price, no hours, no primer: none of them is made up."""
    bare = Sheet("bare compound", (2.0, 12.0), 1.7, 20.0, 4.0, 20.0)
    ways = compared(cone(0.030, 1.0), Offer(bare), Offer(DEEP, 30.0))
    way = only(ways, "deep compound", "bare compound")
    assert (way.cost, way.wait_h, way.walk_h, way.cover_h) == (None, None, None, None)
    assert way.lifts[1].primer_l is None


def test_more_left_than_the_greatest_is_refused() -> None:
    """A pocket is not filled to below what is too deep."""
    surface = floor_of(cone(0.030, 1.0))
    with pytest.raises(ValueError, match=r"0\.02 m left"):
        find_pockets(surface, -surface.height_m, greatest_m=0.012, left_m=0.02, whole=(1.0, 1.0))


def test_what_lies_near_is_what_the_distance_says() -> None:
    """Cells within a reach of others, held against the exact distance transform of SciPy."""
    from scipy.ndimage import distance_transform_edt

    seed = secrets.randbelow(10**6)
    rng = np.random.default_rng(seed)
    for _ in range(60):
        shape = rng.integers(1, 60, 2)
        where = rng.random(shape) < rng.choice([0.0, 0.003, 0.03, 0.3])
        cell_m = float(rng.choice([0.025, 0.05, 0.06, 0.1, rng.uniform(0.02, 0.3)]))
        reach_m = float(rng.choice([0.3, rng.uniform(0.05, 0.6)]))
        away_m = np.full(where.shape, np.inf)
        if where.any():
            away_m = cell_m * distance_transform_edt(~where)
        found = near_to(where, reach_m, cell_m)
        assert np.array_equal(found, away_m <= reach_m), (seed, shape, cell_m, reach_m)
