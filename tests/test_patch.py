"""The highest floor is that of a patch of 100 mm wholly on seen floor, whatever lies around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from made_scan import surface_of, walled
from pourdatum import simulate
from pourdatum.errors import NoFloor
from pourdatum.geometry import Plane
from pourdatum.patch import highest_patch
from pourdatum.patchmean import PATCH_M, patch_mean
from pourdatum.simulate import Hump, Relief
from pourdatum.surface import Surface

LEVEL = Plane(0.0)
ROOM = shapely.box(0.0, 0.0, 2.4, 2.0)
HEIGHT_M = 0.006
HUMP = Relief(humps=(Hump(1.2, 1.0, HEIGHT_M, 0.6, "cosine"),))


def still_surface(relief: Relief, per_m2: float = 5000.0) -> Surface:
    """The surface of a room scanned without noise."""
    rng = np.random.default_rng(1)
    return surface_of(walled(ROOM, rng, per_m2=per_m2, height=relief.height, noise_m=0.0))


@pytest.fixture(scope="module")
def hump() -> Surface:
    """A room with a hump in its middle, without noise."""
    return still_surface(HUMP)


@pytest.fixture(scope="module")
def noisy() -> Surface:
    """The same room scanned with the noise of a tripod."""
    return surface_of(walled(ROOM, np.random.default_rng(2), per_m2=5000.0, height=HUMP.height))


def top_of(relief: Relief) -> simulate.Patch:
    """The true highest patch of a room."""
    return simulate.highest_patch(ROOM, relief.height)


# --- means over a patch --------------------------------------------------------------------------


@given(st.floats(0.01, 0.25), st.lists(st.floats(-0.01, 0.01), min_size=6, max_size=6))
def test_the_mean_over_a_patch_is_exact_on_a_quadratic(cell_m, coefficients) -> None:
    """For cells of any size, the mean of a quadratic over a patch is its integral in closed form.

    Over a square of side s about (x, y) the mean of x² is x² + s²/12; heights up to 10 cm agree
    to a nanometre. Nodes whose patch reaches beyond the array are left out.
    """
    a, b, c, d, e, f = coefficients
    reach = int(np.ceil(0.05 / cell_m)) + 1
    index = np.arange(-2 * reach, 2 * reach + 1) * cell_m
    x, y = np.meshgrid(index, index + 0.3)
    floor = a + b * x + c * y + d * x**2 + e * x * y + f * y**2
    mean = floor + (d + f) * PATCH_M**2 / 12
    inner = np.s_[reach:-reach, reach:-reach]
    assert_allclose(patch_mean(floor, cell_m)[inner], mean[inner], rtol=0, atol=1e-9)


@pytest.mark.parametrize("cell_m", [0.025, 0.05])
def test_the_mean_over_a_patch_is_that_of_an_integral(cell_m) -> None:
    """On a steep hump the mean of node heights is that of an independent Gauss rule.

    What a quadratic leaves is of fourth order: 4/3 h (pi / r)⁴ times the fourth moments of
    patch and cell, about s⁴/80 + s² cell²/24, under 0.01 mm for a hump of 6 mm on 0.4 m.
    """
    relief = Relief(humps=(Hump(0.0, 0.0, 0.006, 0.4, "cosine"),))
    index = np.arange(-12, 13) * cell_m
    x, y = np.meshgrid(index, index)
    inner = np.s_[6:-6, 6:-6]
    wanted = simulate.patch_mean(relief.height, x[inner].ravel(), y[inner].ravel())
    found = patch_mean(relief.height(x, y), cell_m)[inner].ravel()
    assert_allclose(found, wanted, rtol=0, atol=1e-5)


def test_a_nan_spreads_over_its_patches_only() -> None:
    """A height that is not known makes the means around it unknown, and no others."""
    height = np.zeros((21, 21))
    height[10, 10] = np.nan
    mean = patch_mean(height, 0.025)
    assert np.isnan(mean[10, 10])
    assert np.all(np.isnan(mean).sum(axis=0)[[0, 5, 15, 20]] == 0)
    assert np.isnan(mean).sum() <= 5 * 5


# --- the highest patch ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "relief",
    [
        HUMP,
        Relief(slope_x=0.003),
        Relief(slope_x=0.002, slope_y=-0.001),
        Relief(slope_x=0.001, humps=(Hump(2.4, 0.9, 0.005, 0.6, "cosine"),)),
    ],
    ids=["hump", "wall", "corner", "hump at a wall"],
)
def test_without_noise_the_highest_patch_is_the_true_one(relief) -> None:
    """Without noise the highest patch is that of the formula, to 0.05 mm, and where it is.

    A plane is met exactly, but for the wall, found to 0.3 mm: a slope of 3 in 1000 makes a
    micrometre of that. A hump of 6 mm loses 0.02 mm to the smoothing of four points per cell.
    """
    surface = still_surface(relief)
    found = highest_patch(surface, LEVEL)
    true = top_of(relief)
    assert found.z_m == pytest.approx(true.height_m, abs=0.00005)
    if relief.humps:
        assert np.hypot(found.place_m[0] - true.x_m, found.place_m[1] - true.y_m) < 0.05
    else:
        assert relief.height(*found.place_m) == pytest.approx(
            relief.height(true.x_m, true.y_m), abs=0.00001
        )
    assert abs(found.bias_m) < 0.00005


def test_heights_are_above_the_plane_asked_about(hump) -> None:
    """Asked about a plane that falls, the highest patch is the highest above that plane.

    The hump's own slope of up to pi h / (2 R) = 16 mm/m is much steeper than the plane's 2: its
    top over the plane lies a little uphill. To 0.05 mm, as above.
    """
    plane = Plane(-0.1, 0.002, 0.001)
    over = simulate.highest_patch(ROOM, lambda x, y: HUMP.height(x, y) - plane.at(x, y))
    found = highest_patch(hump, plane)
    assert found.z_m == pytest.approx(over.height_m, abs=0.00005)


def test_the_same_surface_has_the_same_high_point(noisy) -> None:
    """The simulated noise behind the bias has a fixed seed: twice asked, twice the same bits."""
    again = replace(noisy)
    assert highest_patch(again, LEVEL) == highest_patch(noisy, LEVEL)


def lifted(surface: Surface, where: Callable[..., np.ndarray], by_m: float) -> np.ndarray:
    """Heights raised at nodes of a place."""
    return np.where(where(*surface.grid.mesh()), surface.height_m + by_m, surface.height_m)


def around(x_m: float, y_m: float, reach_m: float) -> Callable[..., np.ndarray]:
    """Nodes within a reach of a place."""
    return lambda x, y: np.hypot(x - x_m, y - y_m) < reach_m


def test_a_cell_that_was_not_seen_never_sets_the_high_point(noisy) -> None:
    """A spike of 20 mm on inferred cells does not move the high point, on measured ones it does."""
    wanted = highest_patch(noisy, LEVEL).z_m
    spot = around(0.5, 0.5, 0.15)
    here = spot(*noisy.grid.mesh())
    spike = lifted(noisy, spot, 0.02)
    seen = replace(noisy, height_m=spike)
    hidden = replace(
        noisy, height_m=spike, measured=noisy.measured & ~here, inferred=noisy.inferred | here
    )
    assert highest_patch(seen, LEVEL).z_m > wanted + 0.005
    # Patches beside the spot share a node with it; none of their middles lies in it.
    beside = around(0.5, 0.5, 0.25)(*noisy.grid.mesh())
    hidden = replace(hidden, measured=noisy.measured & ~beside, inferred=noisy.inferred | beside)
    assert highest_patch(hidden, LEVEL).z_m == pytest.approx(wanted, abs=1e-6)


def test_a_badly_supported_cell_never_sets_the_high_point(noisy) -> None:
    """Where a height errs by ten times the usual, in corners and behind crates, it sets nothing.

    Its area is told; how high it may stand is drawn by ``unsearched``.
    """
    wanted = highest_patch(noisy, LEVEL)
    spot = around(0.5, 0.5, 0.25)
    here = spot(*noisy.grid.mesh())
    each = (*noisy.smoother.errors_m, noisy.standard_error_m)
    *errors, error = (np.where(here, 10 * one, one) for one in each)
    height = lifted(noisy, around(0.5, 0.5, 0.12), 0.02)
    smoother = replace(noisy.smoother, errors_m=tuple(errors))
    poor = replace(noisy, height_m=height, standard_error_m=error, smoother=smoother)
    found = highest_patch(poor, LEVEL)
    assert found.z_m == pytest.approx(wanted.z_m, abs=1e-6)
    assert found.unsearched_m2 - wanted.unsearched_m2 == pytest.approx(
        here.sum() * noisy.grid.cell_m**2
    )


def test_what_lies_outside_the_floor_never_sets_the_high_point(noisy) -> None:
    """Heights carried on beyond the walls, 50 mm up there, do not move the high point."""
    x, y = noisy.grid.mesh()
    outside = ~shapely.contains_xy(noisy.floor.outline.buffer(0.03), x, y)
    height = np.where(outside, 0.05, noisy.height_m)
    found = highest_patch(replace(noisy, height_m=height), LEVEL)
    assert found.z_m == pytest.approx(highest_patch(noisy, LEVEL).z_m, abs=1e-6)


def test_a_patch_must_fit(noisy) -> None:
    """A strip of floor 80 mm wide, too narrow for a patch, sets no high point, however high."""
    strip = shapely.box(0.2, 0.4, 0.28, 1.6)
    outline = noisy.floor.outline - shapely.box(0.0, 0.3, 0.5, 1.7)
    outline = shapely.union_all([outline, strip, shapely.box(0.2, 0.2, 0.28, 0.4)])
    assert outline.geom_type == "Polygon"
    height = lifted(noisy, lambda x, y: shapely.contains_xy(strip.buffer(0.02), x, y), 0.02)
    floor = replace(noisy.floor, outline=outline)
    found = highest_patch(replace(noisy, floor=floor, height_m=height), LEVEL)
    assert found.z_m < HEIGHT_M + 0.001


def test_no_patch_seen_well_is_no_high_point(noisy) -> None:
    """Where no patch was seen well enough, no high point is given, and the way out is told."""
    none = np.zeros_like(noisy.measured)
    blind = replace(noisy, measured=none, inferred=noisy.measured)
    with pytest.raises(NoFloor, match="no patch of 100 mm of the floor") as caught:
        highest_patch(blind, LEVEL)
    assert (caught.value.id, caught.value.exit_status) == ("no-high-point", 4)
    assert "as a level" in caught.value.hint
