"""Local fits are the weighted least squares they claim to be, with the errors they state."""

from __future__ import annotations

from math import ceil

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pourdatum import localfit
from pourdatum.localfit import local_fit
from strategies import cell_weights

SIDE = 24
Y, X = np.mgrid[0:SIDE, 0:SIDE].astype(float)
POWERS = {1: [(0, 0), (1, 0), (0, 1)], 2: [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]}
BANDWIDTHS = st.sampled_from([1.3, 2.0, 3.5])
COEFFICIENTS = st.lists(st.floats(-0.01, 0.01), min_size=6, max_size=6)


def plain_least_squares(
    weight: np.ndarray, bandwidth: float, order: int, row: int, col: int
) -> np.ndarray:
    """What multiplies each cell's value to give height, slope in x and slope in y at a node.

    (3, ny, nx), from the pseudo-inverse of one design matrix: no moments, no convolution.
    """
    ny, nx = weight.shape
    y, x = np.mgrid[0:ny, 0:nx].astype(float)
    dx, dy = x - col, y - row
    reach = max(2, ceil(3 * bandwidth))
    near = (abs(dx) <= reach) & (abs(dy) <= reach)
    pull = np.where(near, weight * np.exp(-(dx**2 + dy**2) / (2 * bandwidth**2)), 0.0).ravel()
    design = np.stack([(dx**a * dy**b).ravel() for a, b in POWERS[order]], axis=1)
    root = np.sqrt(pull)
    solved = np.linalg.pinv(design * root[:, None]) * root
    return solved[:3].reshape(3, ny, nx)


# --- exactness ---------------------------------------------------------------------------------


@given(cell_weights(), BANDWIDTHS, COEFFICIENTS)
def test_a_quadratic_floor_is_met_exactly(weight, bandwidth, coefficients) -> None:
    """Wherever there is support, a quadratic floor and its slopes come back, whatever the weights.

    Heights are of order 0.01 * 24² = 6; pivots down to 1e-5 leave ten of sixteen digits.
    """
    a, b, c, d, e, f = coefficients
    floor = a + b * X + c * Y + d * X**2 + e * X * Y + f * Y**2
    fit = local_fit(weight, bandwidth, with_slope=True)
    height, slope_x, slope_y = fit.height_and_slope(floor)
    on = fit.supported
    assert_allclose(height[on], floor[on], rtol=0, atol=1e-8)
    assert_allclose(slope_x[on], (b + 2 * d * X + e * Y)[on], rtol=0, atol=1e-8)
    assert_allclose(slope_y[on], (c + e * X + 2 * f * Y)[on], rtol=0, atol=1e-8)
    assert_array_equal(fit.height(floor), height)


@given(cell_weights(), BANDWIDTHS, COEFFICIENTS)
def test_a_plane_is_met_exactly_by_the_first_order(weight, bandwidth, coefficients) -> None:
    """A local plane meets a plane and its slopes wherever it has support; tolerance as above."""
    a, b, c, *_ = coefficients
    floor = a + b * X + c * Y
    fit = local_fit(weight, bandwidth, 1, with_slope=True)
    height, slope_x, slope_y = fit.height_and_slope(floor)
    on = fit.supported
    assert_allclose(height[on], floor[on], rtol=0, atol=1e-8)
    assert_allclose(slope_x[on], b, rtol=0, atol=1e-8)
    assert_allclose(slope_y[on], c, rtol=0, atol=1e-8)


def test_a_floor_seen_all_over_is_supported_all_over() -> None:
    """Edges and corners of a floor seen everywhere have support, the first order and the second."""
    for order in (1, 2):
        assert local_fit(np.full((SIDE, SIDE), 4.0), 2.0, order).supported.all()


# --- against one matrix at a time --------------------------------------------------------------


@settings(max_examples=30)
@given(
    cell_weights(), BANDWIDTHS, st.sampled_from([1, 2]),
    st.integers(0, SIDE - 1), st.integers(0, SIDE - 1), st.integers(0, 2**32),
)  # fmt: skip
def test_a_node_holds_the_weighted_least_squares_of_its_neighbours(
    weight, bandwidth, order, row, col, seed
) -> None:
    """Height, slopes and variance at a node are those of one plain least-squares solution.

    The variance is the sum of the squared multipliers over the counts, each cell's value being
    the mean of as many points of unit variance. A supported fit keeps ten digits, as above.
    """
    fit = local_fit(weight, bandwidth, order, with_slope=True)
    assume(fit.supported[row, col])
    value = np.random.default_rng(seed).standard_normal(weight.shape)
    rows = plain_least_squares(weight, bandwidth, order, row, col)
    found = [part[row, col] for part in fit.height_and_slope(value)]
    assert_allclose(found, (rows * value).sum(axis=(1, 2)), rtol=1e-6, atol=1e-6)
    variance = (rows[0] ** 2 / np.maximum(weight, 1.0)).sum()
    assert_allclose(fit.variance[row, col], variance, rtol=1e-6)


def test_the_stated_variance_is_that_of_many_trials() -> None:
    """Heights fitted to pure noise scatter as stated: in the middle, at an edge, in a corner.

    The scatter of 3000 trials of a normal quantity has a relative standard error of
    1 / sqrt(2 * 3000) = 1.3 %; four of them are allowed.
    """
    rng = np.random.default_rng(11)
    side, trials = 15, 3000
    weight = rng.integers(1, 9, (side, side)).astype(float)
    weight[2:6, 8:12] = 0.0
    fit = local_fit(weight, 1.6)
    places = [(9, 6), (4, 10), (0, 7), (14, 14), (0, 0)]
    heights = np.empty((trials, len(places)))
    for trial in heights:
        noise = rng.standard_normal(weight.shape) / np.sqrt(np.maximum(weight, 1.0))
        trial[:] = [fit.height(noise)[place] for place in places]
    stated = [np.sqrt(fit.variance[place]) for place in places]
    assert np.all(np.isfinite(stated))
    assert_allclose(heights.std(axis=0), stated, rtol=4 / np.sqrt(2 * trials))
    assert np.all(abs(heights.mean(axis=0)) < 4 * np.array(stated) / np.sqrt(trials))


# --- flattening --------------------------------------------------------------------------------


def curvature_left(bandwidth: float) -> tuple[float, float]:
    """Height lost by x⁴ and by x² y², in bandwidths, under the Gaussian as it is cut off.

    With the kernel's moments m2, m4, m6 the normal equations give the fit to x⁴ the value
    m4 - b m2 at the middle, b = (m6 - m4 m2) / (m4 - m2²); that of x² y² is -m2². For the whole
    Gaussian (1, 3, 15) they are -3 and -1.
    """
    reach = max(2, ceil(3 * bandwidth))
    offset = np.arange(-reach, reach + 1) / bandwidth
    kernel = np.exp(-0.5 * offset**2)
    m2, m4, m6 = ((kernel * offset**power).sum() / kernel.sum() for power in (2, 4, 6))
    return m4 - m2 * (m6 - m4 * m2) / (m4 - m2**2), -(m2**2)


@pytest.mark.parametrize("bandwidth", [2.0, 3.0, 4.0])
@pytest.mark.parametrize("turned", [False, True])
def test_a_cosine_is_flattened_by_its_fourth_derivatives(bandwidth, turned) -> None:
    """The top of a long cosine sinks by the theory's share of its fourth derivatives, no more.

    For a cosine of small strain s = 2 pi bandwidth / length, one way or both, the loss is
    s⁴/24 of x⁴'s share (twice that, and s⁴/4 of x² y²'s, if both ways); the next order adds
    s²/3 of it per way. The stated bandwidth⁴/8 times the bi-Laplacian, that of a Gaussian
    with no cut, is never exceeded.
    """
    length = 40 * bandwidth
    half = ceil(4 * bandwidth)
    y, x = np.mgrid[-half : half + 1, -half : half + 1] * 2 * np.pi / length
    floor = np.cos(x) * (np.cos(y) if turned else 1.0)
    lost = local_fit(np.full(floor.shape, 4.0), bandwidth).height(floor)[half, half] - 1.0
    strain = 2 * np.pi * bandwidth / length
    single, mixed = curvature_left(bandwidth)
    wanted = strain**4 * (2 * single / 24 + mixed / 4 if turned else single / 24)
    assert_allclose(lost, wanted, rtol=2 * strain**2 / 3)
    stated = bandwidth**4 / 8 * (4 if turned else 1) * (2 * np.pi / length) ** 4
    assert -stated < lost < 0.0


def test_a_plane_flattens_more_than_a_quadratic() -> None:
    """A local plane takes bandwidth²/2 times the Laplacian off a bowl, the quadratic nothing.

    The Gaussian is cut at three bandwidths, which lessens its second moment by under 3 %.
    """
    bowl = (X - 12) ** 2 + (Y - 12) ** 2
    weight = np.full(bowl.shape, 4.0)
    first, second = (local_fit(weight, 3.0, order).height(bowl)[12, 12] for order in (1, 2))
    assert_allclose(first, 3.0**2 / 2 * 4, rtol=0.03)
    assert abs(second) < 1e-9


# --- support -----------------------------------------------------------------------------------


def test_without_support_there_is_no_height() -> None:
    """Where nothing was seen within reach the variance is infinite and the height NaN.

    A value in a cell of no weight takes no part, not even one that is no number.
    """
    weight = np.zeros((40, 40))
    weight[:12, :12] = 5.0
    value = np.where(weight > 0, 1.0, np.nan)
    fit = local_fit(weight, 2.0)
    far = (Y_40 >= 12 + 6) | (X_40 >= 12 + 6)
    assert np.all(np.isinf(fit.variance[far]))
    assert_array_equal(np.isnan(fit.height(value)), np.isinf(fit.variance))
    assert np.all(fit.supported[:12, :12])
    assert_allclose(fit.height(value)[:12, :12], 1.0, atol=1e-9)
    nothing = local_fit(np.zeros((5, 6)), 2.0)
    assert not nothing.supported.any()
    assert np.all(np.isnan(nothing.height(np.zeros((5, 6)))))


Y_40, X_40 = np.mgrid[0:40, 0:40]


@pytest.mark.parametrize("order", [1, 2])
def test_points_on_a_line_fix_no_fit(order) -> None:
    """A single row of cells, however many points it holds, supports neither plane nor quadratic."""
    weight = np.zeros((20, 20))
    weight[10] = 1000.0
    assert not local_fit(weight, 2.0, order).supported.any()


def test_two_rows_fix_a_plane_but_no_quadratic() -> None:
    """Two rows give a slope across, but no curvature across: a quadratic has no support there."""
    weight = np.zeros((20, 20))
    weight[10:12] = 1000.0
    assert local_fit(weight, 2.0, 1).supported[10, 10]
    assert not local_fit(weight, 2.0, 2).supported.any()


def test_a_fit_needs_its_least_weight() -> None:
    """The kernel-weighted count that a node needs is the one asked for, to the last part.

    Over cells of weight 1 far from the edge that count is the sum of the kernel, squared for
    two axes; 2 pi bandwidth² less the two tails beyond three bandwidths.
    """
    offset = np.arange(-6, 7) / 2.0
    mass = np.exp(-0.5 * offset**2).sum() ** 2
    weight = np.ones((30, 30))
    assert local_fit(weight, 2.0, least_weight=mass * 0.999).supported[15, 15]
    assert not local_fit(weight, 2.0, least_weight=mass * 1.001).supported[15, 15]


@given(cell_weights(), BANDWIDTHS, st.sampled_from([1, 2]))
def test_leaving_the_error_out_changes_nothing_else(weight, bandwidth, order) -> None:
    """Without its variance a fit has the same heights and the same support."""
    with_error = local_fit(weight, bandwidth, order)
    without = local_fit(weight, bandwidth, order, with_error=False)
    assert_array_equal(with_error.supported, without.supported)
    assert_array_equal(with_error.height(X * Y), without.height(X * Y))


def test_strips_of_a_large_grid_give_what_the_whole_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Worked on in strips of rows, side by side, every number is the same to the last bit."""
    rng = np.random.default_rng(12)
    weight = rng.integers(0, 6, (150, 90)).astype(np.float64)
    value = rng.normal(0.0, 1.0, weight.shape)
    found = []
    for many in (10**9, 500):
        monkeypatch.setattr(localfit, "MANY_NODES", many)
        fit = local_fit(weight, 2.3, with_slope=True)
        found.append((fit.rows, fit.variance, *fit.height_and_slope(value)))
    for one, other in zip(*found, strict=True):
        assert np.array_equal(one, other, equal_nan=True)
