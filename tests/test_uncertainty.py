"""What averages out and what does not are kept apart, and add as variances."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.spread import fill_interval, fill_uncertainty_m3
from pourdatum.uncertainty import SENSORS, SharedError, combined, interval, mean_error_m
from pourdatum.volume import fill_volume

ROOM = shapely.box(0.0, 0.0, 3.0, 2.4)
NONE = SharedError(0.0, 0.0, 0.0, "none")


def test_independent_parts_add_as_variances() -> None:
    """Standard uncertainties of a sum add in quadrature (JCGM 100:2008, 5.1.2)."""
    assert combined(0.003, 0.004, 0.012) == pytest.approx(0.013)


def test_an_interval_of_95_percent() -> None:
    """A normal quantity lies within 1.96 standard uncertainties in 95 % of cases (G.1)."""
    low, high = interval(5.0, 2.0)
    draw = np.random.default_rng(1).normal(5.0, 2.0, 200_000)
    held = np.mean((draw > low) & (draw < high))
    assert held == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 200_000))


def test_cells_that_share_points_count_as_one() -> None:
    """The mean of n equal errors falls with the root of the patches, not of the cells."""
    error = np.full((100, 100), 0.0002)
    chosen = np.ones((100, 100), bool)
    patches = 10_000 / (4 * np.pi * 3.0**2)
    assert mean_error_m(error, chosen, 3.0) == pytest.approx(0.0002 / np.sqrt(patches))


@pytest.fixture(scope="module")
def poured():
    """A floor on a slight slope, filled to a given level."""
    rng = np.random.default_rng(2)
    surface = surface_of(walled(ROOM, rng, per_m2=4000.0, height=lambda x, y: 0.001 * x))
    datum = choose_datum(surface, DatumRequest("level", z_m=0.010), 0.002)
    volume = fill_volume(surface.height_m, surface.grid, surface.floor.outline, datum.plane)
    return surface, datum, volume


def test_a_shared_datum_error_costs_area_times_itself(poured) -> None:
    """A level of all cells that is out by 2 mm puts area times 2 mm on the volume, however many
    cells there are.
    """
    surface, datum, volume = poured
    without = dataclasses.replace(surface, shared=NONE)
    with_it = dataclasses.replace(surface, shared=SharedError(0.0, 0.0, 0.002, "made up"))
    u0, u1 = (fill_uncertainty_m3(item, datum, volume) for item in (without, with_it))
    assert np.sqrt(u1**2 - u0**2) == pytest.approx(0.002 * volume.area_m2, rel=1e-6)


def test_a_worse_sensor_has_a_wider_interval(poured) -> None:
    """Tripod, mobile, phone: each interval holds the one before it."""
    surface, datum, volume = poured
    widths = []
    for kind in ("tripod", "mobile", "phone"):
        low, high = fill_interval(dataclasses.replace(surface, shared=SENSORS[kind]), datum, volume)
        assert low <= volume.volume_m3 <= high
        widths.append(high - low)
    assert widths == sorted(widths)


def test_the_interval_is_never_below_nothing(poured) -> None:
    """A fill cannot be negative, however poor the scan."""
    surface, datum, volume = poured
    poor = dataclasses.replace(surface, shared=SharedError(0.05, 0.05, 0.05, "made up"))
    assert fill_interval(poor, datum, volume)[0] == 0.0
