"""The interval of a fill and of its datum: drawn floors against closed forms.

A thousand draws know a standard deviation to 1 / sqrt(2 * 999) = 2.2 % (JCGM 100:2008, E.4.3);
bounds are four of those.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import shapely
from scipy.special import erf
from shapely import affinity

from pourdatum.areaerror import area_uncertainty_m2
from pourdatum.datum import Datum, DatumKind
from pourdatum.driftguess import LENGTHS_M
from pourdatum.evenly import even_places
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.rounding import NONE, Rounding
from pourdatum.shareddraws import DRAWS, draws_for, interval_of
from pourdatum.spread import FIT_REACH_M, fill_draws_m3, fill_interval, level_draws_m3
from pourdatum.stations import AGREE
from pourdatum.stripes import NO_STRIPES, Stripes
from pourdatum.surface import Surface
from pourdatum.uncertainty import COVER_95, UNSEEN_M, SharedError, combined, mean_error_m
from pourdatum.volume import Volume, fill_volume
from pourdatum.walls import WallLine

FLOOR = shapely.box(0.0, 0.0, 4.0, 3.0)
MIDDLE = (2.0, 1.5)
NOTHING = SharedError(0.0, 0.0, 0.0, "nothing")
DRAWN = 4.0 / math.sqrt(2.0 * (DRAWS - 1))
"""Four standard deviations of a standard deviation drawn so many times."""


def flat_surface(cell_m: float = 0.05, *, error_m: float = 0.0, **changes: Any) -> Surface:
    """A level floor with no error at all, of cells of any size, but for what is changed."""
    ny, nx = round(3.0 / cell_m) + 2, round(4.0 / cell_m) + 2
    grid = Grid(-0.5 * cell_m, -0.5 * cell_m, cell_m, ny, nx)
    inside = shapely.contains_xy(FLOOR, *grid.mesh())
    floor = SimpleNamespace(
        outline=FLOOR, area_m2=FLOOR.area, faces=(), openings=(), obstructions=(),
        open_edge_m=0.0, outline_given=False, stations=AGREE, spots=None,
    )  # fmt: skip
    fields: dict[str, Any] = {
        "grid": grid,
        "height_m": np.zeros(grid.shape),
        "standard_error_m": np.full(grid.shape, error_m),
        "measured": inside,
        "inferred": np.zeros(grid.shape, bool),
        "shared": NOTHING,
        "between": None,
        "floor": floor,
    }
    return cast(Surface, _Level(**(fields | changes)))


@dataclass(frozen=True, eq=False)
class _Level:
    """What of a surface the draws look at."""

    grid: Grid
    height_m: np.ndarray
    standard_error_m: np.ndarray
    measured: np.ndarray
    inferred: np.ndarray
    shared: SharedError
    between: None
    floor: SimpleNamespace
    control: None = None
    rounding: Rounding = NONE
    stripes: Stripes = NO_STRIPES


def pour(
    surface: Surface, depth_m: float = 0.01, kind: DatumKind = "level", error_m: float = 0.0
) -> tuple[Datum, Volume]:
    """A datum at a height over a level floor, out by nothing or by noise, and the fill to it."""
    luck = np.random.default_rng(8).standard_normal(DRAWS)
    draws = None if kind == "level" else error_m * luck
    plane = Plane(depth_m)
    datum = Datum(kind, plane, (depth_m, depth_m), None, 0.002, error_m, draws_m=draws)
    return datum, fill_volume(surface.height_m, surface.grid, FLOOR, plane)


def spread(surface: Surface, depth_m: float = 0.01, **how: Any) -> float:
    """Standard deviation of the drawn fills [m³]."""
    return float(np.std(fill_draws_m3(surface, *pour(surface, depth_m, **how))))


# --- what is shared, and what is not -------------------------------------------------------------


@pytest.mark.parametrize("cell_m", [0.025, 0.05, 0.1])
def test_what_is_shared_does_not_shrink_with_the_number_of_cells(cell_m) -> None:
    """A datum out by 2 mm makes 24 litres over 12 m², however fine the cells are: area times sigma.

    So does a scan that stands 2 mm too high, under a level that was given.
    """
    surface = flat_surface(cell_m)
    wanted = FLOOR.area * 0.002
    assert spread(surface, kind="high-point", error_m=0.002) == pytest.approx(wanted, rel=DRAWN)
    low = flat_surface(cell_m, shared=replace(NOTHING, datum_m=0.002))
    assert spread(low) == pytest.approx(wanted, rel=DRAWN)


def test_what_cells_err_by_themselves_averages_out() -> None:
    """A cell's own 0.2 mm makes a seventh of that over 12 m²: blocks of 4 pi 0.1² m² are one."""
    blocks = FLOOR.area / (4 * math.pi * FIT_REACH_M**2)
    wanted = FLOOR.area * 0.0002 / math.sqrt(blocks)
    assert spread(flat_surface(error_m=0.0002)) == pytest.approx(wanted, rel=DRAWN)


def test_stripes_average_out_by_their_number() -> None:
    """40 stripes of 0.1 m and 1 mm: 12 m² times 1 mm / sqrt(40), however fine the cells.

    Two of them are cut by the ends, which takes a hundredth off.
    """
    for cell_m in (0.025, 0.05):
        surface = flat_surface(cell_m, stripes=Stripes(0.001, 0.1, 0.0))
        wanted = FLOOR.area * 0.001 / math.sqrt(40)
        assert spread(surface) == pytest.approx(wanted, rel=DRAWN + 0.01)


def mean_warp(length_m: float) -> float:
    """Variance of the mean over the floor of a Gaussian field of unit size and this length.

    The mean of exp(-d² / (2 l²)) over all pairs of places: a product of one integral for each
    side, sqrt(2 pi) erf(a / (sqrt(2) l)) l / a - 2 (1 - exp(-a² / (2 l²))) l² / a².
    """
    product = 1.0
    for side in (4.0, 3.0):
        u = side / length_m
        product *= (
            math.sqrt(2 * math.pi) * float(erf(u / math.sqrt(2))) / u
            - 2 * (1 - math.exp(-(u**2) / 2)) / u**2
        )
    return product


def test_a_warp_counts_by_its_mean_over_the_floor() -> None:
    """Over 4 by 3 m, which reach 2.5 m, a bend of 1.75 m: the part of it that does not cancel.

    Longer fields lift or tilt the floor and do not bend it. 96 waves stand for a Gaussian field:
    they know its variance to an eighth.
    """
    surface = flat_surface(shared=replace(NOTHING, warp_m=0.002))
    share = math.sqrt(mean_warp(LENGTHS_M[0]))
    assert 0.6 < share < 0.8
    assert spread(surface) == pytest.approx(FLOOR.area * 0.002 * share, rel=0.13)


def test_floor_that_nobody_saw_errs_together() -> None:
    """3 m² hidden at 1.5 mm are 4.5 litres, however many cells they are."""
    surface = flat_surface()
    hidden = surface.measured & (surface.grid.mesh()[0] < 1.0)
    surface = flat_surface(measured=surface.measured & ~hidden, inferred=hidden)
    assert spread(surface) == pytest.approx(UNSEEN_M * 3.0, rel=DRAWN)


def test_a_tilt_turns_about_the_middle_of_the_floor() -> None:
    """A given level, tied to the middle, takes as much on one side as it leaves on the other.

    Cells of 50 mm in blocks lie even about the middle to a cell: 1 mm per m times 25 mm at most.
    """
    surface = flat_surface(shared=replace(NOTHING, tilt_rad=0.001))
    assert spread(surface) < FLOOR.area * 0.001 * 0.025
    # A plane fitted to the floor tilts with the scan: the depth between them stays.
    assert spread(surface, kind="parallel") == pytest.approx(0.0, abs=1e-9)


def test_the_positive_part_of_the_depth_is_taken_as_it_is() -> None:
    """At the level of the floor a tilt can only add: as much as it lifts on one side.

    Over a strip of length a tilted by t the fill is t a² / 8 for each metre of width; with
    slopes of both axes the draws of a floor of 4 by 3 m lie between 0 and the sum of both.
    """
    surface = flat_surface(shared=replace(NOTHING, tilt_rad=0.001))
    datum, volume = pour(surface, 0.0)
    fills = fill_draws_m3(surface, datum, volume)
    assert volume.volume_m3 == 0.0
    assert fills.min() >= 0.0
    tilt = draws_for(surface).tilt
    alone = np.abs(tilt[:, 0]) * 4.0**2 / 8 * 3.0, np.abs(tilt[:, 1]) * 3.0**2 / 8 * 4.0
    assert (fills <= alone[0] + alone[1] + 1e-6).all()
    assert (fills >= np.maximum(*alone) - 1e-3 * 0.05 * FLOOR.area).all()


def test_parts_of_a_fill_add_in_quadrature() -> None:
    """Independent parts alone, and all together (JCGM 100:2008, 5.1.2)."""
    hidden = flat_surface().measured & (flat_surface().grid.mesh()[0] < 1.0)
    seen = flat_surface().measured & ~hidden
    alone = [
        flat_surface(shared=replace(NOTHING, warp_m=0.0007)),
        flat_surface(shared=replace(NOTHING, datum_m=0.0005)),
        flat_surface(error_m=0.0003),
        flat_surface(measured=seen, inferred=hidden),
    ]
    together = flat_surface(
        shared=SharedError(0.0, 0.0007, 0.0005, "both"),
        error_m=0.0003, measured=seen, inferred=hidden,
    )  # fmt: skip
    wanted = combined(*(spread(surface) for surface in alone))
    # Parts drawn together are uncorrelated to one over the root of the draws.
    assert spread(together) == pytest.approx(wanted, rel=2 * DRAWN)


def test_the_mean_error_is_the_one_of_cells_that_share_points() -> None:
    """What the draws take for noise is ``mean_error_m`` of the known cells."""
    surface = flat_surface(error_m=0.0004)
    known = surface.measured
    wanted = FLOOR.area * mean_error_m(surface.standard_error_m, known, FIT_REACH_M / 0.05)
    assert spread(surface) == pytest.approx(wanted, rel=DRAWN)


def test_the_same_floor_has_the_same_interval() -> None:
    """Draws come from a fixed seed."""
    ends = [
        fill_interval(surface, *pour(surface))
        for surface in (
            flat_surface(shared=SharedError(1e-3, 1e-3, 1e-3, "all"), error_m=0.001)
            for _ in range(2)
        )
    ]
    assert ends[0] == ends[1]


def test_the_interval_of_a_fill_is_never_below_nothing() -> None:
    """No floor takes less than no powder."""
    surface = flat_surface(shared=SharedError(0.01, 0.0, 0.002, "phone"))
    low, high = fill_interval(surface, *pour(surface, 0.0005))
    assert low == 0.0
    assert high > 0.0005 * FLOOR.area


# --- the edge ------------------------------------------------------------------------------------


def test_the_area_errs_by_lengths_and_by_edges() -> None:
    """Lengths out by a thousandth make two thousandths of the area; an opening, its rim."""
    surface = flat_surface(shared=replace(NOTHING, scale=1e-3))
    assert area_uncertainty_m2(surface) == pytest.approx(2e-3 * 12.0)
    hole = SimpleNamespace(outline=shapely.box(0, 0, 0.2, 0.2))
    open_floor = flat_surface()
    open_floor.floor.openings = (hole,)  # type: ignore[misc]
    assert 0.0 < area_uncertainty_m2(open_floor) < 0.8 * 0.05
    wall = WallLine(np.array([0.0, 1.0]), 0.0, np.array([[0.0, 4.0]]), 0.001)
    walled = flat_surface()
    walled.floor.faces = (wall,)  # type: ignore[misc]
    assert 0.0 < area_uncertainty_m2(walled) < 4.0 * 0.001
    # An outline that was given is what it is.
    walled.floor.outline_given = True  # type: ignore[misc]
    assert area_uncertainty_m2(walled) == 0.0


def test_a_thing_at_a_wall_counts_where_it_hides_the_wall() -> None:
    """A wall seen above a crate is known there; where nobody saw it, the room may be otherwise."""
    crate = SimpleNamespace(kind="loose", outline=shapely.box(1.0, 0.05, 2.0, 0.65), area_m2=0.6)

    def error_m2(*seen: tuple[float, float]) -> float:
        surface = flat_surface()
        wall = WallLine(np.array([0.0, 1.0]), 0.0, -np.array(seen)[:, ::-1], 0.0)
        surface.floor.faces = (wall,)  # type: ignore[misc]
        surface.floor.obstructions = (crate,)  # type: ignore[misc]
        return area_uncertainty_m2(surface)

    above, half, nothing = error_m2((0.0, 4.0)), error_m2((0.0, 1.5)), error_m2((3.0, 4.0))
    assert above < 0.002
    assert nothing > 0.03
    assert half == pytest.approx(nothing / 2, rel=0.1)


@pytest.mark.parametrize("turn_deg", [10.0, 25.0, 60.0, 80.0])
def test_a_thing_that_barely_comes_near_a_wall_hides_none_of_it(turn_deg: float) -> None:
    """A corner 0.01 mm within the distance at which things count: rounded off, it meets no wall."""
    turned = affinity.rotate(shapely.box(1.5, 1.0, 2.0, 1.5), turn_deg)
    crate = affinity.translate(turned, 0.0, 0.3 - 1e-5 - turned.bounds[1])
    surface = flat_surface()
    without = area_uncertainty_m2(surface)
    thing = SimpleNamespace(kind="loose", outline=crate, area_m2=0.25)
    surface.floor.obstructions = (thing,)  # type: ignore[misc]
    assert area_uncertainty_m2(surface) == without


def test_rims_of_several_openings_err_apart() -> None:
    """What makes one drain come out small says nothing of the next: three err by sqrt(3)."""
    surface = flat_surface()
    holes = [SimpleNamespace(outline=shapely.box(x, 1.0, x + 0.2, 1.2)) for x in (0.5, 1.5, 2.5)]
    surface.floor.openings = tuple(holes[:1])  # type: ignore[misc]
    one = area_uncertainty_m2(surface)
    surface.floor.openings = tuple(holes)  # type: ignore[misc]
    assert area_uncertainty_m2(surface) == pytest.approx(np.sqrt(3.0) * one)


def test_the_edge_counts_by_depth() -> None:
    """Area that may be in or out holds the usual depth: twice as much for twice that."""
    surface = flat_surface(shared=replace(NOTHING, scale=1e-3))
    thin, thick = spread(surface, 0.005), spread(surface, 0.01)
    assert thin == pytest.approx(2e-3 * 12.0 * 0.005, rel=DRAWN)
    assert thick == pytest.approx(2 * thin, rel=1e-9)


# --- from draws to an interval -------------------------------------------------------------------


def test_an_interval_of_a_linear_quantity_is_that_of_its_normal_error() -> None:
    """Draws about the value with standard deviation one: 1.96 each way, to four deviations.

    A quantile of 2.5 % of 20 000 draws errs by sqrt(0.025 * 0.975 / 20 000) / 0.0584 = 0.019.
    """
    draws = 5.0 + np.random.default_rng(4).standard_normal(20_000)
    low, high = interval_of(5.0, draws)
    assert 5.0 - low == pytest.approx(COVER_95, abs=0.08)
    assert high - 5.0 == pytest.approx(COVER_95, abs=0.08)


@pytest.mark.parametrize("true_slope", [0.0, 0.5, 1.0, 2.0, 6.0])
def test_an_interval_holds_where_an_error_can_only_raise(true_slope) -> None:
    """The size of a slope, seen through a tilt of one: held in 95 of 100 scans or more.

    The middle 95 % of the draws alone would miss a level floor nearly always: where the scan is
    tilted by t, draws scatter about t. 600 scans know a share of 95 % to 0.9 %.
    """
    rng = np.random.default_rng([int(10 * true_slope), 5])
    held = 0
    for _ in range(600):
        seen = np.array([true_slope, 0.0]) + rng.standard_normal(2)
        draws = np.hypot(*(seen - rng.standard_normal((400, 2))).T)
        low, high = interval_of(float(np.hypot(*seen)), draws)
        held += low <= true_slope <= high
    assert held / 600 > 0.95 - 3 * 0.009


# --- to the level that was planned ---------------------------------------------------------------


def pins_of(surface: Surface) -> np.ndarray:
    """Four places in place of pins: of 12 m², two metres apart, there would be three."""
    place, *_ = even_places(surface.measured, surface.grid, 4)
    return place - MIDDLE


def test_the_noise_of_the_high_point_is_none_of_the_level_that_is_set_out() -> None:
    """A datum out by 10 mm of its own moves what the floor needs, not what its level takes.

    What is left over 12 m² is the mean noise of the cells, and what a staff that reads to 0.5 mm on
    cells known to 2 mm has for an error in the mean of its pins.
    """
    surface = flat_surface(error_m=0.002)
    datum, volume = pour(surface, kind="high-point", error_m=0.010)
    own = mean_error_m(surface.standard_error_m, surface.measured, FIT_REACH_M / 0.05)
    read = math.hypot(0.0005, 0.002) / math.sqrt(len(pins_of(surface)))
    drawn = cast(Any, level_draws_m3(surface, datum, volume))
    assert np.std(drawn) == pytest.approx(FLOOR.area * math.hypot(own, read), rel=DRAWN)
    assert np.std(fill_draws_m3(surface, datum, volume)) > 8 * np.std(drawn)


def test_pins_stand_on_floor_that_was_seen() -> None:
    """Half of the floor under things and known to 20 mm: a staff stands on the other half."""
    calm = flat_surface(error_m=0.0002)
    hidden = calm.measured & (calm.grid.mesh()[0] > 2.0)
    part = flat_surface(
        standard_error_m=np.where(hidden, 0.02, 0.0002),
        measured=calm.measured & ~hidden,
        inferred=hidden,
    )
    drawn = cast(Any, level_draws_m3(part, *pour(part, kind="high-point")))
    own = mean_error_m(part.standard_error_m, calm.measured, FIT_REACH_M / 0.05)
    unseen = UNSEEN_M * hidden.sum() / calm.measured.sum()
    read = math.hypot(0.0005, 0.0002) / math.sqrt(len(pins_of(part)))
    assert np.std(drawn) == pytest.approx(FLOOR.area * math.hypot(own, unseen, read), rel=0.12)


def test_a_level_is_set_out_from_the_floor(monkeypatch: pytest.MonkeyPatch) -> None:
    """A staff without error: a tilt lifts the level by what it lifts the pins on average.

    Half of the floor lies over a level through the floor itself. 3000 places of the draws against
    a fine grid of its own: to 2 %.
    """
    monkeypatch.setattr("pourdatum.spread.SHOT_M", 0.0)
    surface = flat_surface(shared=replace(NOTHING, tilt_rad=0.002), cell_m=0.025)
    drawn = cast(Any, level_draws_m3(surface, *pour(surface, depth_m=0.0, kind="high-point")))
    x, y = np.meshgrid(np.linspace(-2, 2, 200), np.linspace(-1.5, 1.5, 150))
    tilt = draws_for(surface).tilt
    lifted = tilt @ np.stack([x.ravel(), y.ravel()])
    lifted -= (tilt @ pins_of(surface).T).mean(axis=1, keepdims=True)
    filled = FLOOR.area * np.maximum(lifted, 0.0).mean(axis=1)
    assert drawn == pytest.approx(filled, rel=0.02, abs=2e-5)


def test_what_a_benchmark_is_out_by_stays() -> None:
    """A level that errs by 2 mm as a whole lifts the fill by as much over all of the floor."""
    low = flat_surface(shared=replace(NOTHING, datum_m=0.002))
    drawn = cast(Any, level_draws_m3(low, *pour(low, kind="high-point")))
    read = 0.0005 / math.sqrt(len(pins_of(low)))
    assert np.std(drawn) == pytest.approx(FLOOR.area * math.hypot(0.002, read), rel=DRAWN)


def test_a_given_level_and_a_parallel_plane_have_no_level_of_their_own() -> None:
    """A given level has one interval, and a plane that tilts with the scan is no level."""
    surface = flat_surface()
    for kind in ("level", "parallel"):
        assert level_draws_m3(surface, *pour(surface, kind=cast(DatumKind, kind))) is None
