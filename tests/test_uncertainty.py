"""What averages out and what all cells share are two parts, and combine in quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.localfit import local_fit
from pourdatum.uncertainty import (
    COVER_95,
    SENSORS,
    combined,
    interval,
    mean_error_m,
    sensor_from_noise,
)

parts = st.lists(st.one_of(st.just(0.0), st.floats(1e-6, 1e3)), min_size=1, max_size=6)


# --- parts ---------------------------------------------------------------------------------------


def test_parts_combine_as_sides_of_a_right_angle() -> None:
    """Three and four make five; three independent errors of 2, 3 and 6 make 7; none makes none."""
    assert combined(3.0, 4.0) == 5.0
    assert combined(2.0, 3.0, 6.0) == 7.0
    assert combined() == 0.0


@given(parts)
def test_the_whole_lies_between_its_largest_part_and_their_sum(values) -> None:
    """A combination is no less than its largest part and no more than the sum; order is nothing.

    Sums of six squares agree to 1e-12 of themselves.
    """
    whole = combined(*values)
    assert max(values) * (1 - 1e-12) <= whole <= sum(values) * (1 + 1e-12)
    assert combined(*reversed(values)) == pytest.approx(whole, rel=1e-12)
    assert combined(combined(*values[:3]), combined(*values[3:])) == pytest.approx(whole, rel=1e-12)


def test_an_interval_of_95_percent_leaves_out_five() -> None:
    """Within the interval lies 95 % of a normal distribution, by the error function."""
    assert math.erf(COVER_95 / math.sqrt(2.0)) == pytest.approx(0.95, abs=1e-7)


@given(st.floats(-1e3, 1e3), st.floats(0.0, 10.0), st.floats(0.0, 10.0))
def test_an_interval_lies_about_its_value_and_grows(value, small, more) -> None:
    """An interval is centred on its value; a larger uncertainty never makes it narrower.

    To 1e-9, the rounding of a thousand.
    """
    low, high = interval(value, small)
    assert value - low == pytest.approx(high - value, abs=1e-9)
    assert high - low == pytest.approx(2 * COVER_95 * small, abs=1e-9)
    wider = interval(value, small + more)
    assert wider[0] <= low
    assert wider[1] >= high


@pytest.mark.parametrize(
    ("noise_m", "kind"),
    [(0.0, "tripod"), (0.0029, "tripod"), (0.003, "mobile"), (0.0059, "mobile"), (0.006, "phone")],
)
def test_the_noise_speaks_for_a_sensor(noise_m, kind) -> None:
    """Under 3 mm a tripod, under 6 mm a hand-held mapper, else a phone: choices, stated there."""
    assert sensor_from_noise(noise_m) == kind


def test_coarser_sensors_share_larger_errors() -> None:
    """Tilt and warp grow from tripod to mapper to phone; a phone's 3.5 mrad is 0.2 degrees."""
    kinds = [SENSORS[kind] for kind in ("tripod", "mobile", "phone")]
    for name in ("tilt_rad", "warp_m"):
        values = [getattr(one, name) for one in kinds]
        assert values == sorted(values)
        assert values[0] > 0
    assert math.degrees(SENSORS["phone"].tilt_rad) == pytest.approx(0.2, abs=0.01)
    assert all(one.source for one in kinds)


# --- the mean of cells ---------------------------------------------------------------------------


def test_the_mean_of_cells_errs_less_as_there_are_more() -> None:
    """Four times the cells of one error halve the error of their mean, down to a single block.

    Cells of one fit count as one: 4 pi reach² of them are a block.
    """
    reach = 3.0
    errors = np.full((80, 80), 0.001)
    quarter = np.zeros((80, 80), bool)
    quarter[:40, :40] = True
    whole = mean_error_m(errors, np.ones((80, 80), bool), reach)
    assert mean_error_m(errors, quarter, reach) == pytest.approx(2 * whole, rel=1e-12)
    assert whole == pytest.approx(0.001 / math.sqrt(6400 / (4 * math.pi * 9)), rel=1e-12)
    few = np.zeros((80, 80), bool)
    few[0, :5] = True
    assert mean_error_m(errors, few, reach) == pytest.approx(0.001)


def test_the_mean_error_covers_that_of_fitted_noise() -> None:
    """The stated error of a floor's mean covers that of local fits over pure noise, but not twice.

    It takes a cell's own error for that of a Gaussian mean of the same reach, over 4 pi s²
    cells; a quadratic's is sqrt(2.5) = 1.6 times as much, and more at edges. 400 draws know the
    scatter to 4 %.
    """
    side, reach = 60, 2.0
    rng = np.random.default_rng(3)
    fit = local_fit(np.full((side, side), 4.0), reach)
    draws = 0.5 * rng.standard_normal((400, side, side))
    means = [fit.height(noise).mean() for noise in draws]
    stated = mean_error_m(np.sqrt(fit.variance), np.ones((side, side), bool), reach)
    assert np.std(means) < stated < 2.0 * np.std(means)


def test_cells_without_error_or_cells_do_not_count() -> None:
    """Cells with an infinite error are left out; no cell at all has no error of its mean."""
    errors = np.array([[0.001, np.inf], [0.001, 0.001]])
    everywhere = np.ones((2, 2), bool)
    assert mean_error_m(errors, everywhere, 1.0) == pytest.approx(0.001)
    assert mean_error_m(errors, ~everywhere, 1.0) == 0.0
