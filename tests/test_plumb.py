"""Walls as a second opinion on the vertical: the lean they share, and whose error it is."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_scan import floor_of, surface_of
from pourdatum.errors import JobError
from pourdatum.floor import Floor
from pourdatum.pipeline.upright import check_walls, upright_warnings
from pourdatum.plumb import (
    OWN_LEAN,
    FaceLean,
    WallLean,
    common_lean,
    face_lean,
    second_opinion,
)
from pourdatum.shots import ControlFit, HeldShot
from pourdatum.simulate import place_stations, random_room, scan_scene, sensor
from pourdatum.uncertainty import SENSORS, SharedError

TRIPOD = SENSORS["tripod"]


def tilted(points: np.ndarray, degrees: float, bearing: float) -> np.ndarray:
    """Points turned so that what was upright leans by an angle towards a bearing from +y."""
    way = np.array([math.sin(bearing), math.cos(bearing), 0.0])
    axis = np.cross([0.0, 0.0, 1.0], way)
    turn = math.radians(degrees)
    across = np.cross(axis, points)
    along = np.outer(points @ axis, axis)
    return np.asarray(
        points * math.cos(turn) + across * math.sin(turn) + along * (1 - math.cos(turn))
    )


def room_scan(seed: int, points: int = 120_000) -> np.ndarray:
    """A simulated tripod scan of a room with plumb walls, about its own middle [m]."""
    room = random_room(seed)
    shot = scan_scene(room, sensor("tripod", place_stations(room, 2)), seed=seed, points=points)
    return np.asarray(shot.points_m - shot.points_m.mean(axis=0))


def lean_of(floor: Floor) -> WallLean:
    """What the walls of a floor lean in common."""
    found = common_lean(floor.leans)
    assert found is not None
    return found


# --- one face -----------------------------------------------------------------------


@given(lean=st.floats(-0.05, 0.05), seed=st.integers(0, 200))
def test_the_slope_of_a_face_is_found_whatever_stands_before_it(lean: float, seed: int) -> None:
    """A skirting of 15 mm and a cupboard of 40 mm before a third of it move nothing."""
    rng = np.random.default_rng(seed)
    height = np.tile(np.arange(0.175, 2.5, 0.05), 12)
    piece = np.repeat(np.arange(12), len(height) // 12)
    distance = lean * height + rng.normal(0, 0.004, 12)[piece] + rng.normal(0, 2e-4, len(height))
    distance[(height < 0.25)] += 0.015
    distance[(piece < 4) & (height < 0.9)] += 0.040
    found = face_lean(distance, height, piece)
    assert found is not None
    assert found[0] == pytest.approx(lean, abs=4e-4)


def test_the_error_of_a_face_is_what_repeats_show() -> None:
    """Standard error against the scatter of 300 faces of noise and waviness (JCGM 100, 4.2)."""
    rng = np.random.default_rng(1)
    height = np.tile(np.arange(0.175, 2.5, 0.05), 10)
    piece = np.repeat(np.arange(10), len(height) // 10)
    found = []
    for _ in range(300):
        own = rng.normal(0, 0.001, 10)[piece] * height
        answer = face_lean(own + rng.normal(0, 0.001, len(height)), height, piece)
        assert answer is not None
        found.append(answer)
    leans, errors = np.array(found).T
    assert np.sqrt(np.mean(errors**2)) == pytest.approx(leans.std(), rel=0.12)


@pytest.mark.parametrize("step_m", [0.04, 0.08, -0.06])
def test_two_leaves_of_a_wall_do_not_lean(step_m: float, seed: int) -> None:
    """A face that steps back at 0.9 to 1.5 m is plumb below and above: it leans in no sense."""
    rng = np.random.default_rng(seed)
    for at_m in rng.uniform(0.9, 1.5, 5):
        height = np.tile(np.arange(0.2, 2.2, 0.05), 6)
        piece = np.repeat(np.arange(6), 40)
        distance = step_m * (height > at_m) + rng.normal(0.0, 0.001, height.size)
        found = face_lean(distance, height, piece)
        assert found is None or abs(found[0]) < 0.003, (at_m, found)


@pytest.mark.parametrize("lean", [0.012, 0.025, -0.035])
def test_a_wall_that_leans_still_does(lean: float, seed: int) -> None:
    """One slope over the whole face, with 1 mm of noise, is told to a tenth of it."""
    rng = np.random.default_rng(seed)
    height = np.tile(np.arange(0.2, 2.2, 0.05), 6)
    distance = lean * height + rng.normal(0.0, 0.001, height.size)
    found = face_lean(distance, height, np.repeat(np.arange(6), 40))
    assert found is not None
    assert found[0] == pytest.approx(lean, rel=0.1)


def test_a_low_face_says_nothing() -> None:
    """A parapet of one metre is too low for its lean."""
    height = np.tile(np.arange(0.175, 1.1, 0.05), 5)
    piece = np.repeat(np.arange(5), len(height) // 5)
    assert face_lean(0.01 * height, height, piece) is None


# --- all faces ----------------------------------------------------------------------


def faces_at(bearings: list[float], lean: np.ndarray, own: np.ndarray) -> list[FaceLean]:
    """Exact faces whose normals have these bearings, of a vertical that leans."""
    normals = np.array([[math.sin(b), math.cos(b)] for b in bearings])
    return [FaceLean(n, float(n @ lean + o), 0.0) for n, o in zip(normals, own, strict=True)]


@given(x=st.floats(-0.03, 0.03), y=st.floats(-0.03, 0.03), turn=st.floats(0, 1.5))
def test_exact_faces_give_the_exact_lean(x: float, y: float, turn: float) -> None:
    """A wall contains the vertical: its lean along the normal n is n . t, solved for t."""
    lean = np.array([x, y])
    found = common_lean(faces_at([turn, turn + 1.6, turn + 3.1, turn + 4.4], lean, np.zeros(4)))
    assert found is not None
    assert found.toward == pytest.approx(lean, abs=1e-9)
    assert found.across is None


def test_walls_of_one_direction_tell_of_one_part() -> None:
    """Two parallel walls: the lean across them is known, that along them is not said."""
    lean = np.array([0.02, 0.01])
    found = common_lean(faces_at([0.0, math.pi], lean, np.zeros(2)))
    assert found is not None
    assert found.toward == pytest.approx([0.0, 0.01], abs=1e-9)
    said = second_opinion(found, TRIPOD)
    assert said is not None
    assert not said.both_ways
    assert said.slope == pytest.approx(0.01)
    # One wall pair: 2.5 mm per m over the root of two, times 1.96.
    assert said.half_95 == pytest.approx(1.96 * OWN_LEAN / math.sqrt(2), rel=1e-3)


def test_walls_out_of_plumb_alarm_in_one_case_of_twenty() -> None:
    """Walls leaning by 2.5 mm per m each, scan upright: 5 % by the quantile, up to robustness."""
    rng = np.random.default_rng(5)
    bearings = [0.1, 1.67, 3.24, 4.81, 0.1, 1.67]
    alarms = 0
    for _ in range(1000):
        found = common_lean(faces_at(bearings, np.zeros(2), rng.normal(0, OWN_LEAN, 6)))
        assert found is not None
        alarms += second_opinion(found, TRIPOD) is not None
    assert 10 <= alarms <= 80


def test_one_leaning_wall_does_not_tilt_the_scan() -> None:
    """One of five walls 60 mm per m out: no common lean is claimed, and it is named as apart."""
    own = np.array([0.06, 0.0, 0.0, 0.0, 0.0])
    found = common_lean(faces_at([0.0, math.pi / 2, math.pi, 4.71, 0.0], np.zeros(2), own))
    assert found is not None
    assert second_opinion(found, TRIPOD) is None
    assert found.apart == pytest.approx(0.06, abs=0.005)


def test_the_budget_of_the_sensor_counts() -> None:
    """A lean of 8 mm per m speaks against a tripod, and not against a phone of 3.5 each way."""
    found = common_lean(faces_at([0, 1.57, 3.14, 4.71], np.array([0.0, 0.008]), np.zeros(4)))
    assert found is not None
    assert second_opinion(found, TRIPOD) is not None
    assert second_opinion(found, SENSORS["phone"]) is None


def test_what_control_took_out_is_taken_into_account() -> None:
    """Walls that lean by t belong to level floors that rise by -t: with that removed they agree."""
    lean = np.array([0.012, -0.006])
    found = common_lean(faces_at([0, 1.57, 3.14, 4.71], lean, np.zeros(4)))
    assert found is not None
    left = SharedError(2e-4, 0.0, 0.0, "control")
    assert second_opinion(found, left, removed=(-0.012, 0.006)) is None
    doubled = second_opinion(found, left, removed=(0.012, -0.006))
    assert doubled is not None
    assert doubled.slope == pytest.approx(2 * np.hypot(*lean), rel=1e-3)


# --- simulated rooms ----------------------------------------------------------------


@pytest.mark.parametrize("degrees", [0.2, 0.5, 1.0, 2.0])
def test_the_tilt_of_a_scan_is_found(degrees: float) -> None:
    """Tilted by a known angle towards a known bearing: the lean is tan(angle), to 0.2 mm per m."""
    bearing = 2.3
    found = lean_of(floor_of(tilted(room_scan(3), degrees, bearing)))
    want = math.tan(math.radians(degrees)) * np.array([math.sin(bearing), math.cos(bearing)])
    assert found.toward == pytest.approx(want, abs=2e-4)
    said = second_opinion(found, TRIPOD)
    if degrees >= 0.5:  # 0.2 degrees are 3.5 mm per m, hardly more than walls are out of plumb
        assert said is not None
        assert said.bearing_rad == pytest.approx(bearing, abs=0.05)
        assert abs(said.slope - np.hypot(*want)) < said.half_95


@pytest.mark.parametrize("seed", range(20))
def test_plumb_rooms_raise_no_alarm(seed: int) -> None:
    """Twenty furnished rooms with plumb walls and tripod noise: nothing is said of any."""
    found = lean_of(floor_of(room_scan(seed, points=50_000)))
    assert second_opinion(found, TRIPOD) is None
    assert found.apart == 0.0


def test_the_warning_names_figure_direction_and_remedy() -> None:
    """What a contractor reads: mm per m, where the tops lean, how many walls, what to do."""
    surface = surface_of(tilted(room_scan(3), 1.0, math.radians(50)))
    (warned,) = upright_warnings(surface)
    assert warned.code == "walls-lean"
    said = re.search(r"lean by (\S+) mm per m .* towards (\d+)° from \+y .*\d walls", warned.text)
    assert said is not None
    assert float(said[1]) == pytest.approx(1e3 * math.tan(math.radians(1.0)), abs=0.2)
    assert float(said[2]) == pytest.approx(50, abs=1)
    assert "three or more control shots" in warned.text
    # Control that takes out the same tilt ends the disagreement.
    after = SharedError(2e-4, 0.0, 0.0, "control")
    fit = ControlFit((), math.tan(math.radians(1.0)), math.radians(230), 0.0, 0.0, 5e-4,
                     surface.shared, after)  # fmt: skip
    assert upright_warnings(replace(surface, control=fit, shared=after)) == []


def test_three_shots_against_plumb_walls_are_a_question() -> None:
    """Plumb walls, and shots that take 6.5 mm per m of tilt out of the scan, to within 0.5.

    Three shots have no check: asked about. Four that agree are believed, and told to be read
    again; nobody who has shots is told to take three.
    """
    surface = surface_of(room_scan(3))
    after = SharedError(2e-4, 0.0, 0.0, "control")
    used = tuple(HeldShot(f"C{k}", (0.0, 0.0), 0.0, 0.0, None, True) for k in range(1, 5))
    fit = ControlFit(used[:3], 0.0065, 1.0, 0.0, 0.0, 5e-4, surface.shared, after)
    three = replace(surface, control=fit, shared=after)
    with pytest.raises(JobError, match=r"three control shots C1, C2, C3 disagree by 6\.\d mm"):
        check_walls(three)
    four = replace(three, control=replace(fit, shots=used))
    check_walls(four)
    (warned,) = upright_warnings(four)
    assert warned.text.startswith("walls and control shots disagree by 6.")
    assert "read the shots again" in warned.text
    assert "three or more" not in warned.text
    # Shots that agree with the walls, or none at all, are no question.
    check_walls(replace(three, control=replace(fit, tilt=0.0, tilt_bearing_rad=None)))
    check_walls(surface)
