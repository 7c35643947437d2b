"""Cells hold the places they say, and statistics of pieces add up to those of the whole."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pourdatum.errors import LimitMet
from pourdatum.grid import Grid, VoxelStats, block_means, merge, pack, unpack
from strategies import indices, voxel_points

PLAN_BITS, LAYER_BITS = 21, 20
"""Two plan indices and a layer fill 62 of the 63 bits of a positive int64."""


def assert_same(a: VoxelStats, b: VoxelStats) -> None:
    """Two tables hold the same bits."""
    for name in ("key", "count", "sums"):
        got, wanted = getattr(a, name), getattr(b, name)
        assert got.dtype == wanted.dtype == np.int64
        assert_array_equal(got, wanted, err_msg=name)


def one(index: int) -> np.ndarray:
    """An array of one index."""
    return np.array([index], np.int64)


# --- statistics ------------------------------------------------------------------------------


@given(voxel_points())
def test_statistics_are_the_sums_over_each_voxel(points) -> None:
    """Counts and sums per voxel are those that a loop over the points finds in whole numbers."""
    key, values = points
    wanted = defaultdict(lambda: [0, 0, 0])
    for at, *quantity in zip(key.tolist(), *values.tolist(), strict=True):
        wanted[at] = [a + b for a, b in zip(wanted[at], [1, *quantity], strict=True)]
    stats = VoxelStats.of_points(key, values)
    assert stats.key.tolist() == sorted(wanted)
    found = zip(stats.count.tolist(), *stats.sums.tolist(), strict=True)
    assert [list(row) for row in found] == [wanted[at] for at in sorted(wanted)]


@given(voxel_points(), voxel_points())
def test_merging_equals_all_points_at_once(first, second) -> None:
    """``merge(a, b)`` is to the last bit what the points of both give together."""
    together = VoxelStats.of_points(
        np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]], axis=1)
    )
    apart = merge(VoxelStats.of_points(*first), VoxelStats.of_points(*second))
    assert_same(apart, together)


@given(voxel_points(), voxel_points(), voxel_points())
def test_merging_knows_no_order(first, second, third) -> None:
    """Merging is commutative and associative, and the table of no points changes nothing."""
    a, b, c = (VoxelStats.of_points(*points) for points in (first, second, third))
    assert_same(merge(a, b), merge(b, a))
    assert_same(merge(merge(a, b), c), merge(a, merge(b, c)))
    none = VoxelStats.empty(2)
    assert_same(merge(a, none), a)
    assert_same(merge(none, a), a)


def test_counts_alone_are_statistics_too() -> None:
    """With no quantity at all, voxels still have their keys and counts, merged or not."""
    stats = VoxelStats.of_points(np.array([5, 2, 5]), np.empty((0, 3), np.int64))
    both = merge(stats, stats)
    assert both.key.tolist() == [2, 5]
    assert both.count.tolist() == [2, 4]
    assert both.sums.shape == (0, 2)


# --- packing ---------------------------------------------------------------------------------


@given(st.tuples(indices(PLAN_BITS), indices(PLAN_BITS), indices(LAYER_BITS)))
def test_packing_there_and_back(index) -> None:
    """Column, row and layer come back as they went in, to the ends of their range."""
    assert tuple(int(part[0]) for part in unpack(pack(*map(one, index)))) == index
    assert pack(*map(one, index))[0] >= 0


@given(
    st.lists(
        st.tuples(indices(PLAN_BITS), indices(PLAN_BITS), indices(LAYER_BITS)),
        min_size=2,
        max_size=8,
    )
)
def test_packed_keys_sort_by_row_column_layer(places) -> None:
    """Keys lie in the order of (row, column, layer), and different voxels have different keys."""
    col, row, layer = np.array(places, np.int64).T
    key = pack(col, row, layer).tolist()
    by_key = [place for _, place in sorted(zip(key, places, strict=True))]
    assert by_key == sorted(places, key=lambda place: (place[1], place[0], place[2]))
    assert len(set(key)) == len(set(places))


@given(voxel_points(quantities=1))
def test_a_table_knows_where_its_voxels_lie(points) -> None:
    """``indices`` gives back the column, row and layer that the keys were packed from."""
    col = points[0]
    stats = VoxelStats.of_points(pack(col, -col, 2 * col), points[1])
    got_col, got_row, got_layer = stats.indices()
    assert set(got_col.tolist()) == set(col.tolist())
    assert_array_equal(got_row, -got_col)
    assert_array_equal(got_layer, 2 * got_col)


@pytest.mark.parametrize(
    ("place", "name", "bits"),
    [(0, "column", PLAN_BITS), (1, "row", PLAN_BITS), (2, "layer", LAYER_BITS)],
)
@pytest.mark.parametrize("beyond", ["above", "below"])
def test_an_index_that_does_not_fit_is_refused(place, name, bits, beyond) -> None:
    """One step beyond either end of the range is refused, with the index, its limit and a way out.

    A key that wrapped around would put a stray point into another cell of the floor.
    """
    limit = 1 << (bits - 1)
    index = limit if beyond == "above" else -limit - 1
    parts = [one(0), one(0), one(0)]
    parts[place] = np.array([3, index], np.int64)
    with pytest.raises(LimitMet) as caught:
        pack(*parts)
    assert str(caught.value) == (
        f"{name} index {index} of a voxel is beyond {limit}; "
        "cut far stray points off the scan, or give a larger --cell"
    )
    assert (caught.value.id, caught.value.exit_status) == ("grid-too-large", 6)


# --- cells and blocks ------------------------------------------------------------------------


@given(
    st.floats(-50, 50), st.floats(-50, 50), st.floats(-3, 3), st.floats(-3, 3),
    st.sampled_from([0.025, 0.05, 0.1]),
)  # fmt: skip
def test_a_place_lies_in_the_cell_whose_centre_is_nearest(x, y, x0, y0, cell) -> None:
    """A place is at most half a cell from the centre of the cell it falls into, each way.

    A billionth of a cell is left for rounding.
    """
    grid = Grid(x0, y0, cell, 4, 7)
    row, col = grid.cell_of(np.array([x]), np.array([y]))
    half = 0.5 * cell * (1 + 1e-9) + 1e-12
    assert abs(x - (x0 + cell * int(col[0]))) <= half
    assert abs(y - (y0 + cell * int(row[0]))) <= half


def test_arrays_are_in_row_column_order() -> None:
    """Arrays over a grid are (ny, nx): x changes along a row, y from row to row."""
    grid = Grid(10.0, -2.0, 0.5, 2, 3)
    x, y = grid.mesh()
    assert grid.shape == x.shape == y.shape == (2, 3)
    assert_array_equal(x, [[10.0, 10.5, 11.0]] * 2)
    assert_array_equal(y, [[-2.0] * 3, [-1.5] * 3])
    row, col = grid.cell_of(x, y)
    assert_array_equal(row, [[0] * 3, [1] * 3])
    assert_array_equal(col, [[0, 1, 2]] * 2)


@given(st.integers(1, 11), st.integers(1, 11), st.integers(1, 5), st.integers(0, 2**32))
def test_block_means_are_weighted_means(ny, nx, step, seed) -> None:
    """Each block has the weight and the weighted mean of its cells, those at the rim too.

    Sums of at most 25 numbers of order one agree to 1e-12.
    """
    rng = np.random.default_rng(seed)
    weight = rng.integers(0, 4, (ny, nx)).astype(np.float64)
    value = rng.standard_normal((ny, nx))
    total, mean = block_means(weight, value, step)
    assert total.shape == mean.shape == (-(-ny // step), -(-nx // step))
    for (row, col), found in np.ndenumerate(total):
        block = np.s_[row * step : (row + 1) * step, col * step : (col + 1) * step]
        assert found == weight[block].sum()
        if found:
            wanted = np.average(value[block], weights=weight[block])
            assert_allclose(mean[row, col], wanted, rtol=0, atol=1e-12)
