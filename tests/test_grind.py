"""Humps are found where they stand, with the concrete to take off and the fill that it saves."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
import shapely

from made_scan import NOISE_M, surface_of, walled
from pourdatum.datum import Datum, DatumRequest, choose_datum
from pourdatum.geometry import Plane
from pourdatum.grind import LEAST_HUMP_M, find_humps
from pourdatum.simulate import Hump, Relief, Wave, patch_mean
from pourdatum.surface import Surface

ROOM = shapely.box(0.0, 0.0, 4.0, 3.0)
PLACE = (2.1, 1.4)


@cache
def scanned(
    relief: Relief, seed: int, per_m2: float = 3500.0, noise_m: float = NOISE_M
) -> tuple[Surface, Datum]:
    """A scan of a floor, and its high-point datum."""
    rng = np.random.default_rng(seed)
    surface = surface_of(walled(ROOM, rng, per_m2=per_m2, height=relief.height, noise_m=noise_m))
    return surface, choose_datum(surface, DatumRequest("high-point"), 0.002)


def felt_m(hump: Hump) -> float:
    """Height of a hump as a patch of 100 mm feels it, over the level floor around it [m]."""
    relief = Relief(humps=(hump,))
    return float(patch_mean(relief.height, np.array([hump.x_m]), np.array([hump.y_m]))[0])


def cosine_above(hump: Hump, level_m: float) -> float:
    """Volume of a cosine hump above a level between its foot and its top, in closed form [m³].

    From integrating ``2 pi r (h (1 + cos(pi r / R)) / 2 - z)`` by parts to where it is zero.
    """
    h, k = hump.height_m, np.pi / hump.radius_m
    r = np.arccos(2 * level_m / h - 1) / k
    round_ = (r * np.sin(k * r)) / k + (np.cos(k * r) - 1) / k**2
    return float(2 * np.pi * ((h / 2 - level_m) * r**2 / 2 + h / 2 * round_))


def test_the_closed_form_is_that_of_the_whole_hump_at_its_foot() -> None:
    """The formula that the tests below lean on: all of the hump at its foot, nothing at its top."""
    hump = Hump(0.0, 0.0, 0.006, 0.5, "cosine")
    assert cosine_above(hump, 0.0) == pytest.approx(hump.volume_m3, rel=1e-12)
    assert cosine_above(hump, 0.006) == pytest.approx(0.0, abs=1e-15)
    r = (np.arange(100_000) + 0.5) * 5e-6
    z = 0.003 * (1 + np.cos(2 * np.pi * r)) - 0.002
    total = np.sum(2 * np.pi * r * np.maximum(z, 0.0)) * 5e-6
    assert cosine_above(hump, 0.002) == pytest.approx(total, rel=1e-6)


# --- finding -------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["cosine", "gaussian", "cap"])
@pytest.mark.parametrize(
    ("height_m", "radius_m"), [(0.003, 0.4), (0.004, 0.3), (0.006, 0.5), (0.012, 1.3)]
)
def test_a_hump_is_found_where_it_stands(shape, height_m, radius_m) -> None:
    """One hump of 3 to 12 mm is found within 100 mm of its place, and no other.

    Its height is that which a patch of 100 mm feels, to 15 % or 0.4 mm: the smoothing of a top
    of 0.3 m radius and the robust fit of the floor around it take a tenth.
    """
    hump = Hump(*PLACE, height_m, radius_m, shape)
    surface, datum = scanned(Relief(humps=(hump,)), seed=1)
    (found,) = find_humps(surface, datum)
    assert np.hypot(*np.subtract(found.place_m, PLACE)) < 0.1
    assert found.height_m == pytest.approx(felt_m(hump), rel=0.15, abs=0.0004)
    assert found.outline.contains(shapely.Point(found.place_m))
    assert found.worth is None


@pytest.mark.parametrize("place", [(4.0, 1.2), (4.0, 3.0), (0.15, 0.2)])
def test_a_hump_at_a_wall_is_found(place) -> None:
    """A hump whose top lies on a wall or in a corner is found within 100 mm, with its height.

    A patch on the floor is half its side away from the wall: it feels the hump there.
    """
    hump = Hump(*place, 0.006, 0.6, "cosine")
    surface, datum = scanned(Relief(humps=(hump,)), seed=2)
    (found,) = find_humps(surface, datum)
    assert np.hypot(*np.subtract(found.place_m, place)) < 0.1
    inner = np.clip(place, 0.05, (3.95, 2.95))
    felt = patch_mean(Relief(humps=(hump,)).height, inner[:1], inner[1:])[0]
    assert found.height_m == pytest.approx(float(felt), rel=0.15)


def test_several_humps_are_all_found() -> None:
    """Four humps on a floor that falls and waves are found, within 100 mm each, and no more.

    A hump's top over a fall of 1 mm/m and a wave lies uphill of its middle by under 30 mm. Those
    that set the datum sooner come first.
    """
    humps = (
        Hump(0.9, 0.8, 0.008, 0.5), Hump(3.0, 2.1, 0.005, 0.4), Hump(4.0, 0.9, 0.006, 0.6),
        Hump(1.2, 2.3, 0.004, 0.35, "gaussian"),
    )  # fmt: skip
    relief = Relief(slope_x=0.001, waves=(Wave(0.001, 5.0, 0.3, 0.2),), humps=humps)
    surface, datum = scanned(relief, seed=3)
    found = find_humps(surface, datum)
    assert len(found) == 4
    for hump in humps:
        away = [np.hypot(*np.subtract(one.place_m, (hump.x_m, hump.y_m))) for one in found]
        assert min(away) < 0.1
    tops = [float(relief.height(*one.place_m)) for one in found]
    # Two tops of nearly the same height may come in either order: 0.3 mm.
    assert all(a > b - 0.0003 for a, b in pairwise(tops))


@pytest.mark.parametrize(
    ("noise_m", "per_m2"), [(0.0015, 1500.0), (0.0015, 4000.0), (0.004, 4000.0), (0.008, 4000.0)]
)
def test_a_flat_noisy_floor_has_no_humps(noise_m, per_m2) -> None:
    """On a level floor there is no hump, over two scans, be they a tripod's or a phone's."""
    for seed in (10, 11):
        assert find_humps(*scanned(Relief(), seed, per_m2, noise_m)) == ()


def test_a_slope_is_no_hump() -> None:
    """A floor that falls evenly has no hump at its high end, whatever datum it is seen against."""
    relief = Relief(slope_x=0.006, slope_y=0.003)
    surface, datum = scanned(relief, seed=4)
    assert find_humps(surface, datum) == ()
    fall = choose_datum(surface, DatumRequest("fall", slope=0.01, toward_m=(0.0, 1.0)), 0.002)
    assert find_humps(surface, fall) == ()


def test_a_dip_makes_no_hump_of_its_rim() -> None:
    """A hollow of 10 mm is no hump, and neither is the floor around it."""
    relief = Relief(humps=(Hump(*PLACE, -0.010, 0.6, "gaussian"),))
    assert find_humps(*scanned(relief, seed=5)) == ()


def test_what_stands_out_less_than_two_millimetres_is_not_listed() -> None:
    """Humps of half the least height are not listed, of twice it they are."""
    for factor, count in ((0.5, 0), (2.0, 1)):
        hump = Hump(*PLACE, factor * LEAST_HUMP_M, 0.5, "cosine")
        assert len(find_humps(*scanned(Relief(humps=(hump,)), seed=6))) == count


# --- what it costs and saves ---------------------------------------------------------------------


def test_the_area_of_a_hump_is_that_above_half_its_height() -> None:
    """A cosine hump stands above half its height within half its radius: pi R² / 4, to 10 %.

    The edge there is pi R long; a fifth of a cell of 30 mm along it is 5 % of the area.
    """
    for radius_m in (0.5, 0.9):
        hump = Hump(*PLACE, 0.008, radius_m, "cosine")
        (found,) = find_humps(*scanned(Relief(humps=(hump,)), seed=7))
        assert found.area_m2 == pytest.approx(np.pi * radius_m**2 / 4, rel=0.1)
        assert found.outline.area == pytest.approx(found.area_m2, rel=0.05)


@pytest.mark.parametrize(("height_m", "radius_m"), [(0.006, 0.5), (0.010, 0.8)])
def test_a_single_hump_saves_its_height_over_the_whole_floor(height_m, radius_m) -> None:
    """Taken off, the only hump of a level floor saves its height times the area, to 10 %.

    The next highest floor is the level floor around it, with the luck of its noise, 0.2 mm.
    """
    hump = Hump(*PLACE, height_m, radius_m, "cosine")
    surface, datum = scanned(Relief(humps=(hump,)), seed=8)
    (found,) = find_humps(surface, datum)
    assert found.saves_m3 == pytest.approx(felt_m(hump) * ROOM.area, rel=0.1)


@pytest.mark.parametrize(("height_m", "radius_m"), [(0.006, 0.5), (0.010, 0.8)])
def test_the_concrete_to_take_off_goes_with_what_is_saved(height_m, radius_m) -> None:
    """What is ground is the hump's volume above the level that the saving says, in closed form.

    That level is the hump's top less saving over area. Top and heights err by 0.1 mm each: 0.2 mm
    over the ground area is allowed.
    """
    hump = Hump(*PLACE, height_m, radius_m, "cosine")
    surface, datum = scanned(Relief(humps=(hump,)), seed=8)
    (found,) = find_humps(surface, datum)
    level = felt_m(hump) - found.saves_m3 / surface.floor.area_m2
    level = max(level, 0.0)
    ground = np.pi * (np.arccos(2 * level / height_m - 1) * radius_m / np.pi) ** 2
    assert abs(found.grind_m3 - cosine_above(hump, level)) < 0.0002 * ground


def test_the_higher_of_two_humps_saves_down_to_the_lower() -> None:
    """With 8 mm and 5 mm, taking off the first saves 3 mm over the floor, both together the rest.

    Savings are differences of two tops that err by 0.15 mm each: 0.3 mm over 12 m².
    """
    high, low = Hump(1.0, 1.0, 0.008, 0.5), Hump(3.0, 2.0, 0.005, 0.5)
    surface, datum = scanned(Relief(humps=(high, low)), seed=9)
    first, second = find_humps(surface, datum)
    assert np.hypot(first.place_m[0] - 1.0, first.place_m[1] - 1.0) < 0.1
    step = felt_m(high) - felt_m(low)
    assert first.saves_m3 == pytest.approx(step * ROOM.area, abs=0.0003 * ROOM.area)
    assert first.grind_m3 == pytest.approx(cosine_above(high, felt_m(low)), rel=0.2)
    assert second.saves_m3 > first.saves_m3


def test_a_hump_that_does_not_set_the_datum_saves_nothing() -> None:
    """Under a floor that rises by 12 mm elsewhere, a hump of 4 mm at the low end saves nothing."""
    relief = Relief(slope_x=0.004, humps=(Hump(0.8, 1.5, 0.004, 0.4, "cosine"),))
    surface, datum = scanned(relief, seed=10)
    found = find_humps(surface, datum)
    near = [one for one in found if np.hypot(one.place_m[0] - 0.8, one.place_m[1] - 1.5) < 0.1]
    assert len(near) == 1
    assert near[0].saves_m3 == 0.0
    assert near[0].grind_m3 == 0.0


def test_the_level_of_the_datum_does_not_matter() -> None:
    """Humps are seen against the datum's slope: raised by 50 mm it gives the same humps.

    Heights then differ in their last digits only: a nanometre.
    """
    surface, datum = scanned(Relief(humps=(Hump(*PLACE, 0.006, 0.5),)), seed=1)
    plane = Plane(datum.plane.z0_m + 0.05)
    raised = Datum("level", plane, (plane.z0_m, plane.z0_m), None, 0.002)
    (here,), (there,) = find_humps(surface, datum), find_humps(surface, raised)
    assert here.place_m == there.place_m
    assert here.height_m == pytest.approx(there.height_m, abs=1e-9)
    assert here.saves_m3 == pytest.approx(there.saves_m3, abs=1e-7)
