"""Points of the floor are told from all others, and summed in cells without losing one."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from made_scan import NOISE_M, carpet, faces, flat, floor_of, made_scan, store_of, walled
from pourdatum.bare import THING_M, _weighted_quantiles, bare_floor
from pourdatum.cells import (
    BAND_LAYER_M,
    BAND_M,
    GREATEST_CELL_M,
    LEAST_CELL_M,
    Cells,
    cell_size_m,
    gather_cells,
)
from pourdatum.errors import JobError, NoFloor
from pourdatum.floor import find_floor
from pourdatum.levels import find_level
from pourdatum.passing import silent
from pourdatum.scan import LATTICE_M
from pourdatum.specks import without_specks

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)


def cells_of(points: np.ndarray, cell_m: float = 0.05) -> Cells:
    """Cells of points."""
    store = store_of(points)
    return gather_cells(store, find_level(store, silent), cell_m, silent)


# --- cells ---------------------------------------------------------------------------------------


@given(st.one_of(st.floats(200.0, 6000.0), st.floats(1.0, 1e6)))
def test_a_cell_holds_about_three_points(density) -> None:
    """The cell chosen is whole steps of 5 mm between 25 and 100 mm, three points or more in it.

    Three points of the sparse quarter where 100 mm suffice, and no step larger than needed.
    """
    cell = cell_size_m(density)
    assert 0.025 <= cell <= 0.1
    assert cell / 0.005 == pytest.approx(round(cell / 0.005))
    if cell < 0.1:
        assert cell**2 * density >= 3.0 * (1 - 1e-6)
    if cell > 0.025:
        assert (cell - 0.005) ** 2 * density < 3.0


@pytest.mark.parametrize("asked_m", [LEAST_CELL_M, 0.0333333, GREATEST_CELL_M])
def test_a_cell_asked_for_is_taken_to_the_lattice(asked_m) -> None:
    """A cell asked for is used, rounded to the lattice of 0.01 mm, whatever the density."""
    cell = cell_size_m(1.0, asked_m)
    assert abs(cell - asked_m) <= 0.5 * LATTICE_M
    assert cell / LATTICE_M == pytest.approx(round(cell / LATTICE_M))


@pytest.mark.parametrize(("asked_m", "shown"), [(0.009, "9 mm"), (0.6, "600 mm"), (-1.0, "-1000")])
def test_a_cell_out_of_range_is_refused(asked_m, shown) -> None:
    """A cell finer than 10 mm or coarser than 500 mm is refused, with the value and the range."""
    with pytest.raises(JobError, match="outside 10 to 500 mm") as caught:
        cell_size_m(1000.0, asked_m)
    assert shown in str(caught.value)
    assert str(caught.value).startswith("--cell: ")
    assert caught.value.exit_status == 2


def test_no_point_is_lost_in_cells() -> None:
    """Every point over the floor's reach is counted once: in the band or in the structure.

    The reach goes 0.8 m beyond the floor, 3 m down and 15 m up: here that is all of them.
    """
    rng = np.random.default_rng(1)
    points = walled(ROOM, rng, things=((shapely.box(1, 1, 2, 2), 0.7),))
    pit = carpet(shapely.box(3, 1, 3.3, 1.3), 900, rng, height=lambda x, y: flat(x, y) - 0.4)
    points = np.concatenate([points, pit])
    cells = cells_of(points)
    assert cells.band.count.sum() + cells.structure.count.sum() == len(points)
    assert np.abs(cells.band.height_m).max() <= BAND_M + LATTICE_M
    assert np.abs(cells.structure.height_m).min() > BAND_M - LATTICE_M
    assert_array_equal(cells.total(cells.band).sum(), cells.band.count.sum())


def test_mean_places_lie_in_their_cells() -> None:
    """The mean place of a voxel's points lies in the cell that it is filed under, in order."""
    cells = cells_of(walled(ROOM, np.random.default_rng(2)))
    for column in (cells.band, cells.structure):
        row, col = cells.grid.cell_of(column.x_m, column.y_m)
        assert_array_equal(row * cells.grid.nx + col, column.cell)
        assert np.all(np.diff(column.cell) >= 0)


def test_sums_are_those_of_the_points() -> None:
    """Mean level and place of a cell's band are those of its points, to the lattice's half step.

    Heights are counted from the coarse level rounded to the lattice, once for each point.
    """
    points = walled(ROOM, np.random.default_rng(3))
    cells = cells_of(points)
    x0, y0 = 2.0, 1.5
    inside = (
        (np.abs(points[:, 0] - x0 - 0.025) < 0.025)
        & (np.abs(points[:, 1] - y0 - 0.025) < 0.025)
        & (np.abs(points[:, 2]) < BAND_M)
    )
    row, col = cells.grid.cell_of(np.array([x0 + 0.025]), np.array([y0 + 0.025]))
    own = cells.band.cell == row[0] * cells.grid.nx + col[0]
    count = cells.band.count[own]
    assert count.sum() == np.count_nonzero(inside)
    for name, axis in (("x_m", 0), ("y_m", 1)):
        found = np.average(getattr(cells.band, name)[own], weights=count)
        assert_allclose(found, points[inside, axis].mean(), rtol=0, atol=0.5 * LATTICE_M)
    level = np.average(cells.band.z_m[own], weights=count)
    # The coarse level is not quite a plane within the cell: a hundredth of a millimetre.
    assert_allclose(level, points[inside, 2].mean(), rtol=0, atol=1e-5)


def test_an_existing_grid_is_filled_again() -> None:
    """The same points on the grid of a floor give the same cells: a later scan lies under it."""
    scan = made_scan(walled(ROOM, np.random.default_rng(4)))
    floor = find_floor(scan)
    store = store_of(scan.stations[0].chunks[0].details)
    again = without_specks(gather_cells(store, floor.level, floor.cell_m, silent, floor.grid))
    assert again.grid == floor.grid
    # Of the floor's own those are kept that may be a nib.
    over = again.band.height_m > floor.bare.fitted_m.ravel()[again.band.cell]
    kept = again.band.chosen(over)
    assert 0 < kept.cell.size < again.band.cell.size
    assert_array_equal(kept.cell, floor.bare.cells.band.cell)
    assert_array_equal(kept.z_m, floor.bare.cells.band.z_m)
    assert floor.bare.cells.structure.cell.size == 0


# --- noise ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise_m", [0.0005, 0.0015, 0.004, 0.008])
def test_the_noise_is_found_in_the_scan_itself(noise_m) -> None:
    """The scatter of one floor point is found to 3 %, from a precise tripod's to a phone's.

    Layers of 1 mm hide at most a twelfth of their square of the variance. 36 000 points know
    it to 0.4 %, the fit takes up one degree of freedom in 60 or more, 0.8 %, and the gate of
    3.5 noises cuts off 0.3 %.
    """
    floor = floor_of(walled(ROOM, np.random.default_rng(5), per_m2=3000.0, noise_m=noise_m))
    hidden = BAND_LAYER_M**2 / 12
    assert 0.97 * np.sqrt(noise_m**2 - hidden) < floor.noise_m < 1.03 * noise_m


def test_noise_is_known_place_by_place() -> None:
    """Where a half of the floor scatters twice as much, the local noise says so, to 10 %.

    A metre from the line between the halves; 0.3 m of Gaussian weight hold 1000 points and
    more, which know a scatter to 2 %.
    """
    rng = np.random.default_rng(6)
    calm, rough = shapely.box(0, 0, 2, 3), shapely.box(2, 0, 4, 3)
    points = np.concatenate(
        [
            carpet(calm, 2500, rng, noise_m=0.001),
            carpet(rough, 2500, rng, noise_m=0.002),
            faces(ROOM, 0.0, 1.2, 1000, rng),
        ]
    )
    floor = floor_of(points)
    x, y = floor.grid.mesh()
    for area, noise_m in (
        (shapely.box(0.3, 0.3, 1, 2.7), 0.001),
        (shapely.box(3, 0.3, 3.7, 2.7), 0.002),
    ):
        inside = shapely.contains_xy(area, x, y)
        assert_allclose(floor.bare.local_noise_m[inside].mean(), noise_m, rtol=0.1)


# --- floor points --------------------------------------------------------------------------------


def test_what_hangs_over_the_floor_or_lies_below_is_no_floor() -> None:
    """Points 8 to 25 mm over or under the floor, one in ten, do not count as floor.

    Those are more than the gate of 3.5 noises and half a millimetre, 5.8 mm, away. Of points
    on the floor all but one in 2000 count.
    """
    rng = np.random.default_rng(7)
    room = walled(ROOM, rng, per_m2=2500.0)
    n = 3000
    off = np.column_stack(
        [rng.uniform(0.2, 3.8, n), rng.uniform(0.2, 2.8, n),
         rng.uniform(0.008, 0.025, n) * rng.choice([-1.0, 1.0], n)]
    )  # fmt: skip
    clean, dirty = floor_of(room).bare, floor_of(np.concatenate([room, off])).bare
    inner = shapely.contains_xy(ROOM.buffer(-0.1), *dirty.cells.grid.mesh())
    assert dirty.cells.grid == clean.cells.grid
    assert_allclose(dirty.count[inner].sum(), clean.count[inner].sum(), rtol=0.001)
    assert_allclose(dirty.noise_m, clean.noise_m, rtol=0.02)


def test_cells_in_which_something_stands_are_left_out() -> None:
    """Cells that a crate's faces run through are occupied and hold no floor point, others hold."""
    crate = shapely.box(1.5, 1.0, 2.3, 1.6)
    bare = bare_floor(cells_of(walled(ROOM, np.random.default_rng(8), things=((crate, 0.5),))))
    x, y = bare.cells.grid.mesh()
    half = 0.5 * bare.cells.grid.cell_m
    middles = shapely.box(x - half, y - half, x + half, y + half)
    through = shapely.intersects(crate.exterior, middles)
    clear = shapely.contains_xy(ROOM.buffer(-0.1) - crate.buffer(0.1), x, y)
    assert bare.occupied[through].mean() > 0.95
    assert not bare.occupied[clear].any()
    assert np.all(bare.count[bare.occupied] == 0)
    assert bare.count[clear].mean() == pytest.approx(2000 * 0.05**2, rel=0.05)


def test_heights_are_brought_to_the_middle_of_the_cell() -> None:
    """On a slope a cell's height is that at its middle, not that where its points happen to lie.

    Without noise on a slope of 2 % points in a cell of 50 mm scatter by 0.3 mm; a thousandth of
    that is left of a plane, and a little where heights are rounded to the lattice.
    """

    def slope(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 0.02 * x - 0.01 * y

    rng = np.random.default_rng(9)
    points = walled(ROOM, rng, height=slope, noise_m=0.0)
    bare = bare_floor(cells_of(points))
    x, y = bare.cells.grid.mesh()
    known = (bare.count > 0) & shapely.contains_xy(ROOM.buffer(-0.4), x, y)
    assert known.any()
    assert_allclose(bare.height_m[known], slope(x, y)[known], atol=2e-5)


def test_a_room_full_of_things_has_no_floor() -> None:
    """Where under half a square metre is clear there is no floor to measure, and it is said.

    Legs every 40 mm leave 0.35 m² of 1.2 m² clear, to a cell of 50 mm along their edge.
    """
    rng = np.random.default_rng(10)
    small = shapely.box(0.0, 0.0, 1.2, 1.0)
    x, y = np.meshgrid(np.arange(0.02, 0.85, 0.04), np.arange(0.02, 1.0, 0.04))
    legs = np.column_stack(
        [
            np.repeat(x.ravel(), 6),
            np.repeat(y.ravel(), 6),
            np.tile(np.linspace(0.05, 0.3, 6), x.size),
        ]
    )
    points = np.concatenate([carpet(small, 4000, rng), legs])
    with pytest.raises(NoFloor, match=r"only 0\.[34]\d m² of clear floor was seen"):
        floor_of(points, cell_m=0.05)


# --- the whole -----------------------------------------------------------------------------------


def test_seen_and_hidden_floor() -> None:
    """All of a room is seen, but for what a crate covers; the cells at walls are seen too."""
    crate = shapely.box(1.5, 1.0, 2.3, 1.6)
    floor = floor_of(walled(ROOM, np.random.default_rng(11), things=((crate, 0.5),)))
    x, y = floor.grid.mesh()
    inside = shapely.contains_xy(floor.outline, x, y)
    under = shapely.contains_xy(crate.buffer(-0.05), x, y)
    beside = inside & ~shapely.contains_xy(crate.buffer(0.05), x, y)
    assert not floor.seen[under].any()
    assert floor.seen[beside].mean() > 0.999


def test_other_levels_are_reported() -> None:
    """A landing in the scan is told with its level and its area, for the user to choose from."""
    low, landing = shapely.box(0, 0, 3, 3), shapely.box(3, 0, 4, 3)
    rng = np.random.default_rng(12)
    floor = floor_of(
        np.concatenate(
            [
                walled(low, rng),
                carpet(landing, 2000, rng, height=lambda x, y: flat(x, y) + 0.6),
                faces(landing, 0.0, 1.4, 1200, rng),
            ]
        )
    )
    ((level_m, area_m2, x_m, y_m),) = floor.other_levels_m
    assert shapely.contains_xy(landing, x_m, y_m)
    assert level_m == pytest.approx(0.6, abs=NOISE_M)
    assert area_m2 == pytest.approx(3.0, abs=0.1 * landing.length)
    assert floor.area_m2 == pytest.approx(low.area, rel=0.003)


def test_progress_is_told() -> None:
    """The stages of finding a floor are told in order, each from 0 to 1."""
    told: list[tuple[str, float | None]] = []
    scan = made_scan(walled(ROOM, np.random.default_rng(13)), chunk=20_000)
    find_floor(scan, progress=lambda stage, done, _=0: told.append((stage, done)))
    stages = list(dict.fromkeys(stage for stage, _ in told))
    assert stages[:2] == ["looking for the floor", "measuring the floor"]
    for stage in stages:
        done = [share for name, share in told if name == stage]
        assert (done[0], done[-1]) == (0.0, 1.0)
        assert done == sorted(done)


def test_a_thing_is_what_stands_above_the_noise() -> None:
    """In a phone's scan, 12 mm of noise, floor points are not things: the height of one grows."""
    floor = floor_of(walled(ROOM, np.random.default_rng(14), per_m2=2500.0, noise_m=0.012))
    assert floor.bare.thing_m > THING_M
    assert floor.obstructions == ()
    assert floor.area_m2 == pytest.approx(ROOM.area, rel=0.01)


# --- the spread of one point -------------------------------------------------------------------


@given(
    seed=st.integers(0, 2**31),
    size=st.sampled_from([1, 2, 7, 150, 5000]),
    step=st.sampled_from([0.0, 0.3, 2.0]),
    asked=st.sampled_from([0.05, 0.25, 0.5]),
)
def test_a_quantile_of_bins_is_that_of_all_values_sorted(
    seed: int, size: int, step: float, asked: float
) -> None:
    """Sorting a few bins gives what sorting everything gives, to the last bit; ties included.

    With step 2 nearly all values fall together; heavy tails leave most bins empty.
    """
    rng = np.random.default_rng(seed)
    value = rng.standard_cauchy(size)
    if step:
        value = np.round(value / step) * step
    count = rng.integers(1, 40, size)
    order = np.argsort(value, kind="stable")
    share = np.cumsum(count[order]) / count.sum()
    expected = np.interp([asked, 0.75], share, value[order])
    assert _weighted_quantiles(value, count, (asked, 0.75)) == tuple(expected)


@pytest.mark.parametrize("per_m2", [55, 70, 85])
def test_a_floor_seen_too_thinly_is_refused(per_m2: int, seed: int) -> None:
    """Under one point to a cell of 100 mm most of the floor has no fit: no surface is made."""
    rng = np.random.default_rng(seed)
    n = 24 * per_m2
    bare = np.stack([rng.uniform(0, 6, n), rng.uniform(0, 4, n), rng.normal(0, NOISE_M, n)], axis=1)
    around = rng.uniform(0, 20, n // 2)
    x, y = np.clip(around, 0, 6), np.clip(around - 6, 0, 4)
    x, y = (
        np.clip(x - np.clip(around - 10, 0, 6), 0, 6),
        np.clip(y - np.clip(around - 16, 0, 4), 0, 4),
    )
    walls = np.stack([x, y, rng.uniform(0, 2.5, n // 2)], axis=1)
    with pytest.raises(NoFloor):
        find_floor(made_scan(np.concatenate([bare, walls])))
