"""What averages out and what all cells share are two parts, and combine in quadrature."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.datum import Datum, DatumKind
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.localfit import local_fit
from pourdatum.rounding import NONE
from pourdatum.spread import EDGE_M, fill_interval, fill_uncertainty_m3
from pourdatum.surface import Surface
from pourdatum.uncertainty import (
    COVER_95,
    SENSORS,
    UNSEEN_M,
    SharedError,
    combined,
    interval,
    mean_error_m,
    sensor_from_noise,
)
from pourdatum.volume import Volume, fill_volume

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


# --- the fill ------------------------------------------------------------------------------------


FLOOR = shapely.box(0.0, 0.0, 4.0, 3.0)
NOTHING = SharedError(0.0, 0.0, 0.0, "nothing")


def flat_surface(cell_m: float = 0.05, **changes: Any) -> Surface:
    """A level floor with no error at all, of cells of any size, but for what is changed."""
    ny, nx = round(3.0 / cell_m) + 2, round(4.0 / cell_m) + 2
    grid = Grid(-0.5 * cell_m, -0.5 * cell_m, cell_m, ny, nx)
    inside = shapely.contains_xy(FLOOR, *grid.mesh())
    fields: dict[str, Any] = {
        "grid": grid,
        "height_m": np.zeros(grid.shape),
        "standard_error_m": np.zeros(grid.shape),
        "measured": inside,
        "inferred": np.zeros(grid.shape, bool),
        "shared": NOTHING,
        "measured_m2": FLOOR.area,
        "inferred_m2": 0.0,
        "between": None,
        "floor": SimpleNamespace(outline=FLOOR),
        "rounding": NONE,
    }
    return cast(Surface, SimpleNamespace(**(fields | changes)))


def pour(
    surface: Surface, depth_m: float, kind: DatumKind = "level", error_m: float = 0.0
) -> tuple[Datum, Volume]:
    """A level datum at a height over a level floor, and the fill up to it."""
    plane = Plane(depth_m)
    place = None if kind == "level" else (0.5, 0.5)
    datum = Datum(kind, plane, (depth_m, depth_m), place, 0.002, standard_error_m=error_m)
    return datum, fill_volume(surface.height_m, surface.grid, FLOOR, plane)


def spread(surface: Surface, depth_m: float = 0.01, **how: Any) -> float:
    """Standard uncertainty of a fill without what the edge adds [m³]."""
    datum, volume = pour(surface, depth_m, **how)
    whole = fill_uncertainty_m3(surface, datum, volume)
    edge = EDGE_M * FLOOR.length * volume.mean_depth_m
    return math.sqrt(max(whole**2 - edge**2, 0.0))


@pytest.mark.parametrize("cell_m", [0.025, 0.05, 0.1])
def test_what_is_shared_does_not_shrink_with_the_number_of_cells(cell_m) -> None:
    """A datum out by 2 mm makes 24 litres over 12 m², however fine the cells are.

    Area times sigma; no cell's own error is in it.
    """
    surface = flat_surface(cell_m)
    assert spread(surface, kind="high-point", error_m=0.002) == pytest.approx(0.024, rel=1e-9)
    warped = flat_surface(cell_m, shared=replace(NOTHING, warp_m=0.002))
    assert spread(warped) == pytest.approx(0.024, rel=1e-9)
    low = flat_surface(cell_m, shared=replace(NOTHING, datum_m=0.002))
    assert spread(low) == pytest.approx(0.024, rel=1e-9)


def test_what_cells_err_by_themselves_averages_out() -> None:
    """A cell's own 0.2 mm makes far less than 0.2 mm over the area; shared it makes just that."""
    own = flat_surface()
    own = replace_error(own, 0.0002)
    blocks = FLOOR.area / (4 * math.pi * 0.1**2)
    assert spread(own) == pytest.approx(FLOOR.area * 0.0002 / math.sqrt(blocks), rel=1e-3)
    assert spread(own) < 0.15 * FLOOR.area * 0.0002


def replace_error(surface: Surface, error_m: float) -> Surface:
    """The surface with one standard error everywhere."""
    fields = vars(surface) | {"standard_error_m": np.full(surface.grid.shape, error_m)}
    return cast(Surface, SimpleNamespace(**fields))


def test_the_parts_of_a_fill_add_in_quadrature() -> None:
    """Each part alone, and all together: the whole is the root of the sum of their squares."""
    alone = {
        "warp": flat_surface(shared=replace(NOTHING, warp_m=0.0007)),
        "tilt": flat_surface(shared=replace(NOTHING, tilt_rad=0.0004)),
        "datum": flat_surface(shared=replace(NOTHING, datum_m=0.0005)),
        "noise": replace_error(flat_surface(), 0.0003),
        "unseen": flat_surface(inferred_m2=1.5, measured_m2=10.5),
    }
    values = [spread(surface) for surface in alone.values()]
    assert all(value > 0 for value in values)
    together = replace_error(
        flat_surface(
            shared=SharedError(0.0004, 0.0007, 0.0005, "all"), inferred_m2=1.5, measured_m2=10.5
        ),
        0.0003,
    )
    assert spread(together) == pytest.approx(combined(*values), rel=1e-9)
    assert spread(alone["unseen"]) == pytest.approx(UNSEEN_M * 1.5, rel=1e-9)


def test_a_tilt_counts_by_the_distance_to_where_the_datum_was_set() -> None:
    """A tilt about the high point lifts the middle of the pour by their distance times the angle.

    The high point at (0.5, 0.5) lies sqrt(1.5² + 1²) = 1.803 m from the middle (2, 1.5).
    """
    surface = flat_surface(shared=replace(NOTHING, tilt_rad=0.001))
    wanted = FLOOR.area * 0.001 * math.hypot(1.5, 1.0)
    assert spread(surface, kind="high-point") == pytest.approx(wanted, rel=1e-6)
    # A plane fitted to the floor tilts with the scan: the depth between them stays.
    assert spread(surface, kind="parallel") == pytest.approx(0.0, abs=1e-9)
    # Where a given level was tied to the scan is not known: half the diagonal, 2.5 m.
    assert spread(surface, kind="level") == pytest.approx(FLOOR.area * 0.001 * 2.5, rel=1e-6)


def test_a_datum_from_the_floor_moves_with_the_scan() -> None:
    """What the whole scan is too high or low is nothing to a high point, but all to a level.

    A fall and a parallel plane are lifted until they clear the floor: they move with it too.
    """
    surface = flat_surface(shared=replace(NOTHING, datum_m=0.003))
    for kind in ("high-point", "parallel", "fall"):
        assert spread(surface, kind=kind) == pytest.approx(0.0, abs=1e-9), kind
    assert spread(surface, kind="level") == pytest.approx(FLOOR.area * 0.003, rel=1e-9)


def test_the_edge_counts_by_depth() -> None:
    """Where the walls stand is uncertain: perimeter times depth, twice as much for twice that."""
    surface = flat_surface()
    for depth_m in (0.005, 0.01):
        datum, volume = pour(surface, depth_m)
        wanted = EDGE_M * FLOOR.length * depth_m
        assert fill_uncertainty_m3(surface, datum, volume) == pytest.approx(wanted, rel=1e-9)


def test_the_interval_of_a_fill_is_about_it_and_never_below_nothing() -> None:
    """A fill's 95 % interval is 1.96 standard uncertainties each way, cut off at no fill."""
    surface = flat_surface(shared=replace(NOTHING, warp_m=0.001))
    datum, volume = pour(surface, 0.01)
    low, high = fill_interval(surface, datum, volume)
    half = COVER_95 * fill_uncertainty_m3(surface, datum, volume)
    assert high - volume.volume_m3 == pytest.approx(half)
    assert volume.volume_m3 - low == pytest.approx(half)
    thin = pour(surface, 0.0005)
    assert fill_interval(surface, *thin)[0] == 0.0
