"""Heights stored in coarse steps: no nibs of their own, and a slope known no better than that."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.floor import find_floor
from pourdatum.geometry import Plane, fit_plane
from pourdatum.grid import Grid
from pourdatum.read import read_scan
from pourdatum.rounding import rounding_of
from pourdatum.slopeerror import slope_error_95
from pourdatum.spread import fill_interval
from pourdatum.surface import make_surface
from pourdatum.uncertainty import SENSORS
from pourdatum.volume import fill_volume
from read_bytes import las_bytes, written

Array = NDArray[np.float64]


def _level(x: Array, y: Array) -> Array:
    return 0.0008 * x - 0.0005 * y + 0.005 * np.cos(math.tau * x / 8) * np.cos(math.tau * y / 6)


def _scan(folder: Path, step_m: float, noise_m: float = 0.001) -> Path:
    """A floor of 8 x 6 m with walls, stored in steps."""
    rng = np.random.default_rng(9)
    floor = rng.uniform(0.0, 1.0, (300_000, 3)) * [8.0, 6.0, 0.0]
    floor[:, 2] = _level(floor[:, 0], floor[:, 1])
    walls = []
    for axis, side in ((0, 8.0), (1, 6.0)):
        for end in (0.0, side):
            wall = rng.uniform(0.0, 1.0, (15_000, 3)) * [8.0, 6.0, 2.6]
            wall[:, axis] = end
            walls.append(wall)
    points = np.concatenate([floor, *walls]) + np.array([0.0, 0.0, 10.0])
    points += rng.normal(0.0, noise_m, points.shape)
    stored = np.rint(points / step_m).astype(int)
    return written(folder, "floor.las", las_bytes(stored, scale=step_m))


def test_a_step_is_no_nib_and_the_slope_errs_by_it(tmp_path: Path) -> None:
    """Steps of 10 mm under a scatter of 1 mm, on a floor of 18 mm with no nib: none is found.

    The slope of the true floor's plane is that of its closed form (both cosines have no
    slope over whole waves): 0.8 and -0.5 mm per m.
    """
    scan = read_scan(_scan(tmp_path, 0.01))
    surface = make_surface(scan, find_floor(scan))
    assert len(surface.nibs) == 0
    best = _plane(surface.grid, surface.measured | surface.inferred, surface.height_m)
    off = math.hypot(best.slope_x - 0.0008, best.slope_y + 0.0005)
    assert off < slope_error_95(surface)
    assert surface.rounding.tilt_rad > 1e-4
    # The fill to a level hangs on the mean level alone, known in closed form.
    datum = choose_datum(surface, DatumRequest("level", z_m=0.030), 0.002)
    grid, area = surface.grid, surface.floor.outline
    volume = fill_volume(surface.height_m, grid, area, datum.plane, least_m=0.002)
    low, high = fill_interval(surface, datum, volume)
    z0 = surface.origin_m[2]
    middle = 10.0 + 0.0008 * 4.0 - 0.0005 * 3.0
    assert low <= 48.0 * (0.030 + z0 - middle) <= high


def test_a_fine_step_changes_nothing(tmp_path: Path) -> None:
    """A millimetre under a scatter of a millimetre is averaged out: exp(-2 pi^2) of 0.3 mm."""
    scan = read_scan(_scan(tmp_path, 0.001))
    surface = make_surface(scan, find_floor(scan))
    assert surface.rounding.tilt_rad < 1e-8
    assert surface.shared is SENSORS["tripod"]


def test_slopes_and_levels_are_within_their_error() -> None:
    """A hundred floors known in closed form, rounded cell by cell: 95 % within, 88 at least.

    Fewer than 90 of 100 are within once in 35 (binomial), fewer than 88 once in 200.
    """
    rng = np.random.default_rng(12)
    grid = Grid(0.0, 0.0, 0.1, 60, 80)
    x, y = grid.mesh()
    known = np.ones(grid.shape, bool)
    sloped, level = [], []
    for _ in range(100):
        lean = rng.uniform(-0.002, 0.002, 2)
        wave = rng.uniform(2.0, 12.0, 2)
        turn = rng.uniform(0.0, math.tau, 2)
        true = lean[0] * x + lean[1] * y + rng.uniform(0.0, 0.01)
        true = true + rng.uniform(0.0, 0.004) * np.sin(x / wave[0] * math.tau + turn[0])
        true = true + rng.uniform(0.0, 0.004) * np.sin(y / wave[1] * math.tau + turn[1])
        stored = np.rint(true / 0.01) * 0.01
        found = rounding_of(0.01, 0.0, stored, known, grid)
        a, b = (_plane(grid, known, z) for z in (stored, true))
        off = math.hypot(a.slope_x - b.slope_x, a.slope_y - b.slope_y)
        sloped.append(off / (2.448 * found.tilt_rad))
        level.append(abs(float((stored - true).mean())) / (1.96 * found.level_m))
    assert np.mean(np.array(sloped) <= 1.0) >= 0.88
    assert np.mean(np.array(level) <= 1.0) >= 0.88
    # And no wider than a few times what it was.
    assert np.quantile(sloped, 0.95) > 0.25


def _plane(grid: Grid, known: NDArray[np.bool_], height_m: Array) -> Plane:
    x, y = grid.mesh()
    return fit_plane(x[known], y[known], height_m[known])[0]
