"""Generated cases for the tests: voxel points, cuts of a scan, rooms and weights."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@st.composite
def voxel_points(draw: st.DrawFn, quantities: int = 2) -> tuple[Ints, Ints]:
    """Keys (n,) and integer quantities (quantities, n) of points, many in shared voxels.

    Quantities reach beyond what a 32-bit sum holds.
    """
    n = draw(st.integers(0, 30))
    key = draw(st.lists(st.integers(-4, 4), min_size=n, max_size=n))
    values = draw(
        st.lists(st.integers(-(2**40), 2**40), min_size=n * quantities, max_size=n * quantities)
    )
    return np.array(key, np.int64), np.array(values, np.int64).reshape(quantities, n)


def indices(bits: int) -> st.SearchStrategy[int]:
    """Whole numbers that ``bits`` bits hold, the two ends often among them."""
    low, high = -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return st.one_of(st.sampled_from([low, high, -1, 0, 1]), st.integers(low, high))


@st.composite
def cuts(draw: st.DrawFn, n: int) -> list[Ints]:
    """The numbers 0 to n - 1 shuffled and dealt to one to four stations, none of them empty."""
    order = np.random.default_rng(draw(st.integers(0, 2**32))).permutation(n)
    ends = draw(st.lists(st.integers(1, n - 1), max_size=3, unique=True))
    return [part.astype(np.int64) for part in np.split(order, sorted(ends))]


@st.composite
def cell_weights(draw: st.DrawFn, side: int = 24) -> Floats:
    """Point counts (side, side) of 1 to 9, with a few rectangles where nothing was seen."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    weight = rng.integers(1, 10, (side, side)).astype(np.float64)
    for _ in range(draw(st.integers(0, 3))):
        row, col = draw(st.integers(0, side - 1)), draw(st.integers(0, side - 1))
        weight[row : row + draw(st.integers(1, 12)), col : col + draw(st.integers(1, 12))] = 0.0
    return weight
