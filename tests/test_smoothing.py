"""The blend of fits is as calm as the widest on a calm floor, and keeps the top of a hump."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from pourdatum.simulate import Hump, Relief, Wave, random_room
from pourdatum.smoothing import WIDTHS_M, Smoother, smoother_for
from strategies import cell_weights

CELL_M = 0.025
NOISE_M = 0.0015
SHAPE = (100, 120)
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]] * CELL_M
TOP = (48, 60)
"""Node at (1.5, 1.2) m, on which humps stand."""


def strewn(
    height: np.ndarray, seed: int, per_cell: float = 6.0, noise_m: float = NOISE_M
) -> tuple[np.ndarray, np.ndarray]:
    """Counts and mean heights of points strewn over a floor given at the nodes."""
    rng = np.random.default_rng(seed)
    count = rng.poisson(per_cell, height.shape).astype(float)
    noise = noise_m * rng.standard_normal(height.shape) / np.sqrt(np.maximum(count, 1.0))
    return count, np.where(count > 0, height + noise, 0.0)


def smoothed(height: np.ndarray, seed: int, **how: float) -> tuple[Smoother, np.ndarray]:
    """The smoother of a strewn floor, and its heights."""
    count, value = strewn(height, seed, **how)
    smoother = smoother_for(count, value, np.full(count.shape, NOISE_M), CELL_M)
    return smoother, smoother.height(value)


def rms(values: np.ndarray) -> float:
    """Root of the mean square of what is known."""
    return float(np.sqrt(np.nanmean(values**2)))


def hump(height_m: float, radius_m: float) -> np.ndarray:
    """A cosine hump on a level floor, its top at ``TOP``."""
    relief = Relief(humps=(Hump(X[TOP], Y[TOP], height_m, radius_m, "cosine"),))
    return relief.height(X, Y)


@pytest.mark.parametrize("per_cell", [1.5, 6.0])
def test_a_flat_floor_comes_out_as_calm_as_with_the_widest_fit(per_cell) -> None:
    """On a flat noisy floor the blend errs by at most a quarter more than the widest fit alone.

    The narrowest errs 0.16 / 0.035 = 4.6 times as much: standard errors go with one over the
    width. Root mean squares over eight floors of 120 by 100 cells.
    """
    blended, widest, narrowest = [], [], []
    for seed in range(8):
        count, value = strewn(np.zeros(SHAPE), 100 + seed, per_cell)
        smoother = smoother_for(count, value, np.full(SHAPE, NOISE_M), CELL_M)
        blended.append(rms(smoother.height(value)))
        widest.append(rms(smoother.fits[-1].height(value)))
        narrowest.append(rms(smoother.fits[0].height(value)))
    assert rms(np.array(blended)) < 1.25 * rms(np.array(widest))
    assert rms(np.array(narrowest)) > 3.0 * rms(np.array(widest))


@pytest.mark.parametrize(("height_m", "radius_m"), [(0.006, 0.35), (0.003, 0.3), (0.009, 0.45)])
def test_a_hump_keeps_its_top(height_m, radius_m) -> None:
    """On average over 16 draws a steep hump loses at most a third of what the widest fit takes.

    What the widest alone takes is found without noise. A wider fit that differs from a narrower
    one by b keeps about 1 / (1 + b²/g) of its say, with g the variance of that difference: what
    it takes off is at most half a standard error of the narrowest fit. Two such halves, for
    the two fits that a hump of that size strains, and three standard errors of the mean of 16.
    """
    floor = hump(height_m, radius_m)
    errors, narrowest = [], []
    for seed in range(16):
        smoother, height = smoothed(floor, 200 + seed)
        errors.append(height[TOP] - floor[TOP])
        narrowest.append(NOISE_M * np.sqrt(smoother.fits[0].variance[TOP]))
    loss = floor[TOP] - smoother.fits[-1].height(floor)[TOP]
    of_mean = np.std(errors) / np.sqrt(len(errors))
    assert loss > 3 * np.mean(narrowest), "the scene is too gentle to tell"
    assert abs(np.mean(errors)) < loss / 3
    assert abs(np.mean(errors)) < np.mean(narrowest) + 3 * of_mean


@pytest.mark.parametrize("per_cell", [2.0, 7.5])
@pytest.mark.parametrize(
    "relief",
    [
        Relief(),
        Relief(slope_x=0.004, waves=(Wave(0.0012, 4.0, 0.7, 0.3),)),
        Relief(humps=(Hump(1.5, 1.2, 0.006, 0.5, "gaussian"),)),
    ],
    ids=["flat", "wave", "hump"],
)
def test_the_stated_error_is_that_of_the_heights(relief, per_cell) -> None:
    """Errors over stated standard errors have a root mean square of one, edges counted too.

    0.8 to 1.25 is asked: neighbours share points, so a floor of 7.5 m² and a widest fit of
    0.16 m give about 7.5 / (4 pi 0.16²) = 23 independent heights, six floors 140: one standard
    error of the root mean square is 1 / sqrt(280) = 6 %, three are 18 %, and the rest may be
    bias that noise hides.
    """
    floor = relief.height(X, Y)
    scores = []
    for seed in range(6):
        smoother, height = smoothed(floor, 300 + seed, per_cell=per_cell)
        scores.append(rms((height - floor) / smoother.standard_error_m))
    assert 0.8 < rms(np.array(scores)) < 1.25


@pytest.mark.parametrize("seed", [71, 72, 73])
def test_the_stated_error_holds_on_drawn_floors(seed) -> None:
    """The same over whole rooms of 40 to 60 m² with undulations and humps, drawn by number."""
    room = random_room(seed)
    x0, y0, x1, y1 = room.room.bounds
    x, y = np.meshgrid(np.arange(x0, x1, CELL_M), np.arange(y0, y1, CELL_M))
    floor = room.relief.height(x, y)
    smoother, height = smoothed(floor, seed)
    assert 0.8 < rms((height - floor) / smoother.standard_error_m) < 1.25


def test_more_points_give_smaller_stated_errors() -> None:
    """Four times the points halve the stated error on a flat floor, to 10 %.

    The shares change with the noise's luck, which is the same in the mean.
    """
    few, many = (
        np.mean([smoothed(np.zeros(SHAPE), s, per_cell=n)[0].standard_error_m for s in range(4)])
        for n in (3.0, 12.0)
    )
    assert_allclose(many / few, 0.5, rtol=0.1)


@settings(max_examples=20)
@given(cell_weights(), st.integers(0, 2**32))
def test_shares_are_shares(weight, seed) -> None:
    """Shares lie between 0 and 1 and add up to one exactly where there is a height.

    Sums of at most four numbers agree to 1e-12.
    """
    rng = np.random.default_rng(seed)
    value = 0.004 * rng.standard_normal(weight.shape)
    smoother = smoother_for(weight, value, np.full(weight.shape, NOISE_M), CELL_M)
    known = np.isfinite(smoother.standard_error_m)
    assert np.all((smoother.shares >= 0) & (smoother.shares <= 1))
    assert_allclose(smoother.shares.sum(axis=0)[known], 1.0, atol=1e-12)
    assert np.all(np.isnan(smoother.height(value)) == ~known)
    assert np.all(smoother.standard_error_m[known] > 0)


@settings(max_examples=20)
@given(cell_weights(), st.integers(0, 2**32), st.sampled_from([0.05, 0.2, 0.5]))
def test_a_height_stands_on_eight_points_or_more(weight, seed, share) -> None:
    """No height of a sparse floor has a stated error above that of the mean of eight points."""
    rng = np.random.default_rng(seed)
    weight = np.where(rng.random(weight.shape) < share, weight, 0.0)
    smoother = smoother_for(weight, 0.0 * weight, np.full(weight.shape, NOISE_M), CELL_M)
    known = np.isfinite(smoother.standard_error_m)
    assert np.all(smoother.standard_error_m[known] <= NOISE_M / np.sqrt(8.0))


@settings(max_examples=10)
@given(cell_weights(), st.integers(0, 2**32))
def test_for_given_shares_the_blend_is_linear(weight, seed) -> None:
    """The smoother of a sum is the sum of the smoothers: it may be run on noise alone.

    Heights of some 10 mm agree to a picometre.
    """
    rng = np.random.default_rng(seed)
    a, b = 0.01 * rng.standard_normal((2, *weight.shape))
    smoother = smoother_for(weight, a, np.full(weight.shape, NOISE_M), CELL_M)
    both = smoother.height(2 * a + b)
    assert_allclose(both, 2 * smoother.height(a) + smoother.height(b), rtol=0, atol=1e-12)


@settings(max_examples=10)
@given(cell_weights(), st.floats(-0.01, 0.01), st.floats(-0.001, 0.001))
def test_a_quadratic_floor_passes_unchanged(weight, slope, bend) -> None:
    """Each fit meets a quadratic exactly, so that their blend does, edges and gaps included."""
    y, x = np.mgrid[0:24, 0:24]
    floor = slope * x - 0.3 * slope * y + bend * (x * y - y**2)
    smoother = smoother_for(weight, floor, np.full(weight.shape, NOISE_M), CELL_M)
    known = np.isfinite(smoother.standard_error_m)
    assert_allclose(smoother.height(floor)[known], floor[known], rtol=0, atol=1e-8)


def test_nothing_seen_is_nothing_known() -> None:
    """Beyond the reach of all fits the error is infinite and the height NaN."""
    count, value = strewn(np.zeros(SHAPE), 1)
    count[:, 60:] = 0.0
    smoother = smoother_for(count, value, np.full(SHAPE, NOISE_M), CELL_M)
    beyond = 60 + int(np.ceil(3 * WIDTHS_M[-1] / CELL_M)) + 1
    assert np.all(np.isinf(smoother.standard_error_m[:, beyond:]))
    assert np.all(np.isnan(smoother.height(value)[:, beyond:]))
    assert np.all(np.isfinite(smoother.height(value)[:, :60]))


def test_coarse_cells_still_have_fits_that_reach_their_neighbours() -> None:
    """With cells of 0.1 m no fit is narrower than 1.3 cells, and none is there twice."""
    count = np.full((30, 30), 40.0)
    smoother = smoother_for(count, np.zeros((30, 30)), np.full((30, 30), NOISE_M), 0.1)
    widths = [fit.bandwidth for fit in smoother.fits]
    assert widths == [1.3, pytest.approx(1.6)]
    assert np.all(np.isfinite(smoother.standard_error_m))
