"""Humps are where the floor stands out of what is around it, with what each would save."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.grind import Hump, find_humps

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)


def cosine_hump(x0: float, y0: float, height_m: float, radius_m: float):
    """A hump of a raised cosine."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r = np.minimum(np.hypot(x - x0, y - y0) / radius_m, 1.0)
        return 0.5 * height_m * (1.0 + np.cos(np.pi * r))

    return height


def humps_of(height, seed: int = 1, per_m2: float = 6000.0) -> tuple[Hump, ...]:
    """The humps of a walled room with a floor of given height."""
    surface = surface_of(walled(ROOM, np.random.default_rng(seed), per_m2=per_m2, height=height))
    return find_humps(surface, choose_datum(surface, DatumRequest("high-point"), 0.002))


@pytest.mark.parametrize("radius_m", [0.35, 0.6, 0.9])
@pytest.mark.parametrize("height_m", [0.003, 0.008])
def test_a_hump_is_placed_and_measured(height_m, radius_m) -> None:
    """A hump of 3 or 8 mm, steep or broad, lies within 100 mm of its place.

    Its height is its prominence over a fit of the floor around, which a broad hump draws up:
    between 60 and 115 % of the formula's.
    """
    found = humps_of(cosine_hump(1.7, 1.3, height_m, radius_m))
    assert len(found) >= 1
    best = min(found, key=lambda hump: math.dist(hump.place_m, (1.7, 1.3)))
    assert math.dist(best.place_m, (1.7, 1.3)) < 0.1
    assert 0.6 * height_m < best.height_m < 1.15 * height_m
    assert best.worth is None


def test_a_level_or_sloping_floor_has_no_humps() -> None:
    """Noise and a plain slope of 5 mm per m are no humps."""
    for seed in (3, 4):
        assert humps_of(lambda x, y: 0.005 * x, seed) == ()


def test_what_the_highest_of_two_humps_saves() -> None:
    """Ground to the level of the next, the higher hump saves area times the difference.

    Humps of 8 and 5 mm: 3 mm over 12 m² are 36 litres, to the 0.3 mm by which two tops may err
    together, 4 litres. Concrete to take off is the cap of the cosine above 5 mm:
    the integral of its height over 5 mm, in closed form by rings.
    """
    high, low = cosine_hump(1.0, 1.0, 0.008, 0.6), cosine_hump(3.0, 2.0, 0.005, 0.6)
    first = humps_of(lambda x, y: high(x, y) + low(x, y), per_m2=10_000.0)[0]
    assert math.dist(first.place_m, (1.0, 1.0)) < 0.1
    assert first.saves_m3 == pytest.approx(0.036, abs=0.0045)
    r = np.linspace(0.0, 0.6, 20_001)
    over = np.clip(0.004 * (1.0 + np.cos(np.pi * r / 0.6)) - 0.005, 0.0, None)
    cap_m3 = float(np.trapezoid(2.0 * np.pi * r * over, r))
    assert first.grind_m3 == pytest.approx(cap_m3, rel=0.35)
