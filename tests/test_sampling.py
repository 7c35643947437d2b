"""A contract's own sampling: how it is written, where straightedges lie, and its verdict.

Truths are those of the formula: the same straightedges on its exact heights, and the grid laid in
all ways one by one.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from pydantic import ValidationError

from made_scan import surface_of, walled
from pourdatum.criteria import gap_limit
from pourdatum.everywhere import Places, lay_everywhere, rests
from pourdatum.flatness import check_flatness
from pourdatum.floorsections import main_way_rad
from pourdatum.grid import Grid
from pourdatum.job import Job
from pourdatum.judgedfloor import judged
from pourdatum.sampled import both_ways, chosen, keeps_share, on_grid, pitch_of
from pourdatum.sampling import EVERYWHERE, Sampling, split_sampling
from pourdatum.simulate import Hump, Relief, Wave
from pourdatum.worstgap import worst_gap

ROOM = shapely.box(0.0, 0.0, 6.0, 4.0)
FINE = Grid(0.0, 0.0, 0.05, 81, 121)
ALL = np.ones(FINE.shape, bool)
DIP = Relief(humps=(Hump(3.0, 2.0, -0.008, 0.5, "cosine"),))


@pytest.fixture(scope="module")
def dipped():
    """A flat floor of 24 m² with one dip of 8 mm, well scanned."""
    rng = np.random.default_rng(5)
    points = walled(ROOM, rng, per_m2=2500.0, height=DIP.height, noise_m=0.001)
    return surface_of(points)


# --- how it is written ---------------------------------------------------------------------------


def test_a_sampling_says_where_and_how_many() -> None:
    """Grid in metres or feet, readings, readings by area, and a share after any of them."""
    assert split_sampling("3mm/2m") == ("3mm/2m", EVERYWHERE)
    assert split_sampling("3mm/2m@95%")[1] == Sampling(share=0.95)
    assert split_sampling("F710@grid10ft")[1].grid_m == pytest.approx(3.048)
    assert split_sampling("F710@20readings,90%")[1] == Sampling(readings=20, share=0.9)
    by_area = split_sampling("3mm/2m@4per100m2")[1]
    assert by_area.least(240.0) == 10
    # 90 % of 22 are 19.8: two may exceed, three may not.
    assert Sampling(share=0.9).allowed(22) == 2
    assert Sampling().allowed(22) == 0


@pytest.mark.parametrize(
    "text", ["@", "@30%", "@110%", "@grid0.1m", "@0readings", "@grid3m,grid4m",
             "@grid3m,20readings", "@95%,90%", "@some", "@4per0m2"],
)  # fmt: skip
def test_what_is_no_sampling_is_refused_at_the_door(text) -> None:
    """With what would be right."""
    with pytest.raises(ValidationError, match="@grid3m"):
        Job(criteria=(f"3mm/2m{text}",))


def test_only_straightedges_are_sampled() -> None:
    """F-numbers and free movement have readings of their own."""
    assert Job(criteria=("BS8204:SR2@grid3m", "A108:large@95%")).criteria
    for name in ("E1155:FF35/FL25", "TR34:FM1", "ACI117:flat"):
        with pytest.raises(ValidationError, match="readings of its own"):
            Job(criteria=(f"{name}@95%",))


# --- where they lie ------------------------------------------------------------------------------


def test_a_grid_has_a_straightedge_both_ways_at_every_node_where_it_fits() -> None:
    """On 6 by 4 m a grid of 1 m about the middle: 5 by 3 nodes along, and the same across.

    A straightedge of 2 m needs its middle 1 m from the walls ahead: along x nodes at 1 to 5 m in
    rows at 0 to 4 m; across, at 0 to 6 m in rows at 1 to 3 m.
    """
    laid = both_ways(FINE, ALL, ROOM, 2.0)
    middles = {}
    for one in laid:
        which = on_grid(one, ROOM, 1.0)
        some = chosen(one, which)
        middles[round(math.degrees(one.bearing_rad))] = {
            tuple(round(value, 3) for value in some.middle_m(k)) for k in range(some.line.size)
        }
    assert middles[90] == {(float(x), float(y)) for x in range(1, 6) for y in range(5)}
    assert middles[0] == {(float(x), float(y)) for x in range(7) for y in range(1, 4)}


def test_readings_asked_for_are_laid_on_the_widest_grid_that_gives_them() -> None:
    """At least as many as asked, and a grid 0.2 m wider gives fewer; too many are refused."""
    laid = both_ways(FINE, ALL, ROOM, 2.0)

    def count(pitch: float) -> int:
        return sum(on_grid(one, ROOM, pitch).size for one in laid)

    for wanted in (4, 20, 60):
        pitch = pitch_of(Sampling(readings=wanted), laid, ROOM)
        assert count(pitch) >= wanted
        assert count(pitch + 0.2) < max(wanted, 5)
    assert pitch_of(Sampling(readings=100_000), laid, ROOM) is None


def test_ways_to_lay_a_grid_are_those_tried_one_by_one() -> None:
    """Every shift of a grid of 1 m by 0.1 m, its nodes looked up in a table."""
    laid = both_ways(FINE, ALL, ROOM, 2.0)
    rng = np.random.default_rng(2)
    over = [rng.random(one.line.size) < 0.02 for one in laid]
    kept = 0
    table = []
    for one, bad in zip(laid, over, strict=True):
        at = one.lattice_m[one.line, one.start + one.levels // 2]
        table += [
            (round(x * 10), round(y * 10), bool(b)) for (x, y), b in zip(at, bad, strict=True)
        ]
    for i in range(10):
        for j in range(10):
            mine = [bad for x, y, bad in table if x % 10 == i and y % 10 == j]
            kept += sum(mine) <= math.floor(0.05 * len(mine))
    share = keeps_share(laid, over, ROOM, 1.0, Sampling(grid_m=1.0, share=0.95))
    assert share == pytest.approx(kept / 100, abs=1e-9)


# --- what it comes to ----------------------------------------------------------------------------


def exact(laid: list[Places], relief: Relief, grid: Grid = FINE) -> np.ndarray:
    """Gaps of straightedges on the formula's own heights, largest first [m]."""
    found = rests(grid, relief.height(*grid.mesh()), laid)
    return np.sort(np.concatenate([one.gap_m for one in found]))[::-1]


def test_a_share_leaves_out_as_many_of_the_worst(dipped) -> None:
    """Waves of 3 mm with one dip: missed where none may exceed, kept where 90 % must keep it.

    Waves, for on a flat floor with a dip a tenth of a millimetre tips a straightedge into it that
    lay flush beside it: how many of the places find the dip is then nobody's to know.
    """
    relief = replace(DIP, waves=(Wave(0.0008, 3.1, 0.3), Wave(0.0008, 2.3, 1.7)))
    rng = np.random.default_rng(9)
    surface = surface_of(walled(ROOM, rng, per_m2=2500.0, height=relief.height, noise_m=0.001))
    way = main_way_rad(surface.floor.outline)
    laid = lay_everywhere(surface.grid, judged(surface), 2.0, way)
    # Those that lie closer along walls count in no share.
    gaps = exact([one for one in laid if not one.beside], relief, surface.grid)
    most_m = max(gaps[0], exact(laid, relief, surface.grid)[0])
    limit_mm = 1000.0 * gaps[int(0.08 * gaps.size)] + 1.0
    strict, mild = check_flatness(surface, [f"{limit_mm:.2f}mm/2m", f"{limit_mm:.2f}mm/2m@90%"])
    assert (strict.verdict, mild.verdict) == ("does not conform", "conforms")
    assert strict.value == pytest.approx(most_m, abs=0.0005)
    assert mild.readings == gaps.size < strict.readings
    for share in (0.95, 0.8, 0.55):
        found = worst_gap(surface, gap_limit("3mm/2m"), sampling=Sampling(share=share))
        assert found.may_exceed == math.floor((1.0 - share) * found.places + 1e-9)
        truth = gaps[int((1.0 - share) * gaps.size)]
        assert found.value_m == pytest.approx(truth, abs=0.0005)
        assert abs(found.value_m - truth) <= 2.5 * found.error_m
    assert mild.criterion.endswith("mm/2m@90%")
    assert "90 % of them must keep the limit" in mild.source
    assert "may exceed the limit" in mild.said


def test_a_grid_is_judged_by_its_own_readings(dipped) -> None:
    """The gaps at its nodes, and what the luck of the grid and laying everywhere would say."""
    laid = [chosen(one, on_grid(one, ROOM, 1.5)) for one in both_ways(FINE, ALL, ROOM, 2.0)]
    truth = exact(laid, DIP)
    one = check_flatness(dipped, ["3mm/2m@grid1.5m"])[0]
    # Walls are seen to about 50 mm: of nodes at walls some straightedges do not fit.
    assert abs(one.readings - truth.size) <= 0.35 * truth.size
    assert one.value == pytest.approx(truth[0], abs=0.0005)
    assert "grid of 1.50 m lies even about the middle" in one.said
    assert "of all ways to lay it" in one.said
    assert "laid everywhere the worst gap is" in one.said
    assert "would not conform" in one.said


def test_a_grid_may_miss_what_lies_between_its_nodes() -> None:
    """A narrow dip between the nodes: the sampling finds the floor flat, and the note says more."""
    rng = np.random.default_rng(6)
    hidden = Relief(humps=(Hump(2.0, 2.9, -0.008, 0.35, "cosine"),))
    points = walled(ROOM, rng, per_m2=2500.0, height=hidden.height, noise_m=0.001)
    one = check_flatness(surface_of(points), ["3mm/1m@grid2m"])[0]
    assert one.verdict == "conforms"
    assert one.share_within == 1.0
    assert "would not conform" in one.said
    kept = int(one.said.split("of all ways to lay it, ")[1].split(" %")[0])
    assert 10 < kept < 95


def test_more_readings_than_fit_are_undecided(dipped) -> None:
    """And the number asked for is named."""
    one = check_flatness(dipped, ["3mm/2m@90000readings"])[0]
    assert (one.verdict, one.value) == ("undecided", None)
    assert "fewer than 90000 straightedges of 2 m fit" in one.said


def test_a_straightedge_longer_than_the_window_of_noise_is_laid_as_well() -> None:
    """On 30 by 22 m of waves under 20 m."""
    rng = np.random.default_rng(7)
    relief = Relief(waves=(Wave(0.004, 18.0),))
    points = walled(
        shapely.box(0.0, 0.0, 30.0, 22.0),
        rng,
        per_m2=400.0,
        height=relief.height,
        wall_per_m2=100.0,
    )
    one = check_flatness(surface_of(points), ["3mm/20m"])[0]
    assert one.value is not None
    assert one.value > 0.004
