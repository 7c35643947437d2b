"""Where measuring again would help: places that a closed form or a sum over all others names."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from finished import make_survey
from pourdatum.advice import MOST_SHOTS, SHOT_M, control_shots, scan_again
from pourdatum.grid import Grid
from pourdatum.uncertainty import SharedError

TILTED = SharedError(0.0035, 0.0, 0.0, "a hand-held scan without warp")
STEADY = SharedError(3e-5, 0.0002, 0.0, "a tripod")


def floor_of(
    wide_m: float, deep_m: float, shared: SharedError, cell_m: float = 0.05, **changes: Any
) -> Any:
    """A rectangular floor that was seen everywhere with an error of 0.15 mm."""
    ny, nx = round(deep_m / cell_m), round(wide_m / cell_m)
    grid = Grid(cell_m / 2, cell_m / 2, cell_m, ny, nx)
    measured = np.ones((ny, nx), bool)
    parts = {
        "grid": grid,
        "measured": measured,
        "inferred": ~measured,
        "standard_error_m": np.full((ny, nx), 0.00015),
        "shared": shared,
        "measured_m2": wide_m * deep_m,
        "inferred_m2": 0.0,
    }
    return SimpleNamespace(**(parts | changes))


def slope_variance(places: NDArray[np.float64]) -> float:
    """Sum of the variances of both slopes after least squares on levels at these places."""
    design = np.column_stack([np.ones(len(places)), places])
    return float(np.trace(np.linalg.inv(design.T @ design)[1:, 1:])) * SHOT_M**2


@pytest.mark.parametrize(("wide_m", "deep_m"), [(6.0, 6.0), (9.0, 4.0), (3.0, 12.0)])
def test_shots_find_a_tilt_better_than_shots_at_random(
    wide_m: float, deep_m: float, seed: int
) -> None:
    """Slopes from the advised places are surer than from 99 in 100 random sets of as many."""
    shots = control_shots(floor_of(wide_m, deep_m, TILTED))
    assert 3 <= len(shots) <= MOST_SHOTS
    advised = slope_variance(np.array([shot.place_m for shot in shots]))
    rng = np.random.default_rng(seed)
    box = np.array([wide_m, deep_m]) - 0.3
    drawn = [slope_variance(0.15 + rng.random((len(shots), 2)) * box) for _ in range(2000)]
    assert advised < np.quantile(drawn, 0.01), f"seed {seed}"


def test_one_more_shot_is_the_best_of_all_places() -> None:
    """With five shots on one side, the sixth is where a search over the corners puts it."""
    surface = floor_of(6.0, 4.0, TILTED)
    taken = [(0.4, 0.4), (0.4, 3.6), (1.4, 2.0), (1.2, 0.5), (0.9, 3.0)]
    (first,) = control_shots(surface, taken)
    corners = itertools.product((0.2, 5.8), (0.2, 3.8))
    best = min(corners, key=lambda place: slope_variance(np.array([*taken, place])))
    found = slope_variance(np.array([*taken, first.place_m]))
    assert found <= 1.05 * slope_variance(np.array([*taken, best]))


def test_a_steady_tripod_needs_no_shots() -> None:
    """Over 6 m a tripod's tilt and warp stay below half a millimetre: none is asked for."""
    assert control_shots(floor_of(6.0, 6.0, STEADY)) == ()


def test_a_floor_that_is_pinned_asks_for_no_ring_of_shots() -> None:
    """Nine shots on a floor without warp: at most one more is named."""
    nine = [(x, y) for x in (0.3, 3.0, 5.7) for y in (0.3, 3.0, 5.7)]
    assert len(control_shots(floor_of(6.0, 6.0, TILTED), nine)) <= 1


def test_a_staff_is_never_sent_under_a_crate_or_against_a_wall() -> None:
    """Places lie on seen floor, 150 mm from its edge."""
    surface = floor_of(6.0, 6.0, TILTED)
    hidden = np.zeros_like(surface.measured)
    hidden[:60, :60] = True
    surface = SimpleNamespace(
        **(vars(surface) | {"measured": ~hidden, "inferred": hidden, "inferred_m2": 9.0})
    )
    for shot in control_shots(surface):
        x, y = shot.place_m
        assert 0.14 <= x <= 5.86
        assert 0.14 <= y <= 5.86
        assert x > 3.14 or y > 3.14


def test_hidden_floor_is_named_with_its_area_and_a_place_inside() -> None:
    """A rectangle of 1.0 by 0.6 m and an L of 1.2 m² are two places, the larger first."""
    surface = floor_of(6.0, 6.0, STEADY)
    hidden = np.zeros_like(surface.measured)
    hidden[20:32, 10:30] = True
    hidden[80:100, 60:76] = True
    hidden[80:88, 76:96] = True
    error = np.where(hidden, 0.004, 0.00015)
    surface = SimpleNamespace(
        **(vars(surface) | {"measured": ~hidden, "inferred": hidden, "standard_error_m": error})
    )
    first, second = scan_again(surface)
    assert (first.area_m2, second.area_m2) == pytest.approx((1.2, 0.6))
    assert first.doubt_m3 == pytest.approx(1.2 * 0.004)
    for advice in (first, second):
        row, col = surface.grid.cell_of(*(np.array([v]) for v in advice.place_m))
        assert hidden[row[0], col[0]]
        assert advice.reason == "hidden"


def test_thin_floor_is_told_from_hidden_floor() -> None:
    """Seen floor with ten times the usual error is 'few points'; a strip of 50 mm is no place."""
    surface = floor_of(6.0, 6.0, STEADY)
    error = surface.standard_error_m.copy()
    error[40:60, 40:60] = 0.0015
    error[:, 0] = 0.0015
    (only,) = scan_again(SimpleNamespace(**(vars(surface) | {"standard_error_m": error})))
    assert only.reason == "few-points"
    assert only.area_m2 == pytest.approx(1.0)


def test_a_well_seen_floor_needs_nothing() -> None:
    """Nothing hidden, nothing thin: no advice."""
    assert scan_again(floor_of(5.0, 5.0, STEADY)) == ()


def test_advice_works_on_a_finished_survey() -> None:
    """The crate of the test survey is what is named, with the area of its cells."""
    (crate,) = scan_again(make_survey().surface)
    cells = np.count_nonzero(make_survey().surface.inferred)
    assert crate.area_m2 == pytest.approx(cells * 0.05**2)
    assert crate.place_m == pytest.approx((3.75, 4.8), abs=0.2)
    survey = make_survey()
    phone = replace(TILTED, warp_m=0.008)
    surface = SimpleNamespace(**(vars(survey.surface) | {"shared": phone}))
    assert len(control_shots(surface)) >= 4
