"""Ridges, grooves, steps and nibs: what a smooth fit does not follow is floor all the same."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from made_scan import NOISE_M, Height, carpet, faces, surface_of
from pourdatum.asfloor import with_lines
from pourdatum.flatness import check_flatness
from pourdatum.geometry import Plane
from pourdatum.judgedfloor import judged
from pourdatum.narrow import _Cells
from pourdatum.patch import highest_patch
from pourdatum.surface import Surface

ROOM = shapely.box(0.0, 0.0, 5.0, 4.0)


def scanned(
    height: Height, per_m2: float = 9000.0, seed: int | None = None, noise_m: float = NOISE_M
) -> Surface:
    """A scan of a room of 5 by 4 m, walls and all; fresh where no seed is given."""
    rng = np.random.default_rng(seed)
    return surface_of(
        np.concatenate(
            [
                carpet(ROOM, per_m2, rng, height=height, noise_m=noise_m),
                faces(ROOM, 0.0, 2.5, 1500.0, rng),
            ]
        )
    )


def strip(high_m: float, width_m: float) -> Height:
    """A level floor with a strip across its middle, 2 m long."""
    return lambda x, y: np.where(
        (np.abs(x - 2.61) < width_m / 2) & (np.abs(y - 2.0) < 1.0), high_m, 0.0
    )


@pytest.mark.parametrize("high_m", [0.006, -0.008])
@pytest.mark.parametrize("width_m", [0.06, 0.08, 0.1])
def test_a_strip_as_wide_as_a_hand_is_floor(high_m: float, width_m: float) -> None:
    """A ridge of 6 mm, or a groove of 8 mm, is a gap of its height: 3 mm are not kept.

    Its points lay further off the fit than the noise allows, were left out, and the floor was
    certified with a gap of 0.3 mm.
    """
    (found,) = check_flatness(scanned(strip(high_m, width_m)), ["BS8204:SR1"])
    assert found.verdict != "conforms"
    assert found.value is not None
    assert found.uncertainty is not None
    # A straightedge of 2 m touches the ridge and the floor beside it; a groove it bridges. The
    # interval is one of 95 %: a fresh scan is held to 1.6 of it, which all but one in 500 keep.
    assert found.value - 1.6 * found.uncertainty < abs(high_m)
    assert found.value + 1.6 * found.uncertainty > 0.94 * abs(high_m)
    assert found.value > 0.4 * abs(high_m)


def test_a_step_is_no_row_of_nibs_and_is_judged() -> None:
    """Two level halves 13 mm apart: a gap of 12.9 mm, and nothing to chip off."""
    surface = scanned(lambda x, y: np.where(x < 2.483, 0.0, 0.013))
    assert surface.nibs == ()
    (found,) = check_flatness(surface, ["3mm/2m"])
    assert found.verdict == "does not conform"
    assert found.value is not None
    assert found.value == pytest.approx(0.0128, abs=0.0008)
    low, high = (surface.height_m[surface.measured & side] for side in halves(surface))
    assert float(np.mean(low)) == pytest.approx(0.0, abs=0.0002)
    assert float(np.mean(high)) == pytest.approx(0.013, abs=0.0002)


def halves(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    """Cells clear of the step, left and right of it."""
    x, _ = surface.grid.mesh()
    return x < 2.3, x > 2.7


def test_nibs_leave_open_whether_a_limit_is_kept(seed: int) -> None:
    """Three droppings of 12 mm on a flat floor: with them on it 3 mm are not kept.

    In two of twenty-one scans one was told as a ridge of half a metre: each is one or the other.
    """
    places = ((1.5, 1.2), (3.4, 2.6), (2.5, 3.2))

    def dotted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        out = np.zeros(x.shape)
        for at in places:
            off = np.hypot(x - at[0], y - at[1])
            out = np.maximum(out, 0.012 * np.sqrt(np.clip(1 - (off / 0.04) ** 2, 0, 1)))
        return out

    surface = scanned(dotted, 20_000.0, seed)
    for at in places:
        nib = any(math.dist(one.place_m, at) < 0.1 for one in surface.nibs)
        ridge = any(math.dist(one.place_m, at) < 0.5 for one in surface.narrow.lines)
        assert nib or ridge, (at, surface.nibs, surface.narrow.lines)
    assert len(surface.nibs) >= 2
    (found,) = check_flatness(surface, ["3mm/2m"])
    assert found.verdict == "undecided"
    assert "chip off" in found.why or "ridge" in found.why


def test_specks_are_no_ridge(seed: int) -> None:
    """One point in fifty strewn 5 to 25 mm over the floor leaves it as it is."""
    rng = np.random.default_rng(seed)
    clean = carpet(ROOM, 9000.0, rng)
    specks = carpet(ROOM, 180.0, rng)
    specks[:, 2] += rng.uniform(0.005, 0.025, len(specks))
    surface = surface_of(np.concatenate([clean, specks, faces(ROOM, 0.0, 2.5, 1500.0, rng)]))
    assert float(np.abs(surface.height_m[surface.measured]).max()) < 0.0015


@pytest.mark.parametrize(
    ("high_m", "width_m", "per_m2"),
    [(0.004, 0.02, 9000.0), (0.008, 0.03, 3000.0), (-0.006, 0.02, 3000.0), (-0.006, 0.03, 9000.0)],
)
def test_a_ridge_narrower_than_a_cell_is_not_certified_flat(
    high_m: float, width_m: float, per_m2: float, seed: int
) -> None:
    """2 m long, drawn at any bearing: 3 mm are not kept, and where to lay a straightedge is said.

    Its points were left out, or their excess was smoothed away: 0.0 to 1.2 mm and "conforms".
    """
    turn = float(np.random.default_rng(seed).uniform(0.0, np.pi))

    def line(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        across = (x - 2.61) * np.cos(turn) + (y - 2.0) * np.sin(turn)
        along = (y - 2.0) * np.cos(turn) - (x - 2.61) * np.sin(turn)
        return np.where((np.abs(across) < width_m / 2) & (np.abs(along) < 1.0), high_m, 0.0)

    surface = scanned(line, per_m2, seed)
    (found,) = check_flatness(surface, ["3mm/2m"])
    assert found.verdict != "conforms", (seed, found)
    told = surface.narrow.lines
    assert told, seed
    assert sum(one.length_m for one in told) > 1.0, seed
    for one in told:
        x, y = one.place_m
        off = abs((x - 2.61) * np.cos(turn) + (y - 2.0) * np.sin(turn))
        assert off < width_m / 2 + 2 * surface.grid.cell_m, seed
    # What the heights show of it and what they do not are its height together, in most of the cells
    # that it runs through and is told in: the middle one of 19 scans was 0.89 to 1.09 of it. In the
    # one cell of a line's middle they were not in 6 of 160 scans (seeds 300 to 339).
    assert surface.narrow.rise_m is not None
    x, y = surface.grid.mesh()
    across = (x - 2.61) * np.cos(turn) + (y - 2.0) * np.sin(turn)
    along = (y - 2.0) * np.cos(turn) - (x - 2.61) * np.sin(turn)
    on = (np.abs(across) < 0.5 * surface.grid.cell_m) & (np.abs(along) < 0.9)
    on &= surface.narrow.rise_m != 0.0
    whole_m = float(np.median((surface.height_m + surface.narrow.rise_m)[on]))
    assert whole_m == pytest.approx(high_m, rel=0.3), seed
    if found.value is not None and found.value + (found.uncertainty or 0.0) < 0.003:
        assert ("ridge" if high_m > 0 else "groove") in found.why, seed
    # A row of nibs along a ridge 8 mm high is gone; now and then single spots of it are listed.
    assert len(surface.nibs) <= 4, seed


def test_a_flat_floor_has_no_ridge(seed: int) -> None:
    """Noise, specks and a hump make no line."""
    rng = np.random.default_rng(seed)
    floor = carpet(ROOM, 6000.0, rng, height=lambda x, y: 0.006 * np.exp(
        -((x - 2.0) ** 2 + (y - 2.0) ** 2) / 0.3**2
    ))  # fmt: skip
    specks = carpet(ROOM, 60.0, rng)
    specks[:, 2] += rng.uniform(-0.01, 0.025, len(specks))
    surface = surface_of(np.concatenate([floor, specks, faces(ROOM, 0.0, 2.5, 1500.0, rng)]))
    assert surface.narrow.lines == ()


def test_a_step_of_4_mm_is_no_nib(seed: int) -> None:
    """Two level halves 4 mm apart under half a millimetre of noise: nothing to chip off."""
    rng = np.random.default_rng(seed)
    x = float(rng.uniform(2.2, 2.8))
    surface = scanned(lambda a, b: np.where(a < x, 0.0, 0.004), 9000.0, noise_m=0.0005)
    assert surface.nibs == ()


def test_floor_that_a_ridge_runs_over_is_judged(seed: int) -> None:
    """A ridge of 7 mm by 80 mm under 4 mm of noise: what a narrow fit follows is not poor floor.

    Its errors are those of a narrow fit, three times the usual; no straightedge lay on it.
    """
    surface = scanned(strip(0.007, 0.08), 9000.0, seed, noise_m=0.004)
    x, y = surface.grid.mesh()
    on = (np.abs(x - 2.61) < 0.15) & (np.abs(y - 2.0) < 0.9)
    assert judged(surface)[on].mean() > 0.99, seed
    (found,) = check_flatness(surface, ["5mm/2m"])
    assert found.verdict != "conforms", (seed, found)


def laid_across(width_m: float, high_m: float, turn: float) -> Height:
    """A level floor with a strip of 2 m through its middle, turned."""

    def line(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        across = (x - 2.61) * np.cos(turn) + (y - 2.0) * np.sin(turn)
        along = (y - 2.0) * np.cos(turn) - (x - 2.61) * np.sin(turn)
        return np.where((np.abs(across) < width_m / 2) & (np.abs(along) < 1.0), high_m, 0.0)

    return line


@pytest.mark.parametrize("width_m", [0.04, 0.06, 0.08])
def test_a_line_is_as_high_as_it_stands_over_the_floor_beside(width_m: float, seed: int) -> None:
    """What heights show of a ridge or groove already is not counted twice.

    A ridge of 5.4 mm and 60 mm was told as 4.0, and a groove of 5.8 as 1.8: mean and mean square
    were taken about heights that hold a part of it. (Of 57 scans one had a false ridge of half the
    height beside a groove 80 mm wide; what is highest or deepest is the line itself.)
    """
    rng = np.random.default_rng([seed, 1])
    high_m = float(rng.uniform(0.005, 0.009) * rng.choice((-1.0, 1.0)))
    turn = float(rng.uniform(0.0, np.pi))
    surface = scanned(laid_across(width_m, high_m, turn), 9000.0, seed)
    lines = surface.narrow.lines
    if any(one.length_m > 0.8 for one in lines):
        highest = max(lines, key=lambda one: abs(one.height_m))
        assert highest.height_m == pytest.approx(high_m, rel=0.25), (seed, lines)


def test_a_step_is_not_counted_twice(seed: int) -> None:
    """Two level halves 10 mm apart, drawn at any bearing: with lines the gap is 10 mm as well.

    The heights blur the edge; what is left of it on either side was found as a ridge and a
    groove, and added to the step: 16.6 mm for 10.8.
    """
    turn = float(np.random.default_rng([seed, 1]).uniform(0.0, np.pi))

    def halves_of(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where((x - 2.5) * np.cos(turn) + (y - 2.0) * np.sin(turn) > 0.0, 0.01, 0.0)

    surface = scanned(halves_of, 5000.0, seed, noise_m=0.003)
    (plain,) = check_flatness(surface, ["3mm/2m"])
    (whole,) = check_flatness(with_lines(surface), ["3mm/2m"])
    assert whole.value is not None
    assert plain.value == pytest.approx(0.01, abs=0.0012), seed
    assert whole.value == pytest.approx(0.01, abs=0.0018), (seed, surface.narrow.lines)


@pytest.mark.parametrize(
    ("noise_m", "per_m2", "width_m"), [(0.003, 9000.0, 0.08), (0.0015, 3000.0, 0.06)]
)
def test_a_ridge_sets_the_high_point(
    noise_m: float, per_m2: float, width_m: float, seed: int
) -> None:
    """A ridge of 8.5 mm is the highest of a flat floor: a patch of 100 mm has its share of it.

    What a narrow fit followed counted as seen poorly, and of few points in a cell a ridge was left
    out: the high point was 1.95 mm, or none.
    """
    high = highest_patch(
        scanned(strip(0.0085, width_m), per_m2, seed, noise_m=noise_m), Plane(0.0, 0.0, 0.0)
    )
    assert high.z_m == pytest.approx(
        0.085 * width_m, abs=max(0.0012, 3.0 * high.standard_error_m)
    ), seed
    assert high.standard_error_m < 0.0015, seed
    assert abs(high.place_m[0] - 2.61) < 0.08, seed


def test_a_mean_square_below_its_noise_has_an_error_too() -> None:
    """Points that lie closer together than their noise: the height is their mean, and is known.

    The root of a negative number ended a survey of a drawn building.
    """
    count = np.full(3, 40.0)
    cells = _Cells(
        np.arange(3), count, np.array([0.0, 0.004, 0.0]), np.full(3, -2e-5), np.full(3, 0.006)
    )
    share, high_m, error_m = cells.profile(1.0, np.zeros(3))
    assert share.tolist() == [0.0, 1.0, 0.0]
    assert high_m == pytest.approx(0.004)
    assert 0.006 / math.sqrt(40.0) < error_m < 0.01
