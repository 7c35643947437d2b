"""Steps of a floor: told with their height, wherever they lie; slopes, humps and waves are none."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from made_scan import Height, carpet, faces, surface_of
from pourdatum.report.steps_told import steps_told
from pourdatum.steps import steps_of
from pourdatum.surface import Surface

ROOM = shapely.box(0.0, 0.0, 5.0, 4.0)


def scanned(height: Height, seed: int) -> Surface:
    """A room of 5 by 4 m under 1 mm of noise."""
    rng = np.random.default_rng(seed)
    floor = carpet(ROOM, 5000.0, rng, height=height, noise_m=0.001)
    return surface_of(np.concatenate([floor, faces(ROOM, 0.0, 2.5, 1500.0, rng)]))


def test_a_step_is_told_as_one_and_not_as_a_fall(seed: int) -> None:
    """4 mm between two levels, at any bearing within 30°, on a slab that falls 2 mm per m along it.

    A plane through both halves falls by more than a millimetre per m across them.
    """
    turn, at = np.random.default_rng(seed).uniform((-0.5, 2.2), (0.5, 2.8))

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        over = (x - at) * np.cos(turn) + (y - 2.0) * np.sin(turn) > 0.0
        return np.where(over, 0.004, 0.0) + 0.002 * y

    surface = scanned(height, seed)
    (step,) = steps_of(surface)
    assert step.height_m == pytest.approx(0.004, abs=0.0006), seed
    assert step.length_m > 3.0, seed
    x, y = step.place_m
    assert abs((x - at) * np.cos(turn) + (y - 2.0) * np.sin(turn)) < 0.05, seed
    assert steps_told(surface, "metric").endswith("no fall")


@pytest.mark.parametrize("kind", ["fall", "hump", "wave"])
def test_slopes_humps_and_waves_are_no_steps(kind: str, seed: int) -> None:
    """A fall of 1 in 50, a hump of 8 mm, a wave of 3 mm and 0.8 m."""
    heights: dict[str, Height] = {
        "fall": lambda x, y: 0.02 * x,
        "hump": lambda x, y: 0.008 * np.exp(-((x - 2.4) ** 2 + (y - 2.1) ** 2) / 0.3**2),
        "wave": lambda x, y: 0.0015 * np.sin(np.pi * 2.0 * (x + 0.4 * y) / 0.8),
    }
    surface = scanned(heights[kind], seed)
    assert steps_of(surface) == (), seed
    assert steps_told(surface, "metric") == ""
