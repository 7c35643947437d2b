"""Floor that nobody searched: what it may reach, drawn from few points and from the floor seen."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from made_scan import carpet, faces, flat, made_scan, surface_of, walled
from pourdatum import simulate
from pourdatum.datum import LOCAL_LEVEL, Datum, DatumRequest, choose_datum
from pourdatum.floor import find_floor
from pourdatum.patch import highest_patch
from pourdatum.shareddraws import DRAWS, draws_for
from pourdatum.simulate import Hump, Wave
from pourdatum.spread import draws_to_buy_m3, fill_draws_m3, fill_interval
from pourdatum.surface import Surface, make_surface
from pourdatum.unsearched import Relief, unsearched_floor, unsearched_tops_m, weigh_relief
from pourdatum.volume import fill_volume

HALL = shapely.box(0.0, 0.0, 12.0, 8.0)
DENSE = shapely.box(0.0, 0.0, 6.0, 8.0)
THIN = shapely.box(6.0, 0.0, 12.0, 8.0)
PER_M2 = 15.0
"""Points of the thin half: too few for any fit of 0.16 m, enough to show a hump a metre across."""
HUMP_M = 0.008
FLOOR = simulate.Relief(
    humps=(
        Hump(2.0, 3.0, 0.004, 0.7, "cosine"),
        Hump(4.5, 6.0, -0.003, 0.8, "cosine"),
        Hump(9.0, 4.0, HUMP_M, 1.2, "cosine"),
    ),
    waves=(Wave(0.001, 7.0, 0.4, 1.0),),
)


@cache
def half_thin(seed: int = 3) -> Surface:
    """A hall whose far half, with the highest place on it, got 15 points per m²."""
    rng = np.random.default_rng(seed)
    parts = [
        carpet(DENSE, 1500.0, rng, height=FLOOR.height),
        carpet(THIN, PER_M2, rng, height=FLOOR.height),
        faces(HALL, 0.0, 1.2, 100.0, rng),
    ]
    scan = made_scan(np.concatenate(parts))
    return make_surface(scan, find_floor(scan, outline=HALL))


@cache
def datum_of(seed: int = 3) -> Datum:
    """Its datum with no depth left over the highest place."""
    return choose_datum(half_thin(seed), DatumRequest("high-point"), 0.0)


def test_one_level_tells_a_field_what_its_correlation_says() -> None:
    """Given one exact level, the mean beside it is rho z, the deviation size sqrt(1 - rho²).

    Simple kriging (Cressie, Statistics for Spatial Data, 1993, 3.1; from memory), with the
    exponential correlation exp(-d / length) in closed form.
    """
    way = Relief(0, 2.0, 0.003, 1.0)
    mean, root = way.given(
        np.array([[0.0, 0.0]]), np.array([0.004]), np.array([1e-9]), np.array([[1.0, 0.0]])
    )
    rho = math.exp(-0.5)
    assert mean[0] == pytest.approx(rho * 0.004, rel=1e-6)
    assert root[0, 0] == pytest.approx(0.003 * math.sqrt(1.0 - rho**2), rel=1e-5)


def test_a_field_of_known_size_is_told_from_its_levels() -> None:
    """Mean square of the ways, weighed: that of the field drawn, to what 20 windows leave.

    Windows of 60 levels 2 m across of a field 0.8 m long hold some six independent patches each:
    120 in all, whose mean square scatters by sqrt(2 / 120) = 13 %; three times that is 39 %.
    """
    rng = np.random.default_rng(11)
    way = Relief(1, 0.8, 0.002, 1.0)
    place, level, groups = [], [], []
    for number in range(20):
        own = rng.uniform(0.0, 2.0, (60, 2)) + 50.0 * number
        nothing = np.zeros((0, 2)), np.zeros(0), np.zeros(0)
        mean, root = way.given(*nothing, own)
        groups.append(np.arange(60) + 60 * number)
        place.append(own)
        level.append(mean + root @ rng.standard_normal(60))
    found = weigh_relief(np.concatenate(place), np.concatenate(level), np.full(1200, 1e-4), groups)
    square = sum(one.weight * one.size_m**2 for one in found[:-2])
    assert square == pytest.approx(0.002**2, rel=0.39)
    assert sum(one.weight for one in found) == pytest.approx(1.0)


def test_few_points_are_floor_and_not_nothing() -> None:
    """Nine in ten of the points strewn thinly count as floor, the hump's as well as the rest.

    A gate of 3.5 deviations leaves out 0.05 % of a plane's; where nothing is fitted, all.
    """
    surface = half_thin()
    x, y = surface.grid.mesh()
    thin = shapely.contains_xy(THIN.buffer(-0.3), x, y)
    assert surface.count[thin].sum() > 0.9 * PER_M2 * THIN.buffer(-0.3).area
    on_hump = np.hypot(x - 9.0, y - 4.0) < 0.8
    assert surface.count[on_hump].sum() > 0.8 * PER_M2 * math.pi * 0.8**2


def test_the_highest_place_of_a_thin_half_is_expected_where_it_is() -> None:
    """The true high point lies 4 mm over any that was searched; the mean of the draws finds it.

    15 points of 1.5 mm per m² know the top of a hump 1.2 m in radius to about a millimetre.
    """
    surface, datum = half_thin(), datum_of()
    true_m = simulate.highest_patch(HALL, FLOOR.height).height_m
    searched_m = highest_patch(surface, LOCAL_LEVEL).z_m
    assert true_m - searched_m > 0.002
    assert searched_m + datum.higher_mean_m == pytest.approx(true_m, abs=0.0015)
    low_m, high_m = datum.interval_m
    assert low_m <= true_m <= high_m
    assert high_m - low_m < 0.010


def test_what_is_planned_lies_in_its_own_interval() -> None:
    """The fill to the datum as it is set is in the interval of the fill, and so is the true one."""
    surface, datum = half_thin(), datum_of()
    true_m = simulate.highest_patch(HALL, FLOOR.height).height_m
    volume = fill_volume(surface.height_m, surface.grid, HALL, datum.plane)
    draws = fill_draws_m3(surface, datum, volume)
    low_m3, high_m3 = fill_interval(surface, datum, volume, draws)
    assert low_m3 <= volume.volume_m3 <= high_m3
    true_m3 = volume.volume_m3 + HALL.area * (true_m - datum.plane.z0_m)
    assert low_m3 <= true_m3 <= high_m3
    bought = draws_to_buy_m3(draws, datum, volume)
    assert bought.mean() - draws.mean() == pytest.approx(HALL.area * datum.higher_mean_m)


def test_where_all_was_searched_nothing_is_added() -> None:
    """A dense room has no floor that nobody searched but specks along its walls."""
    room = shapely.box(0.0, 0.0, 3.0, 2.0)
    surface = surface_of(walled(room, np.random.default_rng(5), per_m2=5000.0, height=flat))
    datum = choose_datum(surface, DatumRequest("high-point"), 0.0)
    assert unsearched_floor(surface).sum() * surface.grid.cell_m**2 < 0.01 * room.area
    assert max(map(abs, datum.ends_moved_m)) < 0.0003


def test_a_gap_far_under_the_top_lifts_nothing() -> None:
    """Hidden floor on the low side of a floor that falls by 20 mm never sets its high point."""
    fall = simulate.Relief(slope_x=0.02 / 12.0)
    rng = np.random.default_rng(9)
    gap = shapely.box(1.0, 3.0, 3.0, 5.0)
    points = [
        carpet(HALL.difference(gap), 1500.0, rng, height=fall.height),
        faces(HALL, 0.0, 1.2, 100.0, rng),
    ]
    scan = made_scan(np.concatenate(points))
    surface = make_surface(scan, find_floor(scan, outline=HALL))
    assert unsearched_floor(surface).any()
    datum = choose_datum(surface, DatumRequest("high-point"), 0.0)
    assert max(datum.ends_moved_m) < 0.0002


def test_tops_are_those_of_the_floor_as_each_draw_bends_it() -> None:
    """A scan that may be too high by 5 mm as a whole leaves tops that scatter by as much."""
    surface = half_thin()
    loose = replace(surface, shared=replace(surface.shared, datum_m=0.005))
    tops = unsearched_tops_m(loose, LOCAL_LEVEL, draws_for(loose))
    assert tops is not None
    assert tops.shape == (DRAWS,)
    assert tops.std() == pytest.approx(0.005, rel=0.1)
