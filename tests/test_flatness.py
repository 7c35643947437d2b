"""Flatness of floors by formula: values, verdicts, what is not judged, and what noise may not do.

Truths are those of the formula: the straightedge laid everywhere on its exact heights, which
``test_everywhere`` holds against brute force; planes and waves have closed forms.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
import shapely

from made_scan import surface_of, thirty_waves, walled
from pourdatum import gapluck, worstgap
from pourdatum.criteria import gap_limit, limit_of
from pourdatum.decision import Rule, decide, rule_in_words
from pourdatum.everywhere import lay_everywhere, rests
from pourdatum.finding import NOT_KNOWN
from pourdatum.flatlines import ELSEWHERE, Lay, floor_lines, overlap, section_lines
from pourdatum.flatness import check_flatness
from pourdatum.floorsections import sections_of
from pourdatum.fnumbers import FNumber, f_numbers
from pourdatum.freemove import movements
from pourdatum.grid import Grid
from pourdatum.joints import Joint
from pourdatum.judgedfloor import judged
from pourdatum.localfit import local_fit
from pourdatum.numbered import least_readings
from pourdatum.simulate import Hump, Relief, Wave
from pourdatum.surface import Surface
from pourdatum.uncertainty import SharedError
from pourdatum.units import INCH_M, MM
from pourdatum.worstgap import worst_gap

ROOM = shapely.box(0.0, 0.0, 4.6, 3.4)
EXACT = SharedError(0.0, 0.0, 0.0, "none")
ALL = (
    "3mm/2m", "BS8204:SR1", "F710", "DIN18202:3", "DIN18202:4", "E1155:FF35/FL25", "TR34:FM1",
)  # fmt: skip


def made(
    relief: Relief,
    *,
    room: shapely.Polygon = ROOM,
    seed: int | None = 0,
    noise_m: float = 0.0015,
    per_m2: float = 3000.0,
    things: tuple[tuple[shapely.Polygon, float], ...] = (),
) -> Surface:
    """The surface of a walled room with a floor by formula."""
    rng = np.random.default_rng(seed)
    points = walled(room, rng, per_m2=per_m2, height=relief.height, noise_m=noise_m, things=things)
    return surface_of(points)


def truth_m(relief: Relief, length_m: float, room: shapely.Polygon = ROOM) -> float:
    """Worst gap on the formula's own heights, every 12.5 mm [m]."""
    west, south, east, north = room.bounds
    step = 0.0125
    grid = Grid(west, south, step, int((north - south) / step) + 1, int((east - west) / step) + 1)
    x, y = grid.mesh()
    laid = lay_everywhere(grid, shapely.intersects_xy(room, x, y), length_m)
    return max(float(one.gap_m.max()) for one in rests(grid, relief.height(x, y), laid))


@cache
def large_room() -> Surface:
    """9 by 7 m falling by 2 mm per m along x, well scanned, its vertical exact."""
    surface = made(
        Relief(slope_x=0.002), room=shapely.box(0.0, 0.0, 9.0, 7.0), noise_m=0.0008, seed=4
    )
    return replace(surface, shared=EXACT)


# --- the straightedge ----------------------------------------------------------------------------


@pytest.mark.parametrize("noise_m", [0.0015, 0.004, 0.008])
def test_noise_alone_fails_no_criterion(noise_m) -> None:
    """A flat level floor under noise of a tripod, a mapper and a phone fails nothing."""
    surface = made(Relief(), noise_m=noise_m, seed=int(noise_m * 1e4), per_m2=2500.0)
    found = check_flatness(surface, ALL)
    assert {one.verdict for one in found} <= {"conforms", "undecided"}
    if noise_m < 0.002:
        assert found[0].verdict == "conforms"
        # As read, five standard errors of noise and more; without it, next to nothing is left.
        worst = worst_gap(surface, gap_limit("3mm/2m"))
        assert worst.as_read_m > 0.0003
        assert worst.value_m < 0.5 * worst.as_read_m


def test_a_large_floor_is_judged_as_well_far_from_zero() -> None:
    """A floor of 300 m² has one gap, whatever level it lies at.

    Noise is drawn in a window of a large floor; what lies beyond the window is floor, not zero.
    """
    room = shapely.box(0.0, 0.0, 20.0, 15.0)
    found = []
    for level_m in (0.0, 5.0):
        rng = np.random.default_rng(77)
        dip = Relief(level_m=level_m, humps=(Hump(9.0, 7.0, -0.005, 0.7),))
        points = walled(room, rng, per_m2=700.0, height=dip.height, wall_per_m2=300.0)
        found.append(worst_gap(surface_of(points), gap_limit("3mm/2m")))
    zero, raised = found
    assert zero is not None
    assert raised is not None
    assert raised.value_m == pytest.approx(zero.value_m, abs=1e-4)
    assert raised.error_m == pytest.approx(zero.error_m, rel=0.1)
    assert raised.luck_m < 0.002
    assert raised.value_m == pytest.approx(0.005, abs=2.0 * raised.error_m)


@pytest.mark.parametrize("seed", range(int(os.environ.get("POURDATUM_FLOORS", "10"))))
def test_no_wrong_verdict(seed) -> None:
    """Floors with humps, dips and waves under limits about their true gap: none judged wrongly.

    Each under 12 limits from half to twice its gap. A guard band of 1.645 standard uncertainties
    lets one in twenty be wrong right at the limit; of limits a tenth away and more hardly any.
    """
    rng = np.random.default_rng(500 + seed)
    relief = Relief(
        slope_x=float(rng.normal(0.0, 0.003)),
        humps=tuple(
            Hump(*rng.uniform(0.4, 3.2, 2), rng.normal(0.0, 0.003), rng.uniform(0.4, 1.2))
            for _ in range(5)
        ),
        waves=(Wave(0.0006, rng.uniform(1.2, 4.0), rng.uniform(0.0, 3.0)),),
    )
    surface = made(relief, seed=seed, noise_m=float(rng.choice([0.001, 0.002, 0.004])))
    true = truth_m(relief, 2.0)
    worst = worst_gap(surface, gap_limit("3mm/2m"))
    assert abs(worst.value_m - true) < max(3.0 * worst.error_m, 0.0005)
    for share in np.concatenate([np.linspace(0.5, 0.9, 6), np.linspace(1.1, 2.0, 6)]):
        verdict = decide(worst.value_m, worst.error_m, upper=share * true).verdict
        right = "conforms" if share > 1.0 else "does not conform"
        assert verdict in (right, "undecided")


def test_a_gap_is_known_no_better_than_its_levels() -> None:
    """The standard error of one gap by a closed form, and what it means at half a millimetre.

    A local quadratic of Gaussian weights of width w has the kernel (2 - r²/2w²) exp(-r²/2w²) / 2πw²
    (Fan and Gijbels 1996, from memory), whose square integrates to 2.5 / 4πw². Of D points to 1 m²
    that err by s each, a level errs by s sqrt(2.5 / 4πw²D), and a gap, one level less the mean of
    two, by sqrt(1.5) as much. A phone's 4 mm at 3000 points and the widest fit of 0.16 m: 0.25 mm,
    so that one gap in twenty is out by 0.5 mm whatever is done with it.
    """
    for noise_m, per_m2 in ((0.001, 3000.0), (0.004, 3000.0), (0.004, 12_000.0)):
        surface = made(Relief(), noise_m=noise_m, per_m2=per_m2, seed=12)
        level_m = noise_m * math.sqrt(2.5 / (4.0 * math.pi * 0.16**2 * per_m2))
        typical = float(np.median(surface.standard_error_m[judged(surface)]))
        assert typical == pytest.approx(level_m, rel=0.12)
        found = worst_gap(surface, gap_limit("3mm/2m"))
        assert found.error_m >= 0.9 * math.sqrt(1.5) * level_m
    assert 0.004 * math.sqrt(1.5 * 2.5 / (4.0 * math.pi * 0.16**2 * 3000.0)) == pytest.approx(
        0.00025, abs=5e-6
    )


def test_the_worst_lies_where_the_floor_is_worst() -> None:
    """A broad trough along x: the worst straightedge lies across it, over its middle."""
    relief = Relief(waves=(Wave(0.003, 3.4, math.pi / 2, math.pi),))
    one = check_flatness(made(relief), ["3mm/2m"])[0]
    assert one.verdict == "does not conform"
    # -3 sin(2 pi y / 3.4) mm has its trough at y = 0.85, and a straightedge reaches to the wall.
    assert one.worst.place_m[1] == pytest.approx(1.05, abs=0.25)
    turn = math.degrees(one.worst.bearing_rad) % 180.0
    assert min(turn, 180.0 - turn) < 31.0
    grid = Grid(0.0, 0.0, 0.025, 137, 185)
    laid = lay_everywhere(grid, np.ones(grid.shape, bool), 2.0)
    gaps = [one.gap_m for one in rests(grid, relief.height(*grid.mesh()), laid)]
    within = float((np.concatenate(gaps) <= 0.003).mean())
    assert one.share_within == pytest.approx(within, abs=0.02)
    assert within < 0.97
    assert one.value == pytest.approx(truth_m(relief, 2.0), abs=0.0005)


def test_a_slope_is_flat_and_a_hump_rocks() -> None:
    """8 mm per m of slope is no gap; over a broad hump the straightedge rocks, and that is said."""
    slope = check_flatness(made(Relief(slope_x=0.008), noise_m=0.0008), ["3mm/2m"])[0]
    assert slope.verdict == "conforms"
    assert "rocks" not in slope.said
    crest = Relief(humps=(Hump(2.3, 1.7, 0.03, 6.0, "cap"),))
    hump = check_flatness(made(crest, noise_m=0.0008), ["0.5mm/2m"])[0]
    assert hump.verdict == "conforms"
    assert "rocks on humps" in hump.said


@pytest.mark.parametrize(("side_m", "verdict"), [(0.6, "conforms"), (1.2, "undecided")])
def test_floor_that_was_not_seen_is_not_judged(side_m: float, verdict: str, seed: int) -> None:
    """A dip of 20 mm under a crate fails nothing; where nothing was laid is told: lift the crate.

    One fault anywhere lies under it with the chance of its share of the floor: up to one in twenty
    the rest of the floor conforms, as the guard band would have it, beyond that nobody knows.
    """
    x, y = 2.2, 1.6
    crate = shapely.box(x - side_m / 2, y - side_m / 2, x + side_m / 2, y + side_m / 2)
    share = crate.area / ROOM.area
    assert (share > 0.06) == (verdict == "undecided")
    assert share > 0.06 or share < 0.04
    relief = Relief(humps=(Hump(x, y, -0.02, 0.45 * side_m, "cosine"),))
    surface = made(relief, things=((crate, 0.5),), noise_m=0.001, seed=seed)
    one = check_flatness(surface, ["2mm/1m"])[0]
    assert one.verdict == verdict
    assert one.value < 0.0015
    said = one.why or one.caveat
    assert "lay a straightedge there" in said or "lay one there" in said
    assert any(f"m² about (2.{tenth}" in said for tenth in (0, 1, 2, 3)), said
    everywhere = check_flatness(made(relief, noise_m=0.001, seed=seed), ["2mm/1m"])[0]
    assert everywhere.verdict == "does not conform"


def test_the_place_that_could_hide_a_gap_is_told(seed: int) -> None:
    """A crate drawn anywhere: its middle and area; slits that a straightedge bridges are none."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0.7, 3.3), rng.uniform(0.7, 2.3)
    wide, deep = rng.uniform(0.3, 0.7, 2)
    crate = shapely.box(x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2)
    slit = shapely.box(0.0, 0.3, 1.0, 0.34)
    surface = made(Relief(), things=((crate, 0.5),), noise_m=0.001, seed=seed)
    limit = gap_limit("3mm/1m")
    hidden = worst_gap(surface, limit).unreached
    assert hidden is not None, (x, y, wide, deep)
    assert hidden.places == 1
    assert math.dist(hidden.place_m, (x, y)) < 0.1, (x, y, wide, deep)
    assert hidden.largest_m2 == pytest.approx(crate.area, abs=0.08 * 2 * (wide + deep))
    assert worst_gap(made(Relief(), noise_m=0.001, seed=seed), limit).unreached is None
    narrow = made(Relief(), things=((slit, 0.5),), noise_m=0.001, seed=seed)
    assert worst_gap(narrow, limit).unreached is None


def test_a_grid_whose_readings_lie_on_unseen_floor_is_left_open() -> None:
    """Of a grid of 1 m some straightedges would lie across a crate: they were not laid."""
    crate = shapely.box(1.9, 1.3, 2.7, 2.1)
    surface = made(Relief(), things=((crate, 0.5),), noise_m=0.001, seed=5)
    strict, lenient = check_flatness(surface, ["3mm/1m@grid1m", "3mm/1m@grid1m,50%"])
    assert strict.verdict == "undecided"
    assert "straightedges would lie on floor" in strict.why
    assert lenient.verdict == "conforms"
    clear = check_flatness(made(Relief(), noise_m=0.001, seed=5), ["3mm/1m@grid1m"])[0]
    assert clear.verdict == "conforms"


def test_bending_of_the_scan_counts_and_its_tilt_does_not() -> None:
    """A scan bent by 20 mm cannot prove 3 mm under 3 m; one tilted by 10 mm per m can."""
    surface = made(Relief(), noise_m=0.001)
    bent = replace(surface, shared=SharedError(0.0, 0.02, 0.0, "bent"))
    tilted = replace(surface, shared=SharedError(0.01, 0.0, 0.0, "tilted"))
    assert check_flatness(bent, ["3mm/3m"])[0].verdict == "undecided"
    assert check_flatness(tilted, ["3mm/3m"])[0].verdict == "conforms"


def test_a_floor_too_small_or_levels_alone_decide_nothing() -> None:
    """Five metres fit nowhere; between levels shot singly nothing was seen."""
    one = check_flatness(made(Relief()), ["3mm/8m"])[0]
    assert (one.verdict, one.value, one.limit) == ("undecided", None, 0.003)
    assert "no straightedge of 8 m fits" in one.said
    single = SimpleNamespace(smoother=None, shared=EXACT, nibs=())
    found = check_flatness(single, ALL)
    assert {one.verdict for one in found} == {"undecided"}
    assert all("shot singly" in one.said for one in found)


def test_unknown_criteria_are_said_and_asked_ones_keep_their_words() -> None:
    """What we have no figures for is not known, in its place, and the rest is judged."""
    found = check_flatness(made(Relief()), ["DIN18202:6", "5.0mm/2.00m", "5.0mm/2.00m"])
    assert [one.criterion for one in found] == ["DIN18202:6", "5.0mm/2.00m"]
    assert (found[0].source, found[0].limit, found[0].verdict) == (NOT_KNOWN, None, "undecided")
    assert found[1].limit == 0.005


def test_the_rule_of_the_contract_decides() -> None:
    """Near the limit: guarded is undecided, simple and shared go by the value."""
    relief = Relief(humps=(Hump(2.3, 1.7, -0.004, 0.6, "cosine"),))
    surface = made(relief, noise_m=0.004, seed=3)
    value = check_flatness(surface, ["4mm/2m"])[0].value
    asked = f"{value * MM + 0.2:.2f}mm/2m"
    guarded, simple, shared, strict = (
        check_flatness(surface, [asked], rule)[0].verdict
        for rule in (
            None, Rule("simple"), Rule("shared", most_uncertainty=0.01),
            Rule("shared", most_uncertainty=1e-6),
        )
    )  # fmt: skip
    assert (guarded, simple, shared, strict) == (
        "undecided", "conforms", "conforms", "undecided",
    )  # fmt: skip
    assert "shared risk" in rule_in_words(Rule("shared", most_uncertainty=0.001))
    assert "at most 1 mm" in rule_in_words(Rule("shared", most_uncertainty=0.001))


def test_din_18202_holds_short_dips_to_short_limits(seed: int) -> None:
    """A dip of 4 mm over 0.6 m: line 3 allows 3 mm there and 6 mm under 2 m.

    A straightedge over it that any bend of the scan tips off it was taken for a doubt of 4.6 mm.
    """
    relief = Relief(humps=(Hump(2.3, 1.7, -0.0045, 0.3, "cosine"),))
    surface = made(relief, seed=seed, noise_m=0.0008, per_m2=6000.0)
    found = {
        one.criterion: one
        for one in check_flatness(surface, ["6mm/2m", "DIN18202:3", "DIN18202:2"])
    }
    assert found["6mm/2m"].verdict == "conforms"
    assert found["6mm/2m"].uncertainty is not None
    assert found["6mm/2m"].uncertainty < 0.0015
    assert found["DIN18202:3"].verdict == "does not conform"
    assert found["DIN18202:3"].limit == pytest.approx(0.003, abs=0.0005)
    assert found["DIN18202:2"].verdict == "conforms"


def test_luck_drawn_in_a_window_is_that_of_the_whole_floor(monkeypatch) -> None:
    """On 17 by 13 m of noise, drawn in a window of 7 m, within a third of what the whole gives.

    Both are means of four draws, each of which spreads by about a tenth.
    """
    surface = made(Relief(), room=shapely.box(0.0, 0.0, 17.0, 13.0), per_m2=700.0, seed=8)
    limit = gap_limit("3mm/2m")
    monkeypatch.setattr(gapluck, "_WINDOW_M", 7.0)
    part = worst_gap(surface, limit, 4)
    monkeypatch.setattr(gapluck, "_WINDOW_M", 100.0)
    worstgap._searched.cache_clear()
    whole = worst_gap(surface, limit, 4)
    assert part.as_read_m == whole.as_read_m
    assert part.luck_m == pytest.approx(whole.luck_m, rel=0.33)
    assert max(part.value_m, whole.value_m) < 0.5 * whole.as_read_m
    assert check_flatness(surface, ["3mm/2m"])[0].verdict == "conforms"


# --- lines of levels -----------------------------------------------------------------------------


def test_lines_keep_clear_of_what_ends_the_slab() -> None:
    """2 ft from walls and a day joint, 4 ft apart, 12 in from level to level, 11 ft and longer."""
    joint = Joint("day", np.array([[3.0, 0.0], [3.0, 7.0]]))
    crack = Joint("crack", np.array([[6.0, 0.0], [6.0, 7.0]]))
    lines = floor_lines(large_room(), (joint, crack))
    assert len(lines) > 5
    clear = shapely.box(0.0, 0.0, 9.0, 7.0).buffer(-0.6096 + 0.02)
    for one in lines:
        path = shapely.LineString(one.place_m)
        assert clear.covers(path)
        assert path.distance(shapely.LineString(joint.points_m)) >= 0.6096 - 1e-5
        assert path.length >= 11.0 * 0.3048 - 1e-6
        steps = np.hypot(*np.diff(one.place_m, axis=0).T)
        assert steps == pytest.approx(np.full(steps.size, 0.3048))
    upright = sorted(one.place_m[0, 0] for one in lines if abs(math.sin(one.bearing_rad)) < 0.1)
    assert np.diff(upright).min() >= 1.219
    assert any(abs(x - 6.0) < 0.7 for x in upright)


def test_levels_of_wide_fits_err_together_as_stated() -> None:
    """The kernel of a local quadratic of 4 cells, as one high cell shows it, against itself.

    To 0.02, for kernels are cut off where they are small and stand on cells.
    """
    spike = np.zeros((121, 121))
    spike[60, 60] = 1.0
    kernel = local_fit(np.full(spike.shape, 5.0), 4.0).height(spike)[15:-15, 15:-15]
    for apart in (2, 4, 8, 12):
        seen = float((kernel[:, apart:] * kernel[:, :-apart]).sum() / (kernel**2).sum())
        assert seen == pytest.approx(float(overlap(np.array(apart**2 / 64.0))), abs=0.02)


def test_f_numbers_of_a_plane_are_those_of_its_slope() -> None:
    """2 mm per m along x, read at 45°: every fall over 10 ft is 6.096 mm / sqrt(2).

    A room of 9 by 7 m is narrower than 7.5 m, so its lines run at 45° (E1155M 8.2.3, as quoted by
    the worksheet of e1155_worked_example.json). FL is 12.5 in over 4.31 mm = 73.7.
    """
    found = check_flatness(large_room(), ["E1155:FF35/FL25"])
    assert [one.part for one in found] == ["FF", "FL"]
    expected = 12.5 * INCH_M / (10 * 0.3048 * 0.002 * math.sqrt(0.5))
    assert found[1].value == pytest.approx(expected, rel=0.03)
    assert found[1].verdict == "conforms"
    # The least of a dozen lines by themselves: a short one keeps its own noise.
    assert 0.9 * expected < found[1].worst.value < 1.02 * expected
    assert found[0].verdict == "conforms"
    steep = check_flatness(large_room(), [f"E1155:FF20/FL{1.3 * expected:.1f}"])[1]
    assert steep.verdict == "does not conform"


def test_an_f_number_is_that_of_all_layings_and_none_over_100_is_told(seed: int) -> None:
    """The headline is the root mean square of 1/F over a dozen layings (E1155, clause 9, from
    memory), and its lines are told; of a flat floor only that it is 100 or more.
    """
    rng = np.random.default_rng(seed)
    room = shapely.box(0.0, 0.0, 9.0, 7.0)
    points = walled(room, rng, per_m2=2500.0, height=thirty_waves(rng), noise_m=0.0004)
    surface = surface_of(points)
    flat = check_flatness(surface, ["E1155:FF35/FL25"])[0]
    read = []
    for moved in ((0.0, 0.0), *ELSEWHERE):
        (whole,) = sections_of(surface.floor.outline, (), None)
        lines = [one.line for one in section_lines(surface, whole, (), moved)]
        number = f_numbers(lines, tilt_rad=surface.shared.tilt_rad).flatness
        read.append(number.value if isinstance(number, FNumber) else number.as_read)
    expected = float(np.mean([one**-2.0 for one in read])) ** -0.5
    assert flat.value == pytest.approx(expected, rel=1e-9)
    assert min(read) < flat.value < max(read)
    assert sum(one.levels - 2 for one in flat.lines) == flat.readings
    assert all(one.length_m == pytest.approx((one.levels - 1) * 0.3048) for one in flat.lines)
    level = surface_of(walled(room, rng, per_m2=2500.0, noise_m=0.0004))
    flat = check_flatness(level, ["E1155:FF35/FL25"])[0]
    assert (flat.value, flat.at_least, flat.verdict) == (100.0, True, "conforms")


def test_nibs_leave_an_f_number_open(seed: int) -> None:
    """Three droppings of 12 mm beside lines: those that meet them read FF 8, not 100."""

    def dotted(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        out = np.zeros(x.shape)
        for at in ((1.5, 1.2), (6.4, 2.6), (2.5, 5.2)):
            off = np.hypot(x - at[0], y - at[1])
            out = np.maximum(out, 0.012 * np.sqrt(np.clip(1 - (off / 0.04) ** 2, 0, 1)))
        return out

    rng = np.random.default_rng(seed)
    room = shapely.box(0.0, 0.0, 9.0, 7.0)
    surface = surface_of(walled(room, rng, per_m2=9000.0, height=dotted, wall_per_m2=300.0))
    assert len(surface.nibs) == 3
    flat = check_flatness(surface, ["E1155:FF35/FL25"])[0]
    assert flat.verdict == "undecided"
    assert "3 nibs stand on it" in flat.why


def test_without_a_vertical_levelness_is_undecided() -> None:
    """FL and E need a vertical; FF and F do not."""
    found = check_flatness(large_room(), ["E1155:FF35/FL25", "TR34:FM1"], level_known=False)
    assert [one.verdict for one in found] == ["conforms", "undecided", "undecided", "conforms"]
    assert "no vertical" in found[1].said


def test_free_movement_on_a_plane_and_on_a_wave() -> None:
    """2 mm per m falls 6 mm over 3 m and changes by nothing over 300 mm; a wave by its formula.

    A wave of amplitude a and length w changes by up to 4 a sin²(0.3 pi / w) (TR34 FM1: 4.5 and
    1.8 mm). 95 in 100 of a sine's readings keep sin(0.95 pi / 2) = 0.997 of that.
    """
    e, f = check_flatness(large_room(), ["TR34:FM1"])
    assert e.value == pytest.approx(0.006, abs=0.0004)
    assert e.verdict == "does not conform"
    assert f.verdict == "conforms"
    assert f.value < 0.0003
    relief = Relief(waves=(Wave(0.0015, 1.1),))
    room = shapely.box(0.0, 0.0, 9.0, 4.0)
    wavy = replace(made(relief, room=room, noise_m=0.0008), shared=EXACT)
    most = 4 * 0.0015 * math.sin(0.3 * math.pi / 1.1) ** 2
    along = [
        one for one in floor_lines(wavy, (), Lay(0.3, 3.0, 0.15, 0.6))
        if abs(math.sin(one.bearing_rad)) > 0.5
    ]  # fmt: skip
    bends = np.concatenate([np.diff(np.asarray(one.line.height_m), 2) for one in along])
    assert np.abs(bends).max() == pytest.approx(most, abs=0.0004)
    verdict = check_flatness(wavy, ["TR34:FM1"])[1]
    assert verdict.verdict == "does not conform"
    assert verdict.value == pytest.approx(most, rel=0.15)


@pytest.mark.parametrize("seed", [502, 503])
def test_free_movement_of_short_waves_lies_within_its_doubt(seed) -> None:
    """Waves of 1.5 m, half a millimetre high: smoothing takes 4 % of F, and the ± says so.

    The truth is the formula on a grid of 3 m, and every 300 mm along its lines, even about the
    middle of the room; the weights are those of TR34 as ``freemove`` states them, from memory.
    """
    rng = np.random.default_rng(seed)
    a, b, c = rng.uniform(0.001, 0.003, 3)
    p = rng.uniform(0.0, 6.0, 3)

    def waves(x, y):
        x, y = np.asarray(x), np.asarray(y)
        long = a * np.sin(math.tau * x / 4.0 + p[0]) + b * np.cos(math.tau * y / 5.0 + p[1])
        return long + 0.3 * c * np.sin(math.tau * (x + y) / 1.5 + p[2])

    def even(side_m, step_m):
        steps = int((side_m - 0.3) // step_m)
        return 0.5 * (side_m - steps * step_m) + step_m * np.arange(steps + 1)

    room = shapely.box(0.0, 0.0, 14.0, 11.0)
    points = walled(room, rng, per_m2=1500.0, height=waves, noise_m=0.0003, wall_per_m2=200.0)
    found = movements(surface_of(points), limit_of("TR34:FM2"))["F"]
    rows = [waves(even(14.0, 0.3), y) for y in even(11.0, 3.0)]
    rows += [waves(x, even(11.0, 0.3)) for x in even(14.0, 3.0)]
    bends = np.concatenate([np.abs(np.diff(row, 2)) for row in rows])
    assert found.readings == bends.size
    assert abs(found.value_m - np.quantile(bends, 0.95)) < 1.96 * found.error_m
    assert 1.96 * found.error_m < 0.15 * found.value_m


def test_free_movement_tells_what_other_layings_of_its_grid_say(seed: int) -> None:
    """A wave of 6 m and amplitude a reads 2 a |sin p| on a grid of 3 m that begins at its phase p.

    Neighbours half a wave apart are as far off the middle, on either side of it; along y nothing
    moves. A twelfth of 3 m is 15° of phase, so twelve layings reach sin 82.5° of 2 a and sin 7.5°.
    At 3 mm that is 0.8 to 5.9 mm about the 4.5 mm of FM1: where the grid lies decides, and no
    floor is passed or failed by that. 1 mm keeps it wherever.
    """
    room = shapely.box(0.0, 0.0, 14.0, 8.0)
    rng = np.random.default_rng(seed)
    # The grid of 3 m lies even in 13.7 m: its first node stands 1 m from the wall.
    off = math.asin(rng.uniform(0.15, 0.3))
    for a_m, verdict in ((0.003, "undecided"), (0.001, "conforms")):
        wave = Relief(waves=(Wave(a_m, 6.0, 0.0, off - math.tau / 6.0),))
        points = walled(
            room, rng, per_m2=1500.0, height=wave.height, noise_m=0.0005, wall_per_m2=200.0
        )
        surface = replace(surface_of(points), shared=EXACT)
        assert Relief(waves=wave.waves).height(1.0, 2.0) == pytest.approx(a_m * math.sin(off))
        e, f = check_flatness(surface, ["TR34:FM1"])
        assert e.value == pytest.approx(2.0 * a_m * math.sin(off), abs=0.0003)
        low, high = e.interval
        assert low <= 2.0 * a_m * math.sin(math.radians(7.5)) + 0.0003
        assert high >= 2.0 * a_m * math.sin(math.radians(82.5)) - 0.0003
        assert e.uncertainty == pytest.approx(max(e.value - low, high - e.value))
        assert e.verdict == verdict
        assert "11 other layings of the grid give" in e.said
        assert ("where it is laid would decide" in e.why) == (verdict == "undecided")
        assert f.interval[1] < 2.0 * limit_of("TR34:FM1").f_m
    assert check_flatness(surface, ["TR34:FM1"], Rule("simple"))[0].verdict == "conforms"


def test_too_few_readings_decide_no_f_number() -> None:
    """Lines of 3.8 and 3.4 m hold 11 and 10 curvatures, but three and two falls of ten feet.

    Seven such lines have enough of the first and too few of the second: twice the root of 248 ft²
    are 32 readings (ASTM E1155, clause 7, from memory).
    """
    relief = Relief(waves=(Wave(0.0004, 2.5, 0.4, 0.1),))
    small = made(relief, room=shapely.box(0.0, 0.0, 5.0, 4.6))
    assert least_readings(5.0 * 4.6) == 32
    flat, level = check_flatness(small, ["E1155:FF10/FL10"])
    assert "too few" not in flat.said
    assert level.verdict == "undecided"
    assert "too few to judge by: 32" in level.said


def test_why_a_number_is_undecided_is_one_sentence() -> None:
    """Too few readings, an interval over the limit, few samples: each says its own reason."""
    few = check_flatness(large_room(), ["E1155:FF10/FL10"], section_m=4.5)
    level = next(one for one in few if one.part == "FL")
    assert level.verdict == "undecided"
    assert "are too few" in level.why
    wide = check_flatness(made(Relief(), noise_m=0.004), ["0.3mm/2m"])[0]
    assert wide.verdict == "undecided"
    assert wide.why.startswith("this scan knows it to")
    assert wide.why in wide.said
    assert check_flatness(made(Relief()), ["8mm/2m"])[0].why == ""


def test_a_share_of_few_places_and_many_readings_are_told_in_full() -> None:
    """95 % of 18 leave none; a thousand readings to 1 m² are 100000 to 100 m², and do not fit."""
    share, many = check_flatness(large_room(), ["3mm/2m@grid3m,95%", "3mm/2m@1000per1m2"])
    assert share.readings < 20
    assert "of so few, 95 % leave none that may exceed" in share.said
    assert "100000 readings to 100 m²" in many.source
    assert many.verdict == "undecided"
