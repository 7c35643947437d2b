"""What shots that nobody has taken yet would make of an interval: least squares by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from made_scan import surface_of, walled
from pourdatum.datum import DatumRequest, choose_datum
from pourdatum.promise import _shared_left, interval_with_shots
from pourdatum.spread import fill_interval
from pourdatum.staff import SHOT_M
from pourdatum.uncertainty import SENSORS, SharedError
from pourdatum.volume import fill_volume
from test_spread import FLOOR, MIDDLE, NOTHING, flat_surface, pour

SHOTS = [(0.5, 0.5), (2.0, 0.5), (3.5, 0.5), (0.5, 2.5), (2.0, 2.5), (3.5, 2.5)]
ONE_M = math.hypot(SHOT_M, 0.0003)
"""A shot and the floor under it, as ``promise`` takes them."""


def test_six_shots_leave_of_a_tilt_what_a_plane_through_them_leaves() -> None:
    """Slopes through six levels err by sigma over the root of the sum of squared ways.

    Four shots lie 1.5 m from the middle in x, all six 1 m in y: sigma / sqrt(6) in y is the
    worse. Their mean errs by sigma / sqrt(6) (Draper and Smith, Applied Regression Analysis,
    from memory).
    """
    surface = flat_surface(shared=replace(NOTHING, tilt_rad=0.0035))
    left = _shared_left(surface, SHOTS)
    assert left.tilt_rad == pytest.approx(ONE_M / math.sqrt(6.0), rel=0.02)
    assert left.datum_m == pytest.approx(ONE_M / math.sqrt(6.0), rel=0.02)
    assert left.warp_m == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("sensor", ["mobile", "phone"])
def test_shots_narrow_an_interval_and_never_widen_it(sensor) -> None:
    """A given level over a hand-held scan is known better with six shots than without."""
    surface = flat_surface(shared=replace(SENSORS[sensor], datum_m=0.01))
    datum, volume = pour(surface, 0.02)
    low, high = interval_with_shots(surface, datum, volume, SHOTS)
    # The warp of the sensor stays in part; a centimetre of level over 12 m² goes.
    assert high - low < 0.5 * 2 * 1.96 * 0.01 * FLOOR.area
    assert low < volume.volume_m3 < high


def test_what_the_shots_do_not_touch_stays() -> None:
    """Lengths in plan are not measured by levels: that part is the same as before."""
    surface = flat_surface(shared=SharedError(0.0, 0.0, 0.0, "lengths", scale=0.01))
    datum, volume = pour(surface, 0.02)
    low, high = interval_with_shots(surface, datum, volume, SHOTS)
    half = 1.96 * 0.02 * FLOOR.area * 0.02
    mean = 1.96 * ONE_M / math.sqrt(6.0) * FLOOR.area
    assert (high - low) / 2 == pytest.approx(math.hypot(half, mean), rel=0.15)
    assert np.hypot(*MIDDLE) > 0.0


def test_what_is_promised_over_a_high_point_is_what_will_be_stated() -> None:
    """The promise is the interval of the same surface with what six shots leave of its errors.

    The upper end holds nothing of what the datum was in doubt by before the shots.
    """
    room = shapely.box(0.0, 0.0, 4.0, 3.0)
    made = surface_of(walled(room, np.random.default_rng(8), per_m2=2500.0))
    surface = replace(made, shared=SENSORS["mobile"])
    after = replace(surface, shared=_shared_left(surface, SHOTS))
    found = []
    for one in (surface, after):
        datum = choose_datum(one, DatumRequest("high-point"), 0.002)
        volume = fill_volume(one.height_m, one.grid, one.floor.outline, datum.plane)
        found.append((one, datum, volume))
    promised = interval_with_shots(*found[0], SHOTS)
    assert promised == pytest.approx(fill_interval(*found[1]), rel=1e-6)
