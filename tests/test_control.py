"""Control shots: what they take out of a scan, what they leave, and which of them is wrong."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import shapely
import shapely.affinity
from numpy.typing import NDArray

from pourdatum import drift as drifting
from pourdatum.control import level_by_control
from pourdatum.controlwords import notes_on
from pourdatum.corner import find_corner
from pourdatum.drift import Drift, fit_drift, what_is_left
from pourdatum.driftguess import Guess, guesses
from pourdatum.errors import JobError
from pourdatum.grid import Grid
from pourdatum.shots import ControlFit, Shot
from pourdatum.surface import Surface
from pourdatum.uncertainty import SENSORS, SharedError

Array = NDArray[np.float64]

MOBILE, TRIPOD = SENSORS["mobile"], SENSORS["tripod"]
SIDE_M = 6.0
SIX = np.array([[0.4, 0.4], [5.6, 0.4], [0.4, 5.6], [5.6, 5.6], [0.4, 3.0], [5.6, 3.0]])
EIGHT = np.array([*SIX, [2.2, 2.9], [3.9, 3.2]])
MIDDLE, REACH_M = (3.0, 3.0), math.hypot(3.0, 3.0)
TILT = math.tan(math.radians(0.2))
RAYLEIGH_95 = math.sqrt(-2.0 * math.log(0.05))


def relief(x: Array, y: Array) -> Array:
    """The true floor, local level [m]: a slope and a long wave."""
    return 0.0006 * x - 0.0004 * y + 0.002 * np.sin(1.1 * x) * np.cos(0.8 * y)


def surface_of(wrong: Any, *, shared: SharedError = MOBILE, error_m: float = 1e-6) -> Surface:
    """A scan of the floor that is out by ``wrong(x, y)``; hidden floor beyond (5, 5)."""
    cell_m = 0.05
    n = round(SIDE_M / cell_m) + 4
    grid = Grid(-1.5 * cell_m, -1.5 * cell_m, cell_m, n, n)
    x, y = grid.mesh()
    outline = shapely.box(0, 0, SIDE_M, SIDE_M)
    inside = shapely.contains_xy(outline, x, y)
    hidden = inside & (abs(x - 4.6) < 0.3) & (abs(y - 4.6) < 0.3)
    floor: Any = SimpleNamespace(outline=outline)
    smoother: Any = None
    return Surface(
        grid, relief(x, y) + wrong(x, y), np.full(grid.shape, error_m), np.ones(grid.shape),
        inside & ~hidden, hidden, shared, floor, (100.0, 200.0, 12.0), (), 35.64, 0.36, smoother,
        np.full(grid.shape, 0.005),
    )  # fmt: skip


def shots_on(places: Array, *, error_m: float = 0.0005, off_m: Any = 0.0) -> list[Shot]:
    """Shots of the true floor, wrong by ``off_m``."""
    level = relief(places[:, 0], places[:, 1]) + np.broadcast_to(off_m, len(places))
    return [
        Shot(f"P{number}", (float(x), float(y)), float(z), error_m)
        for number, ((x, y), z) in enumerate(zip(places, level, strict=True), 1)
    ]


def tilted(x: Array, y: Array) -> Array:
    """0.2 degrees, too high towards +x and a little -y."""
    return TILT * (0.96 * (x - 3.0) - 0.28 * (y - 3.0))


def still(x: Array, y: Array) -> Array:
    """A scan that is right."""
    return np.zeros(np.broadcast(x, y).shape)


def fit_of(surface: Surface) -> ControlFit:
    """What control did to a surface."""
    assert surface.control is not None
    return surface.control


def slope_left(surface: Surface) -> float:
    """Steepness of the plane through what is still wrong [m/m]."""
    x, y = surface.grid.mesh()
    inside = surface.measured | surface.inferred
    left = (surface.height_m + surface.origin_m[2] - 12.0 - relief(x, y))[inside]
    design = np.column_stack([np.ones(left.size), x[inside], y[inside]])
    found, *_ = np.linalg.lstsq(design, left, rcond=None)
    return float(np.hypot(found[1], found[2]))


def drift_of(places: Array, lack: Array, own: Array, shared: SharedError) -> Drift:
    """The drift over the square floor of these tests."""
    return fit_drift(places, lack, own, shared, middle_m=MIDDLE, reach_m=REACH_M)


# Tilt and offset.


def test_three_shots_take_out_a_tilt() -> None:
    """Three shots without error: tilt, bearing and offset are those put in, levels are true."""
    scanned = surface_of(lambda x, y: tilted(x, y) + 0.004)
    levelled = level_by_control(scanned, shots_on(SIX[[0, 1, 2]]))
    fit = fit_of(levelled)
    assert fit.tilt == pytest.approx(TILT, rel=1e-3)
    assert fit.tilt_bearing_rad == pytest.approx(math.atan2(0.96, -0.28), abs=1e-3)
    assert fit.offset_m == pytest.approx(-0.004, abs=2e-5)
    assert slope_left(levelled) < 2e-6
    assert fit.rms_m < 1e-9
    assert [shot.leave_one_out_m for shot in fit.shots] == [None] * 3
    assert fit.leave_one_out_rms_m is None
    assert levelled.shared.source == "3 control shots"


def test_what_a_surface_was_is_left_alone() -> None:
    """Heights change; errors of cells, masks and the scanned surface itself do not."""
    scanned = surface_of(tilted)
    before = scanned.height_m.copy()
    levelled = level_by_control(scanned, shots_on(SIX))
    assert np.array_equal(scanned.height_m, before)
    assert levelled.standard_error_m is scanned.standard_error_m
    assert fit_of(levelled).before == MOBILE
    assert levelled.shared.tilt_rad < 0.2 * MOBILE.tilt_rad


def test_levels_of_another_datum_move_the_levels_and_nothing_else() -> None:
    """All levels 88.123 m higher: local heights are the same, the origin is 88.123 m higher."""
    scanned = surface_of(tilted)
    low = level_by_control(scanned, shots_on(SIX))
    high = level_by_control(scanned, shots_on(SIX, off_m=88.123))
    assert high.height_m == pytest.approx(low.height_m, abs=1e-9)
    assert high.origin_m[2] - low.origin_m[2] == pytest.approx(88.123, abs=1e-9)
    assert fit_of(high).shots[0].z_m == pytest.approx(fit_of(low).shots[0].z_m, abs=1e-9)
    assert "+88.12" in " ".join(notes_on(high)[1])


def test_without_a_benchmark_the_height_stays_the_scans_own() -> None:
    """Levels that hang on nothing take the tilt out and leave the mean level of the floor."""
    scanned = surface_of(tilted)
    levelled = level_by_control(scanned, shots_on(SIX, off_m=-1.5), has_level=False)
    inside = scanned.measured | scanned.inferred
    assert levelled.origin_m == scanned.origin_m
    assert levelled.height_m[inside].mean() == pytest.approx(
        scanned.height_m[inside].mean(), abs=1e-12
    )
    assert slope_left(levelled) < 5e-5
    assert fit_of(levelled).offset_m is None
    assert levelled.shared.datum_m == scanned.shared.datum_m
    assert any("stays the scan's own" in text for text in notes_on(levelled)[1])


def test_order_and_names_of_shots_do_not_matter() -> None:
    """Shots in another order give the same heights."""
    rng = np.random.default_rng(5)
    shots = shots_on(EIGHT, off_m=rng.normal(0, 0.0005, 8))
    scanned = surface_of(lambda x, y: tilted(x, y) + 0.002 * np.cos(0.5 * x))
    one = level_by_control(scanned, shots)
    other = level_by_control(scanned, shots[::-1])
    assert other.height_m == pytest.approx(one.height_m, abs=1e-9)
    assert other.shared.tilt_rad == pytest.approx(one.shared.tilt_rad, rel=1e-6)


def test_the_staff_stands_between_cell_centres() -> None:
    """On a slope of 20 mm per m a shot half a cell off a centre is no 0.5 mm off."""
    steep = surface_of(lambda x, y: 0.02 * x + 0.02 * y)
    places = SIX + 0.024
    levelled = level_by_control(steep, shots_on(places))
    assert fit_of(levelled).rms_m < 2e-5
    assert slope_left(levelled) < 2e-5


def test_a_compensator_keeps_its_say() -> None:
    """On a tripod scan that is right, shots of 0.5 mm do not make the level worse."""
    rng = np.random.default_rng(3)
    left = []
    for _ in range(40):
        shots = shots_on(SIX, off_m=rng.normal(0, 0.0005, 6))
        levelled = level_by_control(surface_of(still, shared=TRIPOD), shots)
        left.append(slope_left(levelled))
    assert np.median(left) < 0.00005
    # One that leans all the same is put upright.
    leaning = level_by_control(surface_of(tilted, shared=TRIPOD), shots_on(SIX))
    assert slope_left(leaning) < 2e-5


# The arithmetic against brute force.


@pytest.mark.parametrize("shared", [MOBILE, TRIPOD], ids=["mobile", "tripod"])
def test_leaving_one_out_is_what_a_fit_without_it_says(shared: SharedError) -> None:
    """Closed form against fitting n - 1 levels and asking for the one left out."""
    rng = np.random.default_rng(8)
    lack = 0.003 * EIGHT[:, 0] + 0.002 * np.sin(EIGHT[:, 1]) + rng.normal(0, 0.0005, 8)
    own = np.diag(rng.uniform(0.0004, 0.0009, 8) ** 2)
    whole = drift_of(EIGHT, lack, own, shared)
    for k in range(8):
        rest = np.arange(8) != k
        part = drift_of(EIGHT[rest], lack[rest], own[np.ix_(rest, rest)], shared)
        found = lack[k] - float(part.at(EIGHT[k, 0], EIGHT[k, 1]))
        assert whole.leave_one_out_m[k] == pytest.approx(found, abs=1e-9)


def dense(guess: Guess, places: Array, nodes: Array, own: Array) -> tuple[Array, Array]:
    """Gain and covariance at nodes by conditioning one joint normal, its trend as good as free."""
    every = np.concatenate([places, nodes])
    off = every - np.array(MIDDLE)
    apart = ((off[:, None] - off[None]) ** 2).sum(axis=2)
    around = (off**2).sum(axis=1) / REACH_M**2
    wide = 1e2
    joint = guess.size_m**2 * np.exp(-apart / (2 * guess.length_m**2))
    joint += guess.bowl_m**2 * np.outer(around, around) + wide**2
    joint += (wide if guess.tilt_rad is None else guess.tilt_rad) ** 2 * off @ off.T
    n = len(places)
    gain = joint[n:, :n] @ np.linalg.inv(joint[:n, :n] + own)
    return gain, joint[n:, n:] - gain @ joint[:n, n:]


@pytest.mark.parametrize(
    "guess",
    [
        Guess(0.004, 3.0, 0.0, None, 1.0),
        Guess(0.003, 5.0, 0.002, None, 1.0),
        Guess(0.002, 3.0, 0.0, 0.001, 1.0),
    ],
    ids=["field", "bowl", "compensated"],
)
def test_what_is_left_is_the_covariance_of_a_joint_normal(
    guess: Guess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One guess: field, tilt, warp and mean against plain conditioning in scaled units."""
    monkeypatch.setattr(drifting, "guesses", lambda shared: (guess,))
    own = 0.0006**2 * np.eye(6)
    lack = np.array([0.001, -0.002, 0.0005, 0.003, 0.0, -0.001])
    axis = np.linspace(0.3, 5.7, 7)
    nodes = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    found = drift_of(SIX, lack, own, MOBILE)
    # In millimetres, so that the wide prior does not drown the digits.
    scaled = replace(
        guess,
        size_m=guess.size_m * 1e3,
        bowl_m=guess.bowl_m * 1e3,
        tilt_rad=None if guess.tilt_rad is None else guess.tilt_rad * 1e3,
    )
    gain, covariance = dense(scaled, SIX, nodes, own * 1e6)
    assert found.at(nodes[:, 0], nodes[:, 1]) == pytest.approx(gain @ lack, abs=2e-6)
    left = what_is_left(found, nodes)
    design = np.column_stack([np.ones(len(nodes)), nodes - nodes.mean(axis=0)])
    plane_of = np.linalg.pinv(design)
    plane = plane_of @ covariance @ plane_of.T
    rest = np.eye(len(nodes)) - design @ plane_of
    assert left.tilt_rad * 1e3 == pytest.approx(np.linalg.eigvalsh(plane[1:, 1:])[-1] ** 0.5,
                                                rel=1e-3)  # fmt: skip
    assert left.mean_m * 1e3 == pytest.approx(plane[0, 0] ** 0.5, rel=1e-3)
    warp = np.trace(rest @ covariance @ rest) / len(nodes)
    assert left.warp_m * 1e3 == pytest.approx(warp**0.5, rel=1e-3)


def test_levels_on_a_plane_leave_next_to_no_warp() -> None:
    """Eight levels that agree with a plane to 0.3 mm speak against a warp of 3 mm."""
    rng = np.random.default_rng(2)
    own = 0.0005**2 * np.eye(8)
    calm = drift_of(EIGHT, 0.002 * EIGHT[:, 0] + rng.normal(0, 0.0003, 8), own, MOBILE)
    bent = drift_of(EIGHT, 0.003 * np.cos(0.5 * EIGHT[:, 0]), own, MOBILE)
    axis = np.linspace(0.3, 5.7, 9)
    nodes = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    assert what_is_left(calm, nodes).warp_m < 0.0006
    field = bent.at(nodes[:, 0], nodes[:, 1])
    assert np.std(field - 0.003 * np.cos(0.5 * nodes[:, 0])) < 0.0004


# How much is left, and whether the stated uncertainty covers it.


def random_wrong(rng: np.random.Generator, warp_m: float) -> Any:
    """A tilt of 0.2 degrees any way, and two long waves as hand-held scans have them."""
    turn = rng.uniform(0, math.tau)
    slope = TILT * np.array([math.cos(turn), math.sin(turn)])
    toward, first, second = rng.uniform(0, math.tau, 3)

    def wrong(x: Array, y: Array) -> Array:
        out = slope[0] * (x - 3) + slope[1] * (y - 3)
        for length, way, phase in ((12.0, toward, first), (16.4, toward + 1.9, second)):
            along = x * math.cos(way) + y * math.sin(way)
            out = out + 0.5 * warp_m * np.sin(math.tau * along / length + phase)
        return out

    return wrong


@pytest.mark.parametrize(("warp_m", "limit"), [(0.003, 0.0005), (0.0, 0.0002)])
def test_six_shots_level_a_hand_held_scan(warp_m: float, limit: float) -> None:
    """Issue: 0.2 degrees and 3 mm of warp come below 0.5 mm per m, below 0.2 without warp.

    Without warp the shots' own errors of 0.5 mm bound what any arithmetic can do: the slope
    of a least-squares plane, which is the best there is then, is the measure.
    """
    rng = np.random.default_rng(20 + round(warp_m * 1e3))
    left, stated, plain = [], [], []
    for _ in range(60):
        off = rng.normal(0, 0.0005, 6)
        levelled = level_by_control(surface_of(random_wrong(rng, warp_m)), shots_on(SIX, off_m=off))
        left.append(slope_left(levelled))
        stated.append(RAYLEIGH_95 * levelled.shared.tilt_rad)
        fitted, *_ = np.linalg.lstsq(np.column_stack([np.ones(6), SIX]), off, rcond=None)
        plain.append(np.hypot(fitted[1], fitted[2]))
    share = np.mean(np.array(left) < limit)
    bound = 1.0 if warp_m else np.mean(np.array(plain) < limit)
    assert share >= min(0.95, bound - 0.04)
    assert np.median(left) < 0.6 * limit
    assert np.mean(np.array(left) <= np.array(stated)) >= 0.9


def test_the_stated_uncertainty_covers_what_is_left() -> None:
    """Scans drawn from what is thought of a hand-held one: 95 % intervals hold in 90 to 99 %."""
    rng = np.random.default_rng(11)
    before = guesses(MOBILE)
    weights = np.array([guess.weight for guess in before])
    axis = np.linspace(0.2, 5.8, 10)
    nodes = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    design = np.column_stack([np.ones(len(nodes)), nodes - nodes.mean(axis=0)])
    tilt, mean, warp = [], [], []
    for _ in range(240):
        guess = before[rng.choice(len(before), p=weights)]
        places = SIX + rng.uniform(-0.3, 0.3, SIX.shape)
        every = np.concatenate([places, nodes])
        off = every - np.array(MIDDLE)
        apart = ((off[:, None] - off[None]) ** 2).sum(axis=2)
        around = (off**2).sum(axis=1) / REACH_M**2
        joint = guess.size_m**2 * np.exp(-apart / (2 * guess.length_m**2)) + 1e-14 * np.eye(106)
        wrong = np.linalg.cholesky(joint) @ rng.standard_normal(106)
        wrong = wrong + guess.bowl_m * rng.standard_normal() * around + off @ rng.normal(0, TILT, 2)
        lack = wrong[:6] + rng.normal(0, 0.0006, 6)
        found = drift_of(places, lack, 0.0006**2 * np.eye(6), MOBILE)
        left = wrong[6:] - found.at(nodes[:, 0], nodes[:, 1])
        plane, *_ = np.linalg.lstsq(design, left, rcond=None)
        said = what_is_left(found, nodes)
        tilt.append(np.hypot(plane[1], plane[2]) <= RAYLEIGH_95 * said.tilt_rad)
        mean.append(abs(plane[0]) <= 1.96 * said.mean_m)
        warp.append((np.mean((left - design @ plane) ** 2), said.warp_m**2))
    assert 0.90 <= np.mean(tilt) <= 0.99
    assert 0.90 <= np.mean(mean) <= 0.99
    found_m2, said_m2 = np.mean(warp, axis=0)
    assert 0.8 < np.sqrt(found_m2 / said_m2) < 1.25


# Shots that cannot be right.


def test_a_shot_that_contradicts_is_named_and_left_out() -> None:
    """One of eight is 30 mm off: it is named with about that, and the rest decides."""
    rng = np.random.default_rng(4)
    off = rng.normal(0, 0.0004, 8)
    wrong = off + np.where(np.arange(8) == 3, 0.030, 0.0)
    scanned = surface_of(tilted)
    levelled = level_by_control(scanned, shots_on(EIGHT, off_m=wrong))
    fit = fit_of(levelled)
    assert [shot.name for shot in fit.shots if not shot.used] == ["P4"]
    assert fit.shots[3].residual_m == pytest.approx(0.030, abs=0.003)
    others = np.arange(8) != 3
    without = level_by_control(scanned, shots_on(EIGHT[others], off_m=off[others]))
    assert levelled.height_m == pytest.approx(without.height_m, abs=1e-9)
    ((code, text),) = notes_on(levelled)[0]
    assert code == "control-shot-contradicts"
    assert re.search(r"P4 at \(105.60, 205.60\) contradicts the others by \+(29|30)\.\d mm", text)


def test_four_shots_cannot_say_which_is_wrong() -> None:
    """40 mm on one of four: all four are named, and nothing is levelled."""
    with pytest.raises(JobError, match=r"cannot be told which is wrong.*P1 .*P2 .*P3 .*P4"):
        level_by_control(surface_of(tilted), shots_on(SIX[:4], off_m=[0.0, 0.04, 0.0, 0.0]))


def test_two_wrong_shots_of_six_are_not_guessed_at() -> None:
    """Two of six are half a metre off: refused, with figures."""
    off = [0.0, 0.5, 0.0, -0.5, 0.0, 0.0]
    with pytest.raises(JobError, match=r"contradict one another.*mm.*take more shots"):
        level_by_control(surface_of(tilted), shots_on(SIX, off_m=off))


def test_sound_shots_are_not_doubted() -> None:
    """Of 60 sound campaigns on bent scans none or one is doubted."""
    rng = np.random.default_rng(31)
    doubted = 0
    for _ in range(60):
        shots = shots_on(EIGHT, off_m=rng.normal(0, 0.0005, 8))
        levelled = level_by_control(surface_of(random_wrong(rng, 0.003)), shots)
        doubted += len(fit_of(levelled).used) < 8
    assert doubted <= 1


def test_too_few_shots_are_refused_by_name() -> None:
    """Two on the floor, one off it, one on floor that was not seen: refused, each by its name."""
    places = np.array([[0.4, 0.4], [5.6, 0.4], [7.0, 1.0], [4.6, 4.6]])
    with pytest.raises(
        JobError,
        match=r"2 of 4 control shots can be used, 3 are needed \(P3 \(107.00, 201.00\) is off the"
        r" floor; P4 .* stands where the floor was not seen\)",
    ) as refused:
        level_by_control(surface_of(tilted), shots_on(places))
    assert refused.value.exit_status == 2


def test_shots_off_the_floor_are_named_and_not_used() -> None:
    """With enough others, a shot beyond the wall is a warning."""
    places = np.array([*SIX, [6.4, 3.0]])
    levelled = level_by_control(surface_of(tilted), shots_on(places))
    assert not fit_of(levelled).shots[6].used
    assert fit_of(levelled).shots[6].residual_m is None
    ((code, text),) = notes_on(levelled)[0]
    assert code == "control-shot-off-floor"
    assert "P7 at (106.40, 203.00) is off the floor" in text


def test_the_same_shot_twice_counts_once() -> None:
    """A row that stands twice in the list weighs no more."""
    shots = shots_on(SIX, off_m=[0.001, 0, 0, 0, 0, 0])
    once = level_by_control(surface_of(tilted), shots)
    twice = level_by_control(surface_of(tilted), [*shots, shots[0]])
    assert np.array_equal(once.height_m, twice.height_m)
    assert not fit_of(twice).shots[6].used


def test_shots_in_a_line_are_refused() -> None:
    """Five shots along a wall, 0.2 m across on 5 m: no tilt across is known."""
    along = np.linspace(0.4, 5.4, 5)
    places = np.column_stack([along, 0.4 + 0.2 * (along > 2)])
    with pytest.raises(JobError, match=r"P1, .*P5 lie in a line: 0\.\d+ m across on 5.0\d m along"):
        level_by_control(surface_of(tilted), shots_on(places))


@pytest.mark.parametrize("across_m", [0.0, 0.04])
def test_shots_almost_in_a_line_are_refused(across_m: float) -> None:
    """On a line, or within the few centimetres to which a staff's place is known."""
    along = np.linspace(0.4, 5.4, 6)
    places = np.column_stack([along, 0.6 + across_m * (np.arange(6) % 2)])
    with pytest.raises(JobError, match=r"lie in a line: 0\.0\d m across") as refused:
        level_by_control(surface_of(tilted), shots_on(places))
    assert refused.value.exit_status == 2


def test_a_zigzag_along_a_corridor_fixes_the_tilt() -> None:
    """Six shots 0.36 m across on 5.4 m, as in a corridor of 24 x 1.8 m: a fifteenth of the length
    leaves 0.5 mm / (0.18 m sqrt 6) = 1.1 mm per m open, which is under the 2 mm allowed.
    """
    places = np.column_stack([np.linspace(0.3, 5.7, 6), 0.6 + 0.36 * (np.arange(6) % 2)])
    assert len(fit_of(level_by_control(surface_of(tilted), shots_on(places))).used) == 6


def test_shots_at_one_place_are_refused() -> None:
    """Three levels of one place differ by a millimetre: a sentence, not a failing inverse."""
    places = np.array([[3.0, 1.0]] * 3)
    with pytest.raises(JobError, match="P1, P2, P3 stand at one place") as refused:
        level_by_control(surface_of(tilted), shots_on(places, off_m=[0.0, 0.001, 0.002]))
    assert refused.value.exit_status == 2


def test_shots_in_one_spot_are_refused() -> None:
    """Three shots within 0.3 m leave the tilt open by millimetres per metre."""
    places = np.array([[3.0, 3.0], [3.3, 3.0], [3.0, 3.3]])
    with pytest.raises(JobError, match=r"leave the tilt open by \d\.\d mm per m; spread them"):
        level_by_control(surface_of(tilted), shots_on(places))


def test_a_tilt_no_scan_has_is_a_question() -> None:
    """Levels a hundred times too large would lean the floor by many degrees."""
    shots = [replace(shot, level_m=100.0 * k) for k, shot in enumerate(shots_on(SIX[:3]))]
    with pytest.raises(JobError, match=r"tilted by \d\d\.\d degrees; check their unit"):
        level_by_control(surface_of(still), shots)


def test_levels_finer_than_a_staff_are_a_question_of_units() -> None:
    """Levels in metres read as millimetres all look alike: refused, not taken as a level floor."""
    shots = [replace(shot, level_m=shot.level_m / 1000.0) for shot in shots_on(SIX)]
    with pytest.raises(JobError, match=r"agree to 0\.00\d mm, finer than any staff"):
        level_by_control(surface_of(tilted), shots)


# Corners to measure from.

L_SHAPE = shapely.Polygon([(0, 0), (4, 0), (8.2, 0), (8.2, 3.6), (4.4, 3.6), (4.4, 6.4), (0, 6.4)])


def test_along_and_across_meet_the_plan() -> None:
    """From the inner corner of an L and from one turned by 20 degrees, places come out right."""
    inner = find_corner(L_SHAPE, (4.2, 3.4), (7.0, 3.6))
    assert inner.places(np.array([[1.0, 0.5]]))[0] == pytest.approx([5.4, 3.1])
    up = find_corner(L_SHAPE, (4.5, 3.7), (4.4, 5.0))
    assert up.places(np.array([[1.0, 0.5]]))[0] == pytest.approx([3.9, 4.6])
    turn = math.radians(20)
    turned = shapely.affinity.rotate(L_SHAPE, 20, origin=(0, 0))
    corner = find_corner(turned, (0.1, 0.2), (4 * math.cos(turn), 4 * math.sin(turn)))
    want = [2 * math.cos(turn) - math.sin(turn), 2 * math.sin(turn) + math.cos(turn)]
    assert corner.places(np.array([[2.0, 1.0]]))[0] == pytest.approx(want)


@pytest.mark.parametrize(
    ("near", "toward", "said"),
    [
        ((4.0, 0.0), (7.0, 0.0), r"no corner .* within 0.5 m .* nearest is 3\.\d\d m away"),
        ((2.0, 3.0), (7.0, 0.0), r"no corner of the floor lies within 0\.5 m"),
        ((0.1, 0.1), (3.0, 3.0), r"no wall leads from the corner .* 45 degrees aside"),
        ((0.1, 0.1), (0.0, 0.1), r"toward lies 0\.10 m from the corner"),
    ],
)
def test_a_corner_that_is_none(
    near: tuple[float, float], toward: tuple[float, float], said: str
) -> None:
    """A point along a straight wall is no corner; a direction between walls is no wall."""
    with pytest.raises(JobError, match=said):
        find_corner(L_SHAPE, near, toward)
