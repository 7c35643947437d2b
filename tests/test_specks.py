"""Specks in the air are no columns and no crates."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pourdatum.cells import Cells, Column
from pourdatum.floor import find_floor
from pourdatum.grid import Grid
from pourdatum.read import read_scan
from pourdatum.specks import without_specks
from pourdatum.write.scan_files import write_scan
from scenes import cluttered_room, shot_of

GRID = Grid(0.0, 0.0, 0.03, 120, 120)


def column(cell: np.ndarray, height_m: np.ndarray) -> Column:
    """Single points at the middles of their cells."""
    order = np.argsort(cell, kind="stable")
    cell, height_m = cell[order], height_m[order]
    row, col = np.divmod(cell, GRID.nx)
    return Column(
        cell, height_m, height_m, GRID.x_m[col], GRID.y_m[row], np.ones(cell.size, np.int64)
    )


def over_a_floor(structure: Column) -> Cells:
    """These points over a floor that was seen by three points in every cell."""
    every = np.repeat(np.arange(GRID.ny * GRID.nx), 3)
    return Cells(GRID, np.zeros(GRID.shape), column(every, np.zeros(every.size)), structure)


def crate(rng: np.random.Generator, per_m2: float) -> tuple[np.ndarray, np.ndarray]:
    """Points on a front of 1 m by 0.8 m, so many to the square metre."""
    count = rng.poisson(per_m2 * 0.8)
    col = np.floor(rng.uniform(1.0, 2.0, count) / GRID.cell_m).astype(np.int64)
    return 60 * GRID.nx + col, rng.uniform(0.05, 0.85, count)


def specks(rng: np.random.Generator, per_m3: float) -> tuple[np.ndarray, np.ndarray]:
    """Points anywhere in the air up to 2.4 m."""
    count = rng.poisson(per_m3 * 2.4 * GRID.nx * GRID.ny * GRID.cell_m**2)
    return rng.integers(0, GRID.nx * GRID.ny, count), rng.uniform(0.05, 2.4, count)


def test_specks_go_and_a_crate_stays(seed: int) -> None:
    """Of 200 specks in a cubic metre 99 in 100 go; of a crate's front nothing but its rim."""
    rng = np.random.default_rng(seed)
    own, dust = crate(rng, 3000), specks(rng, 200)
    both = column(*(np.concatenate(pair) for pair in zip(own, dust, strict=True)))
    kept = without_specks(over_a_floor(both)).structure
    on_front = (kept.cell // GRID.nx == 60) & (kept.height_m < 0.85)
    on_front &= (kept.x_m > 0.97) & (kept.x_m < 2.03)
    assert on_front.sum() > 0.98 * own[0].size
    assert (~on_front).sum() < 0.03 * dust[0].size


def test_clear_air_is_left_alone(seed: int) -> None:
    """Where no more than a few specks float the scan is the same object: no number moves."""
    rng = np.random.default_rng(seed)
    own, dust = crate(rng, 3000), specks(rng, 4)
    cells = over_a_floor(column(*(np.concatenate(pair) for pair in zip(own, dust, strict=True))))
    assert without_specks(cells) is cells


def test_a_thinly_seen_landing_is_no_dust(seed: int) -> None:
    """A level surface at chest height with two points in a cell stays: dust fills all heights."""
    rng = np.random.default_rng(seed)
    over = np.flatnonzero(np.arange(GRID.ny * GRID.nx) % GRID.nx > 60)
    landing = rng.choice(over, 2 * over.size), rng.normal(1.3, 0.002, 2 * over.size)
    cells = over_a_floor(column(*landing))
    assert without_specks(cells) is cells


def test_a_scan_too_thin_to_tell_is_left_alone(seed: int) -> None:
    """Where walls hold as few points as dust, nothing is taken for dust."""
    rng = np.random.default_rng(seed)
    every = np.arange(GRID.ny * GRID.nx)
    floor = column(every[::9], np.zeros(every[::9].size))
    cells = Cells(GRID, np.zeros(GRID.shape), floor, column(*specks(rng, 200)))
    assert without_specks(cells) is cells


def test_a_room_full_of_dust(tmp_path: Path, seed: int) -> None:
    """One ray in fifty caught by dust, a fresh scan each time: what stands is what stands.

    One column and three crates; before, ten and more of each came out of the air.
    """
    room = cluttered_room()
    shot = shot_of(room, seed=seed, setups=3, points=500_000, speck_share=0.02)
    floor = find_floor(read_scan(write_scan(tmp_path / "dust.las", shot.points_m), units="m"))
    assert sum(one.kind == "column" for one in floor.obstructions) == len(room.columns), seed
    assert sum(one.kind != "column" for one in floor.obstructions) == len(room.crates), seed
    assert floor.area_m2 == pytest.approx(room.floor.area, rel=0.005), seed
