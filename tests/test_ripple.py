"""Ripple of the floor against stripes of the scan: what can be told, and what is left open.

A sine of amplitude A under a straightedge longer than its wave has a gap of 2 A: it rests on two
crests. Ribs and stripes are drawn here from their closed form, each strip with a height of its own.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

import test_stripes as fields
from made_scan import flat, surface_of, walled
from pourdatum.asfloor import as_floor
from pourdatum.decision import Rule
from pourdatum.flatness import check_flatness
from pourdatum.pipeline import survey_floor, surveyed
from pourdatum.stripes import NO_STRIPES
from pourdatum.surface import Surface
from pourdatum.units import show_fine

ROOM = shapely.box(0.0, 0.0, 6.5, 5.0)
Height = Callable[[np.ndarray, np.ndarray], np.ndarray]


def ripple(amplitude_m: float, wave_m: float, bearing: float) -> Height:
    """A sine across a bearing."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        across = x * math.cos(bearing) + y * math.sin(bearing)
        return np.asarray(amplitude_m * np.sin(math.tau * across / wave_m))

    return height


def strips(rng: np.random.Generator, error_m: float, width_m: float, bearing: float) -> Height:
    """Strips of one width, each with a height of its own."""
    own = error_m * rng.standard_normal(4000)
    start = rng.uniform()

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        across = (x * math.cos(bearing) + y * math.sin(bearing)) / width_m + start
        return np.asarray(own[np.floor(across).astype(int) + 2000])

    return height


@pytest.mark.parametrize("wave_m", [0.3, 0.4, 0.5])
def test_regular_ripple_is_floor(wave_m: float, seed: int) -> None:
    """Trowel ridges 4 mm high: the gap is 4 mm within its interval, and 3 mm under 2 m is not kept.

    Of 24 scans (2026-11-30) values lay from 3.84 to 4.58 mm, 4.17 in the mean and 0.18 about it,
    all within their intervals of 0.6 to 2.3 mm; by these 21 failed 3 mm and three were open.
    """
    rng = np.random.default_rng(seed)
    height = ripple(0.002, wave_m, rng.uniform(0.0, math.pi))
    surface = surface_of(walled(ROOM, rng, per_m2=4000.0, height=height, noise_m=0.0008))
    assert surface.stripes == NO_STRIPES
    assert surface.ripple.regular
    one = check_flatness(surface, ["3mm/2m"])[0]
    assert one.value == pytest.approx(0.004, abs=0.0009)
    assert abs(one.value - 0.004) < 1.6 * one.uncertainty
    assert one.uncertainty < 0.003
    assert one.verdict != "conforms"


@pytest.mark.parametrize("wave_m", [0.13, 0.16, 0.2])
def test_a_ripple_too_short_for_the_fits_is_not_certified_flat(wave_m: float, seed: int) -> None:
    """Ridges of 2 mm under 2 mm of noise: 1 mm under 2 m is not kept, and what is left out is told.

    Every fit flattens them, and the floor was certified with 0.2 mm.
    """
    rng = np.random.default_rng(seed)
    height = ripple(0.001, wave_m, rng.uniform(0.0, math.pi))
    surface = surface_of(walled(ROOM, rng, per_m2=3000.0, height=height, noise_m=0.002))
    one = check_flatness(surface, ["1mm/2m"])[0]
    assert one.verdict != "conforms", seed
    if one.value < 0.0012:
        waves = surface.narrow.waves
        assert waves is not None, seed
        assert waves.amplitude_m == pytest.approx(0.001, rel=0.25), seed
        assert waves.length_m == pytest.approx(wave_m, rel=0.05), seed
        assert "ripple" in one.why, seed
        assert one.interval[1] > 0.0018, seed


@pytest.mark.parametrize("noise_m", [0.0005, 0.003])
def test_noise_is_no_short_ripple(noise_m: float, seed: int) -> None:
    """A floor of a hump and noise has none; nor has one of which the scan has stripes."""
    rng = np.random.default_rng(seed)

    def hump(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(0.005 * np.exp(-((x - 3.0) ** 2 + (y - 2.0) ** 2) / 0.3**2))

    surface = surface_of(walled(ROOM, rng, per_m2=3000.0, height=hump, noise_m=noise_m))
    assert surface.narrow.waves is None


def wandering(
    rng: np.random.Generator, amplitude_m: float, wave_m: float, by_rad: float, bearing: float
) -> Height:
    """The same, with a phase that walks at random by so much in a wave."""
    at_m = np.arange(-10.0, 10.0, 0.005)
    step = by_rad * math.sqrt(0.005 / wave_m)
    phase = math.tau * at_m / wave_m + np.cumsum(step * rng.standard_normal(at_m.size))
    own = amplitude_m * np.sin(phase)

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(np.interp(x * math.cos(bearing) + y * math.sin(bearing), at_m, own))

    return height


def two_set_ups(floor: Height, *own: Height, seed: int | None = None) -> Surface:
    """A floor in a walled room under two set-ups, each with what its sweeps are out by."""
    rng = np.random.default_rng(seed)
    return surface_of(
        [
            walled(ROOM, rng, per_m2=2500.0, height=lambda x, y, s=sweeps: floor(x, y) + s(x, y))
            for sweeps in own
        ]
    )


def test_ribs_that_two_set_ups_see_are_floor(seed: int) -> None:
    """Irregular ribs under two set-ups: floor, in the heights, and no doubt of them."""
    rng = np.random.default_rng(seed)
    ribs = strips(rng, 0.0015, 0.15, 0.4)
    surface = two_set_ups(ribs, flat, flat)
    assert surface.stripes == NO_STRIPES
    assert surface.ripple.owner == "floor"
    assert not surface.ripple.regular
    inner = surface.measured & (surface.count > 0)
    x, y = surface.grid.mesh()
    # A rib's edge is rounded by the fit, its top is not: most of their mean square is left.
    off = surface.above_plane_m()[inner]
    assert float(np.cov(off, ribs(x, y)[inner])[0, 1]) > 0.5 * 0.0015**2


def test_sweeps_of_either_set_up_are_the_scans(seed: int) -> None:
    """Stripes that the one set-up has and the other has not, or has otherwise: the scan's.

    Then the verdict needs no second opinion: it is that of the smoothed floor.
    """
    rng = np.random.default_rng(seed)
    for other in (flat, strips(rng, 0.0015, 0.15, 0.4)):
        surface = two_set_ups(flat, strips(rng, 0.0015, 0.15, 0.4), other)
        assert surface.stripes.error_m > 0.0
        assert surface.stripes.owner == "scan"
        one = check_flatness(surface, ["15mm/2m"])[0]
        assert one.verdict == "conforms"
        assert "second pass" not in one.said


def test_what_one_pass_cannot_tell_is_undecided(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Irregular ribs in one pass: no verdict that is only right if they are the scan's."""
    rng = np.random.default_rng(seed)
    ribs = strips(rng, 0.0015, 0.15, rng.uniform(0.0, math.pi))
    surface = surface_of(walled(ROOM, rng, per_m2=4000.0, height=ribs))
    assert surface.stripes.owner == "open"
    ribbed = check_flatness(as_floor(surface), ["3mm/2m"])[0]
    assert ribbed.verdict == "does not conform"
    found = check_flatness(surface, ["3mm/2m", "30mm/2m"], Rule("simple"))
    assert found[0].value is not None
    # What is left of the ribs in the smoothed floor may break the limit too: then both say so.
    alone = "undecided" if found[0].value <= 0.003 else "does not conform"
    assert [one.verdict for one in found] == [alone, "conforms"]
    if alone == "undecided":
        assert "a second pass in another direction" in found[0].said
        assert f"would be {show_fine(ribbed.value, 'metric')}" in found[0].said
    assert "second pass" not in found[1].said
    # Where more luck is taken from both ends than they had, high still lies above low.
    inward = SimpleNamespace(z_m=-0.002)
    monkeypatch.setattr(surveyed, "highest_patch", lambda *_, **__: inward)
    figures = survey_floor(surface).figures
    assert figures.low_m <= figures.mean_m <= figures.high_m


@pytest.mark.parametrize("by_rad", [0.25, 1.0, 2.5])
def test_ridges_that_wander_are_never_judged_wrongly(by_rad: float, seed: int) -> None:
    """Waves of 0.3 to 1 m whose phase wanders: two crests still bear a straightedge 2 A over them.

    Whether found as ripple, left open or not told at all: limits of 0.6 and 1.7 of the true gap
    get the right verdict or none, and as floor the gap is told within three standard errors.
    """
    rng = np.random.default_rng(seed)
    wave_m, amplitude_m = rng.uniform(0.3, 1.0), rng.uniform(0.001, 0.002)
    height = wandering(rng, amplitude_m, wave_m, by_rad, rng.uniform(0.0, math.pi))
    noise_m = float(rng.choice([0.0008, 0.0015, 0.003]))
    told = f"wave {wave_m:.3f} m, amplitude {amplitude_m * 1e3:.3f} mm, noise {noise_m * 1e3} mm"
    surface = surface_of(walled(ROOM, rng, per_m2=3500.0, height=height, noise_m=noise_m))
    gap_mm = 2e3 * amplitude_m
    asked = [f"{share * gap_mm:.3f}mm/2m" for share in (0.6, 1.7)]
    low, high = check_flatness(surface, asked)
    assert low.verdict in ("does not conform", "undecided"), told
    assert high.verdict in ("conforms", "undecided"), told
    floor = as_floor(surface) if surface.stripes.may_be_floor else surface
    one = check_flatness(floor, asked[:1])[0]
    assert one.value is not None
    assert one.uncertainty is not None
    assert abs(one.value - 2.0 * amplitude_m) < 3.0 / 1.96 * one.uncertainty, told


def test_noise_beyond_what_was_read_says_so() -> None:
    """Where stripes alone would read rougher than the lines did: of one drawn scene, not of all."""
    rng = np.random.default_rng(3)
    ribs = strips(rng, 0.0015, 0.15, rng.uniform(0.0, math.pi))
    surface = surface_of(walled(ROOM, rng, per_m2=4000.0, height=ribs))
    rough = check_flatness(surface, ["E1155:FF35/FL25"])[0]
    assert rough.value is None
    assert "noise of the scan alone would read more" in rough.said


FIELDS = int(os.environ.get("POURDATUM_FLOORS", "3"))


@pytest.mark.parametrize("width_m", [0.05, 0.1, 0.2, 0.4])
def test_stripes_without_order_are_no_ripple(width_m: float, seed: int) -> None:
    """Independent stripes under noise and relief: none is taken for a line, by chance 1 in 500."""
    rng = np.random.default_rng(seed)
    for _ in range(FIELDS):
        count, noise = fields.scan(rng)
        made = fields.stripes(rng, 1e-3, width_m, rng.uniform(-1.5, 1.5))
        found = fields.stripes_of(count, noise + fields.relief(rng) + made, fields.GRID)
        assert not found.regular


@pytest.mark.parametrize("wave_m", [0.28, 0.35, 0.42, 0.5])
def test_an_even_ripple_is_a_line(wave_m: float, seed: int) -> None:
    """A sine of 1.5 mm: regular, its wave to 5 %, its standard deviation A / sqrt(2) to 15 %."""
    rng = np.random.default_rng(seed)
    for _ in range(FIELDS):
        count, noise = fields.scan(rng)
        made = fields.mean_of_places(ripple(0.0015, wave_m, rng.uniform(-1.5, 1.5)))
        found = fields.stripes_of(count, noise + fields.relief(rng) + made, fields.GRID)
        assert found.regular
        assert 2.0 * found.width_m == pytest.approx(wave_m, rel=0.05)
        assert found.error_m == pytest.approx(0.0015 / math.sqrt(2.0), rel=0.15)
