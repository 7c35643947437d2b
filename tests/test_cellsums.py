"""Sums over cells: against sums made with Python's own integers, in any order and pieces."""

from __future__ import annotations

import gc
import weakref
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum import paged
from pourdatum.block import PAGE_BYTES, Block
from pourdatum.cellsums import CellSums, Place, Summed, level_at
from pourdatum.compiled import compiled_loops
from pourdatum.errors import LimitMet
from pourdatum.grid import Grid, VoxelStats

COARSE = Grid(-0.95, -0.95, 0.1, 30, 40)
"""Over -0.95 to 2.95 m by -0.95 to 1.95 m."""
PLACE = Place(
    coarse=COARSE,
    level_m=0.01 * np.sin(np.arange(30 * 40).reshape(30, 40) / 7.0),
    near=Block(-20, -20, -60, cols=80, rows=60, layers=120, cell_steps=5000, layer_steps=200),
    far=Block(-20, -20, -80, cols=80, rows=60, layers=400, cell_steps=5000, layer_steps=5000),
    band_steps=8000,
    low_steps=-300_000,
    high_steps=1_500_000,
    keep=np.arange(30 * 40).reshape(30, 40) % 3 == 0,
    keep_one_in=2,
)
LOOPS = [False, True] if compiled_loops("cellloop") else [False]


def cloud(seed: int, n: int = 4000) -> np.ndarray:
    """Floor, things on it, and points outside every block."""
    rng = np.random.default_rng(seed)
    plan = rng.integers(-200_000, 400_000, (n, 2))
    z = np.where(rng.random(n) < 0.6, rng.normal(0, 300, n), rng.uniform(-4e5, 2e6, n))
    return np.column_stack([plan, z.astype(np.int64)])


def by_hand(points: np.ndarray, place: Place) -> tuple[dict, dict]:
    """Counts and sums of offsets per voxel, with Python's integers."""
    near: dict = defaultdict(lambda: [0, 0, 0, 0])
    far: dict = defaultdict(lambda: [0, 0, 0, 0])
    level = level_at(points[:, 0] * 1e-5, points[:, 1] * 1e-5, place.coarse, place.level_m)
    for (x, y, z), base in zip(points.tolist(), level.tolist(), strict=True):
        if base != base:
            continue
        rise = z - round(base / 1e-5)
        if abs(rise) <= place.band_steps:
            sums, block = near, place.near
        elif place.low_steps < rise < place.high_steps:
            sums, block = far, place.far
        else:
            continue
        key = (y // block.cell_steps, x // block.cell_steps, z // block.layer_steps)
        own = sums[key]
        own[0] += 1
        own[1] += x % block.cell_steps
        own[2] += y % block.cell_steps
        own[3] += z % block.layer_steps
    return near, far


def table(stats: VoxelStats) -> dict:
    """Statistics as a dictionary of (row, column, layer)."""
    col, row, layer = stats.indices()
    return {
        key: [count, *sums]
        for *key, count, sums in zip(
            row.tolist(), col.tolist(), layer.tolist(), stats.count.tolist(), stats.sums.T.tolist(),
            strict=True,
        )
        for key in [tuple(key)]
    }  # fmt: skip


def summed(points: np.ndarray, compiled: bool, cuts: list[int] | None = None) -> Summed:
    """The points summed, cut into pieces at these places."""
    sums = CellSums(PLACE, compiled)
    for piece in np.split(points, sorted(cuts or [])):
        sums.add(np.ascontiguousarray(piece))
    return sums.result()


def same(a: VoxelStats, b: VoxelStats) -> bool:
    """Whether both are the same to the last bit."""
    return all(
        np.array_equal(getattr(a, name), getattr(b, name)) for name in ("key", "count", "sums")
    )


def sorted_points(points: np.ndarray) -> np.ndarray:
    """Points in an order of their own."""
    return points[np.lexsort(points.T)]


@pytest.mark.parametrize("compiled", LOOPS)
def test_sums_are_those_of_whole_numbers(compiled: bool) -> None:
    """Every voxel holds the count and the sums that Python's integers give, and no other is."""
    points = cloud(11)
    near, far = by_hand(points, PLACE)
    got = summed(points, compiled)
    assert table(got.near) == dict(near)
    assert table(got.far) == dict(far)
    assert got.points == len(points)
    assert np.all(np.diff(got.near.key) > 0)


@pytest.mark.parametrize("compiled", LOOPS)
@given(
    seed=st.integers(0, 2**31),
    cuts=st.lists(st.integers(0, 500), max_size=6),
    order=st.randoms(use_true_random=False),
)
def test_order_and_pieces_leave_no_trace(compiled: bool, seed: int, cuts: list[int], order) -> None:
    """Shuffled, and cut anywhere: the same bits, and the same points kept."""
    points = cloud(seed, 500)
    shuffled = points[order.sample(range(500), 500)]
    one, other = summed(points, compiled), summed(shuffled, compiled, cuts)
    assert same(one.near, other.near)
    assert same(one.far, other.far)
    assert np.array_equal(sorted_points(one.kept), sorted_points(other.kept))


@pytest.mark.skipif(len(LOOPS) < 2, reason="the extra `fast` is not installed")
@given(seed=st.integers(0, 2**31))
def test_compiled_and_plain_give_the_same_bits(seed: int) -> None:
    """The two loops are one."""
    points = cloud(seed, 2000)
    plain, compiled = (summed(points, how) for how in LOOPS)
    assert same(plain.near, compiled.near)
    assert same(plain.far, compiled.far)
    assert np.array_equal(plain.kept, compiled.kept)


@given(seed=st.integers(0, 2**31), at=st.integers(0, 800))
def test_parts_merge_to_the_whole(seed: int, at: int) -> None:
    """Two machines together have what one has."""
    points = cloud(seed, 800)
    whole = summed(points, LOOPS[-1])
    parts = summed(points[:at], LOOPS[-1]).merged(summed(points[at:], LOOPS[-1]))
    assert same(whole.near, parts.near)
    assert same(whole.far, parts.far)
    assert whole.points == parts.points


@pytest.mark.parametrize("compiled", LOOPS)
def test_no_sum_overflows(compiled: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where 32 bits would not hold a voxel's sums, they are carried over: none is lost."""
    monkeypatch.setattr(paged, "_MOST_SUM", 40 * 5000)  # as if a voxel held 40 points
    points = np.repeat(cloud(3, 20), 100, axis=0)
    near, far = by_hand(points, PLACE)
    got = summed(points, compiled, [500, 1100])
    assert table(got.near) == dict(near)
    assert table(got.far) == dict(far)


@pytest.mark.parametrize("compiled", LOOPS)
def test_the_greatest_offset_fits_however_often_it_comes(compiled: bool) -> None:
    """200 000 points at 49 999 steps are more than 32 bits hold: their sum is exact."""
    block = replace(PLACE.near, cell_steps=50_000, col=0, row=0, layer=0)
    sums = paged.PagedSums(block, 1 << 30, compiled=compiled)
    sums.add(np.full((200_000, 3), [49_999, 0, 0]))
    assert sums.result().count.tolist() == [200_000]
    assert sums.result().sums[:, 0].tolist() == [200_000 * 49_999, 0, 0]


@pytest.mark.parametrize("compiled", LOOPS)
def test_threads_that_add_at_the_same_time_lose_nothing(compiled: bool) -> None:
    """Four threads with pieces of one cloud give the bits of one."""
    points = np.concatenate([cloud(seed) for seed in range(40)])
    alone, together = CellSums(PLACE, compiled), CellSums(PLACE, compiled)
    alone.add(points)
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(together.add, np.array_split(points, 160)))
    one, many = alone.result(), together.result()
    assert table(one.near) == table(many.near)
    assert table(one.far) == table(many.far)
    assert one.points == many.points
    assert np.array_equal(np.sort(one.kept, axis=0), np.sort(many.kept, axis=0))


@pytest.mark.parametrize("compiled", LOOPS)
def test_memory_is_bounded(compiled: bool) -> None:
    """More pages than allowed are refused in a sentence."""
    sums = CellSums(replace(PLACE, most_bytes=4 * PAGE_BYTES), compiled)
    with pytest.raises(LimitMet, match=r"take more memory than is allowed.*--cell"):
        sums.add(cloud(5))


@pytest.mark.parametrize("compiled", LOOPS)
def test_memory_grows_with_cells_not_points(compiled: bool) -> None:
    """Ten times the points over the same voxels take the same pages."""
    sums = CellSums(PLACE, compiled)
    sums.add(cloud(7))
    used = sums._near.used, sums._far.used
    for _ in range(10):
        sums.add(cloud(7))
    assert (sums._near.used, sums._far.used) == used


@given(x=st.floats(-2.0, 4.0), y=st.floats(-2.0, 3.0))
def test_the_coarse_level_is_bilinear_between_its_nodes(x: float, y: float) -> None:
    """A field linear in x and y is given back exactly within the nodes, and NaN beyond them."""
    field = 0.3 + 0.02 * COARSE.mesh()[0] - 0.05 * COARSE.mesh()[1]
    level = level_at(np.array([x]), np.array([y]), COARSE, field)[0]
    inside = COARSE.x_m[0] <= x <= COARSE.x_m[-1] and COARSE.y_m[0] <= y <= COARSE.y_m[-1]
    if inside and not np.isnan(level):
        assert level == pytest.approx(0.3 + 0.02 * x - 0.05 * y, abs=1e-12)
    elif inside:  # rounding at the very rim
        assert min(abs(x - COARSE.x_m[[0, -1]]).min(), abs(y - COARSE.y_m[[0, -1]]).min()) < 1e-9


@pytest.mark.parametrize("compiled", LOOPS)
def test_pages_are_free_as_soon_as_nobody_holds_them(compiled: bool) -> None:
    """Nothing waits for the collector of cycles: pages are a quarter of a large plan's memory."""
    sums = paged.PagedSums(PLACE.near, 1 << 30, compiled=compiled)
    sums.add(cloud(9))
    held = weakref.ref(sums)
    gc.disable()
    try:
        del sums
        assert held() is None
    finally:
        gc.enable()
