"""A straightedge laid everywhere: closed forms, brute force on formulas, edges and columns."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely

from pourdatum.everywhere import BEARINGS, Rests, lay_everywhere, rest_on, rests
from pourdatum.gapdoubt import carried_on
from pourdatum.grid import Grid
from pourdatum.simulate import Hump, Relief, Wave
from pourdatum.straightedge import gaps_under
from pourdatum.units import MM
from test_straightedge import CASES, SHAPES


def hull_gap(place: np.ndarray, level: np.ndarray) -> float:
    """Gap by the upper hull, built point by point: shares no code with what is tested."""
    hull: list[int] = []
    for k in range(place.size):
        while len(hull) > 1:
            i, j = hull[-2:]
            turn = (place[j] - place[i]) * (level[k] - level[i])
            if (level[j] - level[i]) * (place[k] - place[i]) > turn:
                break
            hull.pop()
        hull.append(k)
    middle = 0.5 * (place[0] + place[-1])
    worst = 0.0
    for i, j in pairwise(hull):
        if place[i] <= middle + 1e-9 and place[j] >= middle - 1e-9:
            chord = np.interp(place[i : j + 1], place[[i, j]], level[[i, j]])
            worst = max(worst, float((chord - level[i : j + 1]).max()))
    return worst


@pytest.mark.parametrize("name", SHAPES)
def test_closed_forms_in_every_direction(name) -> None:
    """A dish, a wave, a slope, a hump and a V across x: the worst of all directions is across.

    Source: straightedge_exact.json (elementary geometry; support rule of DIN 18202).
    """
    case = CASES[name]
    grid = Grid(-2.0, -2.0, 0.025, 161, 161)
    height = SHAPES[name](grid.mesh()[0]) / MM
    laid = lay_everywhere(grid, np.ones(grid.shape, bool), case["straightedge_m"])
    worst = max(float(one.gap_m.max()) for one in rests(grid, height, laid))
    gap_mm = case.get("gap_mm", case.get("gap_between_supports_mm"))
    # Bilinear between nodes, a curve lies too low or high by less than cell² curvature / 8.
    assert worst * MM == pytest.approx(gap_mm, abs=0.03)


def test_rows_rest_as_a_line_of_levels_does(seed: int) -> None:
    """On random rows the gap is that of the hull, and of ``gaps_under`` at the same place."""
    rng = np.random.default_rng(seed)
    for n in (3, 5, 21, 41):
        rows = np.cumsum(rng.normal(size=(40, n)), axis=1) * 0.001
        place = np.linspace(0.0, 2.0, n)
        found = rest_on(rows, 2.0)
        assert found.gap_m == pytest.approx([hull_gap(place, row) for row in rows], abs=1e-12)
        one = [gaps_under(place, row, 2.0).worst_m for row in rows]
        assert found.gap_m == pytest.approx(one, abs=1e-12)


def test_a_straightedge_rocks_on_a_hump_and_not_in_a_dip() -> None:
    """Over -3 x² mm two metres stand off 3 mm at both ends; in a dip it lies firm."""
    x = np.linspace(-1.0, 1.0, 41)
    found = rest_on(np.array([-0.003 * x**2, 0.003 * x**2, 0.0 * x]), 2.0)
    assert found.rocks_m * MM == pytest.approx([3.0, 0.0, 0.0], abs=1e-9)
    assert found.gap_m * MM == pytest.approx([0.0, 3.0, 0.0], abs=1e-9)
    assert found.span_m[1] == pytest.approx(2.0)


def brute(relief: Relief, room: shapely.Polygon, length_m: float) -> float:
    """Worst gap at random places and directions and around the best of them, levels every 10 mm."""
    rng = np.random.default_rng(5)
    place = np.linspace(-0.5 * length_m, 0.5 * length_m, round(length_m / 0.01) + 1)
    west, south, east, north = room.bounds

    def gap(x: float, y: float, turn: float) -> float:
        end = 0.5 * length_m * np.array([math.cos(turn), math.sin(turn)])
        if not room.covers(
            shapely.LineString([(x - end[0], y - end[1]), (x + end[0], y + end[1])])
        ):
            return -1.0
        xs, ys = x + place * math.cos(turn), y + place * math.sin(turn)
        return hull_gap(place, relief.height(xs, ys))

    tried = [
        (gap(*one), one)
        for one in zip(
            rng.uniform(west, east, 2500).tolist(),
            rng.uniform(south, north, 2500).tolist(),
            rng.uniform(0.0, math.pi, 2500).tolist(),
            strict=True,
        )
    ]
    best = sorted(tried)[-3:]
    for reach in (0.1, 0.05, 0.02):
        for k, (_, one) in enumerate(best):
            near = [one] + [tuple(one + reach * rng.standard_normal(3)) for _ in range(60)]
            best[k] = max((gap(*at), at) for at in near)
    return max(best)[0]


ROOM = shapely.box(0.0, 0.0, 6.0, 5.0) - shapely.box(2.6, 2.0, 3.0, 2.4)


@pytest.mark.parametrize("seed", range(4))
def test_within_half_a_millimetre_of_brute_force(seed) -> None:
    """On a formula with waves, humps, dips and a column, to 0.5 mm of places tried at random."""
    rng = np.random.default_rng(seed)
    relief = Relief(
        slope_x=0.003,
        humps=tuple(
            Hump(*rng.uniform(0.5, 4.5, 2), rng.uniform(-0.006, 0.006), rng.uniform(0.4, 1.2))
            for _ in range(6)
        ),
        waves=(Wave(0.0015, rng.uniform(1.5, 4.0), rng.uniform(0.0, 3.0)),),
    )
    grid = Grid(0.0, 0.0, 0.025, 201, 241)
    x, y = grid.mesh()
    seen = shapely.intersects_xy(ROOM, x, y)
    laid = lay_everywhere(grid, seen, 2.0)
    found = max(float(one.gap_m.max()) for one in rests(grid, relief.height(x, y), laid))
    truth = brute(relief, ROOM, 2.0)
    assert truth > 0.002
    assert abs(found - truth) < 0.0005


def test_all_directions_and_places_lie_on_the_floor() -> None:
    """Twelve directions, and more along walls; all keep within the edge and off the column."""
    grid = Grid(0.0, 0.0, 0.025, 201, 241)
    seen = shapely.intersects_xy(ROOM, *grid.mesh())
    laid = lay_everywhere(grid, seen, 2.0)
    assert len([one for one in laid if not one.beside]) == BEARINGS == 12
    nearest = min(np.abs(one.lattice_m[one.line, one.start, 0]).min() for one in laid if one.beside)
    assert nearest <= 0.025
    for one in laid:
        for k in range(0, one.line.size, max(one.line.size // 50, 1)):
            levels = one.levels_m(k)
            assert ROOM.buffer(1e-6).covers(shapely.MultiPoint(levels))
            # Between two levels 50 mm apart a corner of the column may stand in by half of that.
            assert ROOM.buffer(0.025).covers(shapely.LineString(levels))
            ends = levels[-1] - levels[0]
            assert np.hypot(*ends) == pytest.approx(2.0)
            turn = math.atan2(ends[0], ends[1]) % math.pi
            assert turn == pytest.approx(one.bearing_rad, abs=1e-9)
    # Places along the walls, 100 mm apart: 4 m of play in x, 5 m of lines in y.
    east = next(one for one in laid if one.bearing_rad == pytest.approx(math.pi / 2))
    assert east.line.size > 0.9 * (41 * 51 - 24 * 4)


def test_a_floor_too_small_has_no_place() -> None:
    """Two metres do not fit on 1.3 m by 1.3 m."""
    grid = Grid(0.0, 0.0, 0.05, 27, 27)
    assert lay_everywhere(grid, np.ones(grid.shape, bool), 2.0) == []


def test_a_straightedge_that_lies_flush_counts_what_is_beyond_its_middle() -> None:
    """On a flat floor with one dip beside the middle it touches on both sides of the dip.

    It lies flush, so that every level is a contact: the dip of 4 mm counts, whichever side of the
    middle it is on, as it does the moment the floor is not perfectly flat.
    """
    x = np.linspace(-1.0, 1.0, 41)
    dip = np.where(np.abs(x - 0.5) < 0.26, -0.004, 0.0)
    rows = np.array([dip, dip[::-1], dip + 1e-6 * x**2, np.zeros(41)])
    for found in (rest_on(rows, 2.0), compiled(rows)):
        assert found.gap_m == pytest.approx([0.004, 0.004, 0.004, 0.0], abs=2e-6)
        assert found.span_m[[0, 1, 3]] == pytest.approx(2.0)


def compiled(rows: np.ndarray) -> Rests:
    """The same by the compiled loop, where it is installed."""
    loops = pytest.importorskip("pourdatum.restloop", reason="the extra fast is not installed")
    first = np.arange(len(rows)) * rows.shape[1]
    gap, steps, rocks = loops.rest_rows(rows.ravel(), first, rows.shape[1], 1e-11)
    return Rests(gap, steps * (2.0 / (rows.shape[1] - 1)), rocks)


def test_what_rises_past_the_ends_is_doubt() -> None:
    """A dish of 3 x² mm about a middle 1 m from its last level, and 40 mm of floor beyond.

    Over 2 m it leaves 3 mm wherever it lies, so nothing is gained by pushing on. A floor that is
    level up to 0.5 m and rises by 8 mm per m from there leaves 4 * 1.5 / 2 mm over its corner, and
    pushed on by 50 mm 4.4 * 1.45 / 2.
    """
    dish = 0.003 * np.linspace(-1.0, 1.0, 41) ** 2
    pushed = carried_on(dish, 0.05, 0.04)
    # The slope at the end falls short of the curve by 3 * (0.04² + 0.05 * 0.04) mm.
    assert rest_on(pushed[None], 2.0).gap_m[0] == pytest.approx(0.003, abs=1.1e-5)
    along = np.linspace(-1.0, 1.0, 41)
    ramp = 0.008 * np.maximum(along - 0.5, 0.0)
    for level, gap in ((ramp, 0.003), (carried_on(ramp, 0.05, 0.05), 0.00319)):
        assert float(rest_on(level[None], 2.0).gap_m[0]) == pytest.approx(gap, abs=1e-12)


def test_the_far_end_of_the_floor_has_a_place() -> None:
    """A strip 50 mm longer than the straightedge, whose last level alone stands 10 mm high.

    In steps of 100 mm from the near end no straightedge reached it, and the floor had no gap. From
    the last level to the one 2 m before it the next to last lies 10 * 39 / 40 mm under the chord.
    """
    for turned in (False, True):
        strip = np.zeros((3, 42))
        strip[:, -1] = 0.010
        grid = Grid(0.0, 0.0, 0.05, *strip.T.shape) if turned else Grid(0.0, 0.0, 0.05, 3, 42)
        height = strip.T if turned else strip
        for level in (height, height[::-1, ::-1]):
            laid = lay_everywhere(grid, np.ones(level.shape, bool), 2.0)
            worst_m = max(float(one.gap_m.max()) for one in rests(grid, level, laid))
            assert worst_m == pytest.approx(0.010 * 39 / 40, abs=1e-9)
