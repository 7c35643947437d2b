"""How far the slope of a floor may be out where it was shot singly: closed forms and coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum.geometry import fit_plane
from pourdatum.slopeerror import length_95, slope_covariance, slope_error_95
from pourdatum.spots import map_spots
from pourdatum.surface import Surface
from pourdatum.uncertainty import LEVELLING, SharedError
from test_spots import _humps, _surface, _waves

Array = NDArray[np.float64]

NO_LEAN = SharedError(0.0, 0.0, 0.0, "none")
ROUND_95 = math.sqrt(-2.0 * math.log(0.05))


def _covariance(place: Array, error_m: float, shared: SharedError = NO_LEAN) -> Array:
    surface = _surface(np.column_stack([place, np.full(len(place), 50.0)]), error_m, cell_m=0.02)
    shots = surface.floor.spots
    assert shots is not None
    x, y = surface.grid.mesh()
    inside = surface.measured
    return slope_covariance(map_spots(shots.shots), np.column_stack([x[inside], y[inside]]), shared)


@pytest.mark.parametrize("side_m", [2.0, 5.0])
def test_a_square_of_four_shots(side_m: float) -> None:
    """Slope along a side is the difference of two means of two over the side: error / side."""
    corner = np.array([(0.0, 0.0), (side_m, 0.0), (side_m, side_m), (0.0, side_m)])
    found = _covariance(corner, 0.001)
    assert found == pytest.approx(np.eye(2) * (0.001 / side_m) ** 2, abs=2e-3 * found[0, 0])


def test_three_shots_fix_a_plane() -> None:
    """At (0,0), (2.5,0), (1,2): slope x is (b - a) / 2.5, slope y (c - 0.6 a - 0.4 b) / 2."""
    weight = np.array([[-1.0 / 2.5, 1.0 / 2.5, 0.0], [-0.6 / 2.0, -0.4 / 2.0, 0.5]])
    found = _covariance(np.array([(0.0, 0.0), (2.5, 0.0), (1.0, 2.0)]), 0.001)
    assert found == pytest.approx(weight @ weight.T * 1e-6, rel=1e-6)


def test_the_line_of_sight_leans_beside_it() -> None:
    """Collimation of 0.05 mm per m is no error of a shot, and adds as a variance."""
    corner = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)])
    both = _covariance(corner, 0.001, LEVELLING)
    assert np.diag(both) == pytest.approx((0.001 / 4.0) ** 2 + 5e-5**2, rel=2e-3)


def test_length_of_a_pair_that_is_not_round() -> None:
    """100 000 pairs with deviations 3 and 1: the length that 95 % keep below, to 0.5 %."""
    pairs = np.random.default_rng(4).standard_normal((400_000, 2)) * [3.0, 1.0]
    drawn = float(np.quantile(np.hypot(*pairs.T), 0.95))
    assert length_95(np.diag([9.0, 1.0])) == pytest.approx(drawn, rel=5e-3)
    assert length_95(np.eye(2)) == pytest.approx(ROUND_95, rel=1e-4)


def test_more_and_wider_shots_know_the_slope_better() -> None:
    """Three shots over 2.5 m² leave a millimetre a metre open, forty over 48 m² far less."""
    few = np.array([(0.0, 0.0), (2.5, 0.0), (1.0, 2.0)])
    three = slope_error_95(_surface(np.column_stack([few, np.full(3, 50.0)])))
    wide = np.stack(np.meshgrid(np.linspace(0, 8, 8), np.linspace(0, 6, 5)), axis=-1).reshape(-1, 2)
    level = 50.0 + np.random.default_rng(3).normal(0.0, 0.001, 40)
    forty = slope_error_95(_surface(np.column_stack([wide, level])))
    weight = np.array([[-0.4, 0.4, 0.0], [-0.3, -0.2, 0.5]])
    assert three > length_95(weight @ weight.T * 1e-6)
    assert forty < 0.0004


def test_the_slope_is_within_its_error() -> None:
    """Sixty seeded floors, flat and of two kinds of rough: 95 % of slopes are, 88 % at least.

    Of 60 at 95 % fewer than 53 are within once in 180 (binomial).
    """
    place = np.stack(np.meshgrid(np.linspace(0, 8, 6), np.linspace(0, 6, 4)), axis=-1)
    place = place.reshape(-1, 2)
    fine = np.stack(np.meshgrid((np.arange(80) + 0.5) / 10, (np.arange(60) + 0.5) / 10))
    held, wide = [], []
    for seed in range(60):
        kind = (_humps, _waves, lambda rng, x, y: 0.0 * x)[seed % 3]
        z = kind(np.random.default_rng(seed), place[:, 0], place[:, 1])
        z = z + np.random.default_rng(500 + seed).normal(0.0, 0.001, len(z))
        truth = kind(np.random.default_rng(seed), fine[0], fine[1])
        surface = _surface(np.column_stack([place, z]), cell_m=0.1)
        best, real = _plane(surface), fit_plane(fine[0].ravel(), fine[1].ravel(), truth.ravel())[0]
        off = math.hypot(best.slope_x - real.slope_x, best.slope_y - real.slope_y)
        wide.append(slope_error_95(surface))
        held.append(off <= wide[-1])
    assert np.mean(held) >= 53 / 60
    assert np.median(wide) < 0.0007


def _plane(surface: Surface):  # type: ignore[no-untyped-def]
    x, y = surface.grid.mesh()
    known = surface.measured | surface.inferred
    return fit_plane(x[known], y[known], surface.height_m[known])[0]
