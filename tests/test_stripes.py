"""Stripes in a scan: found with the size they were made with, and not found where there are none.

Fields are made here from their closed form; nothing of the estimate takes part in that. Each of
n stripes has a normal height, so that their own mean square spreads by sqrt(2 / n).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from pourdatum.grid import Grid
from pourdatum.smoothing import smoother_for
from pourdatum.stripes import NO_STRIPES, Stripes, stripes_of

CELL_M = 0.025
GRID = Grid(-3.0, 2.0, CELL_M, 260, 320)
NOISE_M = 0.0015
POINTS = 8.0
PER_CELL = 5


def mean_of_places(field: object) -> np.ndarray:
    """Means over cells of a function of places, from five by five places in each."""
    x, y = GRID.mesh()
    step = (np.arange(PER_CELL) - (PER_CELL - 1) / 2) / PER_CELL * CELL_M
    return np.mean([field(x + dx, y + dy) for dx in step for dy in step], axis=0)  # type: ignore[operator]


def stripes(rng: np.random.Generator, error_m: float, width_m: float, bearing: float) -> np.ndarray:
    """Stripes of any size, width and bearing, from where they happen to begin."""
    height = error_m * rng.standard_normal(4000)
    start = rng.uniform()

    def at(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        across = (x * math.cos(bearing) + y * math.sin(bearing)) / width_m + start
        return height[np.floor(across).astype(int) + 2000]

    return mean_of_places(at)


def relief(rng: np.random.Generator) -> np.ndarray:
    """A floor of waves of 1.5 to 4 m and three humps of 3 to 6 mm, 0.3 to 0.6 m in radius."""
    x, y = GRID.mesh()
    out = 0.002 * x - 0.001 * y
    for _ in range(3):
        way, k = rng.uniform(0, math.tau), math.tau / rng.uniform(1.5, 4.0)
        wave = k * (x * math.cos(way) + y * math.sin(way))
        out = out + rng.uniform(0.0005, 0.002) * np.sin(wave + rng.uniform(0, math.tau))
        x0, y0 = rng.uniform(-2, 4), rng.uniform(3, 7)
        r = np.minimum(np.hypot(x - x0, y - y0) / rng.uniform(0.3, 0.6), 1.0)
        out = out + rng.uniform(0.003, 0.006) * 0.5 * (1 + np.cos(math.pi * r))
    return np.asarray(out)


def scan(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Points in each cell, and the mean of their own noise."""
    count = rng.poisson(POINTS, GRID.shape).astype(float)
    noise = NOISE_M / np.sqrt(np.maximum(count, 1)) * rng.standard_normal(GRID.shape)
    return count, np.where(count > 0, noise, 0.0)


@pytest.mark.parametrize("width_m", [0.05, 0.06, 0.1, 0.2])
def test_stripes_are_measured(width_m: float, seed: int) -> None:
    """Size, width and bearing come back from stripes of 1 mm under noise and relief.

    A field has n = 8 m / width stripes: its own size spreads by sqrt(1 / 2n), 11 % for the widest,
    and with what the fit takes away by half as much again. The median of five is out by two
    thirds of that; bounds are three of those.
    """
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(5):
        bearing = rng.uniform(-math.pi / 2, math.pi / 2)
        count, noise = scan(rng)
        own = stripes_of(count, noise + relief(rng) + stripes(rng, 1e-3, width_m, bearing), GRID)
        off = (own.bearing_rad - bearing + math.pi / 2) % math.pi - math.pi / 2
        assert abs(off) < math.radians(1.0)
        found.append(own)
    assert np.median([own.error_m for own in found]) == pytest.approx(1e-3, rel=1 / 3)
    assert np.median([own.width_m for own in found]) == pytest.approx(width_m, rel=1 / 3)


def test_noise_and_relief_are_no_stripes(seed: int) -> None:
    """White noise over waves and humps holds no stripes."""
    rng = np.random.default_rng(seed)
    for _ in range(6):
        count, noise = scan(rng)
        assert stripes_of(count, noise + relief(rng), GRID) == NO_STRIPES


def test_a_ramp_is_no_stripes(seed: int) -> None:
    """A ramp of 1 in 16 between two levels leaves two lines of bends, which are floor."""
    rng = np.random.default_rng(seed)
    count, noise = scan(rng)
    ramp = np.clip(GRID.mesh()[0], -1.0, 3.0) / 16
    assert stripes_of(count, noise + ramp, GRID) == NO_STRIPES


def test_mean_error_over_a_floor() -> None:
    """The mean over a rectangle across whose length the stripes run: sigma sqrt(w / L).

    Var = sigma² sum of squared shares; with L a multiple of w and any start, the two cut
    stripes share one width: a² + (1 - a)² on average 2/3 in place of 1.
    """
    chosen = np.ones(GRID.shape, bool)
    length, width = GRID.nx * CELL_M, 0.1
    shares = (length / width - 1 + 2 / 3) * (width / length) ** 2
    # The starts lie at quarters of a width: their mean of a² + (1 - a)² is 11 / 16.
    error = Stripes(1e-3, width, 0.0).mean_error_m(chosen, GRID)
    assert error == pytest.approx(1e-3 * math.sqrt(shares), rel=0.01)


def test_error_of_a_fit(seed: int) -> None:
    """What fits leave of stripes is what fits of drawn stripes scatter by."""
    rng = np.random.default_rng(seed)
    own = Stripes(1e-3, 0.08, 0.4)
    count = np.full(GRID.shape, 10.0)
    smoother = smoother_for(count, np.zeros(GRID.shape), np.full(GRID.shape, 1e-3), CELL_M)
    inner = (slice(40, -40), slice(40, -40))
    for fit in smoother.fits:
        drawn = [fit.height(stripes(rng, 1e-3, 0.08, 0.4))[inner] for _ in range(4)]
        spread = float(np.sqrt(np.mean(np.square(drawn))))
        # About 80 stripes in each of four fields: 4 %; a cell's own width flattens by 5 %.
        assert spread == pytest.approx(own.after_fit_m(fit.bandwidth * CELL_M), rel=0.2)


def test_drawn_stripes_have_their_size(seed: int) -> None:
    """Mean square of drawn fields: that of the stripes, less what cells average out."""
    rng = np.random.default_rng(seed)
    fields = [Stripes(1e-3, 0.2, 1.0).drawn(GRID, rng) for _ in range(20)]
    assert float(np.sqrt(np.mean(np.square(fields)))) == pytest.approx(1e-3, rel=0.15)
