"""Compiled loops and what they stand for in NumPy: the same numbers."""

from __future__ import annotations

from importlib.util import find_spec

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pourdatum.cells
from pourdatum import bare, cellheights, everywhere, grind, localfit
from pourdatum.cells import Cells, Column
from pourdatum.compiled import compiled_loops
from pourdatum.everywhere import lay_everywhere, rests
from pourdatum.grid import Grid
from pourdatum.grind import _prominent
from pourdatum.localfit import local_fit, local_heights

pytestmark = pytest.mark.skipif(
    find_spec("numba") is None, reason="the extra `fast` is not installed"
)


@pytest.mark.parametrize("module", ["cellloop", "fitloop", "restloop"])
def test_the_loops_load_where_they_can(module: str) -> None:
    """With Numba there, none is left out: a loop that does not compile is a fault, not a lack."""
    assert compiled_loops(module) is not None


def field(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Weights with gaps and values."""
    rng = np.random.default_rng(seed)
    shape = tuple(rng.integers(8, 30, 2))
    weight = rng.integers(0, 9, shape) * (rng.random(shape) < rng.uniform(0.2, 1.0))
    return weight.astype(np.float64), rng.normal(0, 0.003, shape)


@given(
    seed=st.integers(0, 2**31),
    order=st.sampled_from([1, 2]),
    bandwidth=st.floats(1.3, 4.0),
    with_error=st.booleans(),
    with_slope=st.booleans(),
)
def test_fits_are_the_same(
    seed: int, order: int, bandwidth: float, with_error: bool, with_slope: bool
) -> None:
    """Rows, variance, height and slope: to the last bit, at once or one after the other."""
    weight, value = field(seed)
    found = []
    for loops in (lambda name, worth: compiled_loops(name), lambda name, worth: None):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(localfit, "compiled_loops", loops)
            fit = local_fit(
                weight, bandwidth, order, least_weight=4.0, with_error=with_error,
                with_slope=with_slope,
            )  # fmt: skip
            heights = fit.height_and_slope(value) if with_slope else (fit.height(value),)
            once = local_heights(
                weight, value, bandwidth, order, least_weight=4.0, with_slope=with_slope
            )
            assert np.array_equal(once, heights, equal_nan=True)
            found.append((fit.rows, fit.variance, *heights))
    for one, other in zip(*found, strict=True):
        assert np.array_equal(one, other, equal_nan=True)


@given(seed=st.integers(0, 2**31))
def test_sums_over_cells_are_the_same(seed: int) -> None:
    """Points, weighted sums and medians per cell of chosen voxels: to the last bit."""
    rng = np.random.default_rng(seed)
    grid, n = Grid(0.0, 0.0, 0.1, 5, 4), int(rng.integers(1, 200))
    value = rng.normal(0.0, 1.0, (4, n))
    column = Column(np.sort(rng.integers(0, 20, n)), *value, rng.integers(1, 900, n))
    cells, chosen = Cells(grid, np.zeros(grid.shape), column, column), rng.random(n) < 0.6
    found = []
    for loops in (lambda name, worth: compiled_loops(name), lambda name, worth: None):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(pourdatum.cells, "compiled_loops", loops)
            patched.setattr(bare, "compiled_loops", loops)
            patched.setattr(cellheights, "compiled_loops", loops)
            total = cells.total(column, chosen)
            means = bare.cell_means(column, value[0], chosen, cells, total * 1.0)
            found.append((total, *means, *cellheights.cell_medians(column, chosen, grid.shape)))
    for one, other in zip(*found, strict=True):
        assert np.array_equal(one, other)


@given(seed=st.integers(0, 2**31), step=st.sampled_from([0.0, 0.5]))
def test_prominent_tops_are_the_same(seed: int, step: float) -> None:
    """The same tops with the same prominence, plateaus and gaps included."""
    _, value = field(seed)
    rise = 1e3 * value
    if step:
        rise = np.round(rise / step) * step
    rise[np.random.default_rng(seed).random(rise.shape) < 0.05] = np.nan
    found = []
    for loops in (lambda name, worth: compiled_loops(name), lambda name, worth: None):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(grind, "compiled_loops", loops)
            found.append(_prominent(rise, 0.7))
    assert found[0] == found[1]


@given(
    seed=st.integers(0, 2**31), length_m=st.floats(0.3, 2.0), kind=st.sampled_from("nsfr"),
)  # fmt: skip
def test_straightedges_rest_the_same(seed: int, length_m: float, kind: str) -> None:
    """Gap, contacts and rocking: to the last bit, on noise, slopes, flats and ridges."""
    rng = np.random.default_rng(seed)
    grid = Grid(0.0, 0.0, 0.05, int(rng.integers(20, 60)), int(rng.integers(20, 60)))
    x, y = grid.mesh()
    height = {
        "n": rng.normal(0.0, 0.002, grid.shape),
        "s": 0.01 * x - 0.003 * y,
        "f": np.zeros(grid.shape),
        "r": 0.004 * np.abs(np.sin(4.0 * x + rng.uniform(0, 6))),
    }[kind]
    laid = lay_everywhere(grid, rng.random(grid.shape) < 0.995, length_m)
    found = []
    for loops in (lambda name, worth: compiled_loops(name), lambda name, worth: None):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(everywhere, "compiled_loops", loops)
            found.append(rests(grid, height, laid))
    for one, other in zip(*found, strict=True):
        for name in ("gap_m", "span_m", "rocks_m"):
            assert np.array_equal(getattr(one, name), getattr(other, name)), name
