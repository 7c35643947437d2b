"""Depth and height at a place: what datum and place share cancels, and the interval holds.

A thousand draws know a standard deviation to 1 / sqrt(2 * 999) = 2.2 % (JCGM 100:2008, E.4.3), and
a quantile of 2.5 % errs by sqrt(0.025 * 0.975 / 1000) / 0.0584 = 0.085 of one: bounds are four.
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
from numpy.testing import assert_allclose

from made_scan import surface_of, walled
from pourdatum.datum import Datum, DatumRequest, choose_datum
from pourdatum.errors import NoFloor
from pourdatum.placedepth import depth_at, depth_draws_m, height_at
from pourdatum.shareddraws import DRAWS
from pourdatum.simulate import Hump, Relief, Wave, scene_truth
from pourdatum.surface import Surface
from pourdatum.uncertainty import COVER_95, SENSORS, SharedError, combined
from scenes import rectangle, shot_of

ROOM = shapely.box(0.0, 0.0, 2.4, 2.0)
HUMP = Relief(humps=(Hump(0.6, 0.6, 0.012, 0.5, "cosine"),))
LEAST_M = 0.002
NOTHING = SharedError(0.0, 0.0, 0.0, "nothing")
PLACES_M = np.array([[2.1, 1.7], [1.2, 1.5], [1.8, 0.4]])
FOUR = 4 * 0.085 / COVER_95


@cache
def scanned() -> Surface:
    """A floor with one hump that is highest whatever a scan may be out by."""
    rng = np.random.default_rng(51)
    return surface_of(walled(ROOM, rng, per_m2=4000.0, height=HUMP.height))


def with_shared(**shared: Any) -> Surface:
    """The same scan, from an instrument with this budget and no other error."""
    return replace(scanned(), shared=replace(NOTHING, **shared))


def asked(surface: Surface, kind: Any = "high-point") -> Datum:
    """A datum of a kind; a given one lies 20 mm over the zero point."""
    level = 0.02 if kind == "level" else None
    return choose_datum(surface, DatumRequest(kind, z_m=level), LEAST_M)


def half_m(surface: Surface, datum: Datum) -> np.ndarray:
    """Half of each interval."""
    found = depth_at(surface, datum, PLACES_M)
    return 0.5 * (found.high_m - found.low_m)


def own_m(surface: Surface) -> np.ndarray:
    """What each place errs by itself."""
    return surface.grid.at(surface.standard_error_m, PLACES_M)


def test_the_depth_is_datum_minus_floor() -> None:
    """Positive where material is missing, between nodes as well."""
    surface = scanned()
    datum = asked(surface, "level")
    found = depth_at(surface, datum, PLACES_M)
    assert_allclose(found.value_m, 0.02 - surface.grid.at(surface.height_m, PLACES_M), atol=1e-12)
    assert ((found.low_m < found.value_m) & (found.value_m < found.high_m)).all()
    assert_allclose(found.place_m, PLACES_M)


def test_a_level_that_is_wrong_everywhere_leaves_a_high_point_depth_alone() -> None:
    """A scan 5 mm too high lifts datum and place; a given level it misses by all of it.

    Source: JCGM 100:2008, 5.2: the covariance of datum and place takes the shared part out.
    """
    level = with_shared(datum_m=0.005)
    exact = with_shared()
    assert_allclose(half_m(level, asked(level)), half_m(exact, asked(exact)), atol=2e-5, rtol=FOUR)
    wanted = COVER_95 * np.hypot(0.005, own_m(level))
    assert_allclose(half_m(level, asked(level, "level")), wanted, rtol=FOUR)


def test_a_tilt_counts_by_the_way_from_the_high_point() -> None:
    """Tilt times distance, with the noise of the high point and of the place, in quadrature."""
    surface = with_shared(tilt_rad=0.001)
    datum = asked(surface)
    far = np.hypot(*(PLACES_M - np.array(datum.high_place_m)).T)
    wanted = np.sqrt((0.001 * far) ** 2 + own_m(surface) ** 2 + datum.standard_error_m**2)
    spread = depth_draws_m(surface, datum, PLACES_M).std(axis=0)
    assert_allclose(spread, wanted, rtol=0.1)


def test_a_fitted_plane_tilts_with_the_scan() -> None:
    """Under a parallel datum a tilt of the scan is in no depth."""
    tilted, exact = with_shared(tilt_rad=0.002), with_shared()
    assert_allclose(
        half_m(tilted, asked(tilted, "parallel")), half_m(exact, asked(exact, "parallel")),
        rtol=FOUR, atol=2e-5,
    )  # fmt: skip


def test_a_height_stands_in_the_world() -> None:
    """Level, tilt about the middle of the floor, and the noise of the place, in quadrature."""
    surface = with_shared(datum_m=0.002, tilt_rad=0.001)
    found = height_at(surface, PLACES_M)
    far = np.hypot(*(PLACES_M - [1.2, 1.0]).T)
    wanted = COVER_95 * np.sqrt(0.002**2 + (0.001 * far) ** 2 + own_m(surface) ** 2)
    assert_allclose(found.value_m, surface.grid.at(surface.height_m, PLACES_M))
    assert_allclose(0.5 * (found.high_m - found.low_m), wanted, rtol=FOUR)


def test_depths_drawn_together_share_what_is_shared() -> None:
    """The mean of three depths under a given level is out by all of the scan's level.

    Source: GUM-MEAN of gum_examples.json (JCGM 100:2008, 4.2.3 and 5.2): a shared part does not
    shrink with the number of places.
    """
    surface = with_shared(datum_m=0.003)
    drawn = depth_draws_m(surface, asked(surface, "level"), PLACES_M)
    assert drawn.shape == (DRAWS, 3)
    wanted = math.hypot(0.003, float(np.linalg.norm(own_m(surface))) / 3)
    assert drawn.mean(axis=1).std() == pytest.approx(wanted, rel=4 * 0.022)


def test_single_levels_are_combined_by_formula() -> None:
    """Place, datum and the tilt between them, in quadrature; nothing drawn."""
    surface = replace(
        scanned(), between=cast(Any, SimpleNamespace()), shared=replace(NOTHING, tilt_rad=0.001)
    )
    datum = replace(asked(with_shared()), draws_m=None, standard_error_m=0.0004)
    found = depth_at(surface, replace(datum, interval_m=(0.0, 0.0)), PLACES_M)
    x, y = datum.high_place_m
    for place, own, low, value in zip(
        PLACES_M, own_m(surface), found.low_m, found.value_m, strict=True
    ):
        far = math.hypot(place[0] - x, place[1] - y)
        wanted = COVER_95 * combined(own, 0.0004, 0.001 * far)
        assert value - low == pytest.approx(wanted, rel=1e-9)
    with pytest.raises(ValueError, match="single levels"):
        depth_draws_m(surface, datum, PLACES_M)


def test_a_place_off_the_floor_is_refused() -> None:
    """It is named; one on the line of the wall is taken."""
    surface = scanned()
    datum = asked(surface, "level")
    with pytest.raises(NoFloor, match=r"\(3\.000, 1\.000\)"):
        depth_at(surface, datum, [[1.0, 1.0], [3.0, 1.0]])
    with pytest.raises(NoFloor, match="not on the floor"):
        height_at(surface, [[3.0, 1.0]])
    wall = surface.floor.outline.exterior.coords[0]
    assert np.isfinite(depth_at(surface, datum, [wall]).value_m).all()


def test_the_interval_holds_at_random_places_of_simulated_scenes() -> None:
    """Scans with a tilt from their budget: at 60 places each, 93 to 98 of 100 depths are held.

    Under a given level and for heights, where places mostly err by themselves, the share over 14
    scans is known to 1.2 % (found from scan to scan). Under a high point a scan's own luck is in
    all its depths: 14 scans know that share to 6 %, and it is no less than two of these below.
    """
    rng = np.random.default_rng(52)
    budget = replace(SENSORS["tripod"], warp_m=0.0)
    held = {"level": 0.0, "height": 0.0, "high-point": 0.0}
    scans = 14
    for _ in range(scans):
        relief = Relief(
            slope_x=0.001 * rng.standard_normal(),
            slope_y=0.001 * rng.standard_normal(),
            humps=(Hump(*rng.uniform((0.5, 0.5), (4.5, 3.5)), 0.005, 0.8, "gaussian"),),
            waves=(Wave(0.0008, 2.5, *rng.uniform(0.0, 6.0, 2)),),
        )
        scene = rectangle(relief=relief)
        tilt = budget.tilt_rad * rng.standard_normal(2)
        shot = shot_of(
            scene, seed=int(rng.integers(1_000_000)), tilt_rad=float(np.hypot(*tilt)),
            tilt_bearing_rad=float(math.atan2(*tilt)), warp_m=0.0,
        )  # fmt: skip
        surface = replace(surface_of(shot.points_m), shared=budget)
        place = rng.uniform((0.02, 0.02), (4.98, 3.98), (60, 2))
        true = relief.height(*place.T)
        top = scene_truth(scene, least_m=LEAST_M).high_turned_z_m + LEAST_M
        for kind, level in (("level", 0.02), ("high-point", top)):
            found = depth_at(surface, asked(surface, kind), place)
            wanted = level - true
            held[kind] += float(np.mean((found.low_m <= wanted) & (wanted <= found.high_m)))
        height = height_at(surface, place)
        held["height"] += float(np.mean((height.low_m <= true) & (true <= height.high_m)))
    for kind in ("level", "height"):
        assert 0.93 - 0.012 < held[kind] / scans < 0.98 + 0.012
    assert held["high-point"] / scans > 0.93 - 2 * 0.06
