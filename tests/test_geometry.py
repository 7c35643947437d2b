"""Planes answer for places, and a fit gives back what the points were made from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from pourdatum.geometry import Plane, fit_plane


@pytest.mark.parametrize(
    ("slope_x", "slope_y", "bearing_deg"),
    [(0, -1, 0), (-1, 0, 90), (0, 1, 180), (1, 0, 270), (-1, -1, 45), (1, 1, 225)],
)
def test_bearing_is_downhill_clockwise_from_y(
    slope_x: float, slope_y: float, bearing_deg: float
) -> None:
    """A floor that falls towards +y has bearing 0, towards +x 90 degrees."""
    plane = Plane(0.2, slope_x * 1e-3, slope_y * 1e-3)
    assert_allclose(math.degrees(plane.bearing_rad), bearing_deg, atol=1e-9)
    downhill = 0.01 * math.sin(plane.bearing_rad), 0.01 * math.cos(plane.bearing_rad)
    assert_allclose(plane.at(*downhill) - plane.at(0, 0), -0.01 * plane.slope, rtol=1e-9)


def test_level_plane_has_no_bearing() -> None:
    """Nothing runs anywhere on a level floor."""
    assert Plane(0.1).slope == 0.0
    assert math.isnan(Plane(0.1).bearing_rad)


@given(st.floats(-1, 1), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.integers(3, 30))
def test_fit_gives_back_the_plane(z0: float, slope_x: float, slope_y: float, n: int) -> None:
    """Points of a plane give that plane, and raising it raises every height."""
    rng = np.random.default_rng(n)
    x, y = rng.uniform(-20, 20, (2, n))
    plane = Plane(z0, slope_x, slope_y).raised(0.5)
    found, _ = fit_plane(x, y, Plane(z0, slope_x, slope_y).at(x, y) + 0.5, rng.uniform(1, 9, n))
    assert_allclose(found.at(x, y), plane.at(x, y), atol=1e-12)
    assert_allclose([found.slope_x, found.slope_y], [slope_x, slope_y], atol=1e-10)


def test_weight_of_two_is_the_point_twice() -> None:
    """An inverse variance that doubles is a second look at the same point."""
    rng = np.random.default_rng(5)
    x, y, z = rng.normal(0, 1, (3, 12))
    twice = np.arange(12) < 5
    weighted, of_weights = fit_plane(x, y, z, np.where(twice, 2.0, 1.0))
    repeated, of_repeats = fit_plane(
        *(np.append(axis, axis[twice]) for axis in (x, y, z)), np.ones(17)
    )
    assert_allclose(weighted.at(x, y), repeated.at(x, y), atol=1e-14)
    assert_allclose(of_weights, of_repeats, atol=1e-14)


@pytest.mark.parametrize("weighted", [True, False])
def test_covariance_is_that_of_repeated_surveys(weighted: bool) -> None:
    """Over many surveys with known noise, the fits scatter as the covariance says."""
    rng = np.random.default_rng(11)
    x, y = rng.uniform(2, 8, (2, 15))
    sigma = np.linspace(0.001, 0.004, 15) if weighted else np.full(15, 0.002)
    fits, said = [], []
    for _ in range(4000):
        z = 0.3 + 0.01 * x - 0.02 * y + rng.normal(0, sigma)
        plane, covariance = fit_plane(x, y, z, sigma**-2.0 if weighted else None)
        fits.append((plane.z0_m, plane.slope_x, plane.slope_y))
        said.append(covariance)
    # A variance from 4000 surveys is known to sqrt(2 / 4000) = 2.2 %; five sigma.
    scatter = np.cov(np.transpose(fits))
    scale = np.sqrt(np.diag(scatter))
    assert_allclose(
        np.mean(said, axis=0) / np.outer(scale, scale), scatter / np.outer(scale, scale), atol=0.11
    )


def test_three_points_leave_no_residual_to_judge_by() -> None:
    """Without weights, three points fix the plane and say nothing of its error."""
    plane, covariance = fit_plane([0, 1, 0], [0, 0, 1], [1, 2, 3])
    assert_allclose([plane.z0_m, plane.slope_x, plane.slope_y], [1, 1, 2])
    assert np.isnan(np.diag(covariance)).all()


@pytest.mark.parametrize(
    ("x", "y", "z", "weights", "message"),
    [
        ([0, 1], [0, 1], [0, 1], None, "2 points fix no plane; give at least three"),
        ([0, 1, 2], [0, 1, 2], [0, 1, 5], None, r"3 points about \(1.000, 1.000\) lie on one line"),
        ([7, 7, 7], [3, 3, 3], [0, 1, 5], None, "lie on one line"),
        ([0, 1, 2], [0, 1], [0, 1, 5], None, r"shapes \(3,\), \(2,\), \(3,\), \(3,\)"),
        ([0, 1, 0], [0, 0, 1], [0, math.nan, 5], None, "z of point 1 is nan"),
        ([0, 1, 0], [0, 0, 1], [0, 1, 5], [1, 0, 1], "weight of point 1 is 0; a weight is an inv"),
    ],
)
def test_points_that_fix_no_plane_are_refused(
    x: list[float], y: list[float], z: list[float], weights: list[float] | None, message: str
) -> None:
    """Too few, on a line, of different lengths, or not numbers: the message says which."""
    with pytest.raises(ValueError, match=message):
        fit_plane(x, y, z, weights)
