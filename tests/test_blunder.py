"""One wrong control shot among few, on a scan that is bent as well: no confident wrong number."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from leaning import plane_left, scanned, shots
from pourdatum.blunder import LEAST_TO_NAME, wrong_shares
from pourdatum.control import level_by_control
from pourdatum.controlwords import notes_on, to_read_again
from pourdatum.drift import fit_drift
from pourdatum.errors import JobError
from pourdatum.uncertainty import SENSORS

Array = NDArray[np.float64]

RAYLEIGH_95 = math.sqrt(-2.0 * math.log(0.05))
CORNERS = np.array([[0.5, 0.5], [5.5, 0.5], [0.5, 5.5], [5.5, 5.5]])
LAYOUTS = {
    4: CORNERS,
    5: np.vstack([CORNERS, [[3.0, 3.0]]]),
    6: np.vstack([CORNERS, [[3.0, 0.5], [3.0, 5.5]]]),
}


def campaign(count: int, off_m: float, rng: np.random.Generator) -> str:
    """How a campaign ends, one shot of which is off: named, refused, held, wrong or other."""
    turn, way, phase = rng.uniform(0.0, math.tau, 3)
    lean = math.tan(math.radians(0.2)) * np.array([math.cos(turn), math.sin(turn)])
    long_m = rng.uniform(8.0, 16.0)

    def wrong(x: Array, y: Array) -> Array:
        along = x * math.cos(way) + y * math.sin(way)
        bend: Array = 0.0015 * np.sin(math.tau * along / long_m + phase)
        out: Array = lean[0] * (x - 3.0) + lean[1] * (y - 3.0) + bend
        return out

    places = LAYOUTS[count] + rng.uniform(-0.3, 0.3, LAYOUTS[count].shape)
    level = rng.normal(0.0, math.hypot(0.0005, 0.0003), count)
    one = int(rng.integers(count))
    level[one] += off_m * rng.choice([-1.0, 1.0])
    try:
        found = level_by_control(scanned(wrong), shots(places, level))
    except JobError as reason:
        return "refused" if reason.id == "control-contradicts" else "other"
    assert found.control is not None
    out = [shot.name for shot in found.control.shots if not shot.used]
    if out:
        return "named" if out == [f"P{one + 1}"] else "other"
    mean, *slopes = plane_left(found, np.zeros(found.grid.shape))
    held = math.hypot(*slopes) <= RAYLEIGH_95 * found.shared.tilt_rad
    return "held" if held and abs(mean) <= 1.96 * found.shared.datum_m else "wrong"


@pytest.mark.parametrize("count", [4, 5, 6])
def test_a_blunder_is_named_refused_or_allowed_for(count: int) -> None:
    """20 mm in one shot of few on a bent scan: in 11 of 12 at the least, no number is wrong."""
    rng = np.random.default_rng(500 + count)
    ends = [campaign(count, 0.020, rng) for _ in range(12)]
    assert ends.count("other") == 0
    assert ends.count("wrong") <= 1
    # Four shots have one check, which all share: none can be named.
    assert (ends.count("named") > 0) == (count >= LEAST_TO_NAME)


@pytest.mark.parametrize("count", [4, 6])
def test_sound_shots_are_used(count: int) -> None:
    """Without a wrong shot nothing is refused or left out, and what is stated holds."""
    rng = np.random.default_rng(600 + count)
    ends = [campaign(count, 0.0, rng) for _ in range(12)]
    assert ends.count("held") >= 11
    assert ends.count("held") + ends.count("wrong") == 12


BENT_PLACES = np.array(
    [[1.5, 0.5], [5.5, 0.5], [5.6, 4.1], [0.5, 4.1], [3.0, 2.2], [4.4, 1.2], [2.9, 4.0]]
)


def bent(x: Array, y: Array) -> Array:
    """Two tenths of a degree, and a swell of 3 mm over the middle of 6 by 4.5 m."""
    swell: Array = 0.003 * np.sin(np.pi * x / 6.0) * np.sin(np.pi * np.clip(y, 0.0, 4.5) / 4.5)
    out: Array = math.tan(math.radians(0.2)) * (x - 3.0) + swell
    return out


def seven(off: Array) -> tuple[str, str]:
    """How seven shots on the bent scan end, and what is said first."""
    try:
        found = level_by_control(scanned(bent), shots(BENT_PLACES, off))
    except JobError as reason:
        return f"refused {reason.id}", str(reason)
    assert found.control is not None
    out = [one.name for one in found.control.shots if not one.used]
    _, *slopes = plane_left(found, np.zeros(found.grid.shape))
    held = math.hypot(*slopes) <= RAYLEIGH_95 * found.shared.tilt_rad
    first = to_read_again(found.control) or ""
    return f"named {out}" if out else "held" if held else "wrong", first


def test_a_wrong_shot_that_leaves_nothing_known_is_a_question() -> None:
    """Seven shots on a bent scan, one 10 mm off: named, or asked about with its name among those
    to read again, or what is stated holds; most often it is not silent. Sound ones are used.
    """
    rng = np.random.default_rng(77)
    told = 0
    for _ in range(12):
        off = rng.normal(0.0, 0.0005, 7)
        assert seven(off)[0] in ("held", "wrong")
        end, first = seven(off + 0.010 * (np.arange(7) == 3))
        assert end in ("refused control-contradicts", "named ['P4']", "held")
        assert "P4" in first or not end.startswith("refused")
        told += end != "held" or "P4" in first
    assert told >= 8


@pytest.mark.parametrize("count", [4, 6])
def test_sound_campaigns_on_bent_scans_are_not_refused(count: int) -> None:
    """Sixty sound campaigns, bent and leaning any way: at most one is refused."""
    rng = np.random.default_rng(610 + count)
    ends = [campaign(count, 0.0, rng) for _ in range(60)]
    assert ends.count("refused") <= 1


def test_the_share_of_a_wrong_shot_is_bayes_rule() -> None:
    """Odds of each guess: likelihood of the others, any error within 50 mm, one in fifty."""
    places = np.vstack([LAYOUTS[6], [[1.5, 3.0]]])
    lack = np.array([0.0, 0.0, 0.0, 0.004, 0.0, 0.0, 0.001])
    args = {"middle_m": (3.0, 3.0), "reach_m": 4.2}
    own = 4e-7 * np.eye(7)
    found = fit_drift(places, lack, own, SENSORS["mobile"], **args)  # type: ignore[arg-type]
    odds = []
    for k in range(7):
        keep = np.arange(7) != k
        without = fit_drift(
            places[keep], lack[keep], own[np.ix_(keep, keep)], SENSORS["mobile"],
            **args,  # type: ignore[arg-type]
        )  # fmt: skip
        odds.append(0.02 / 0.98 / 0.1 * math.exp(without.all_log - found.all_log))
    expected = np.array(odds) / (1.0 + sum(odds))
    assert wrong_shares(found) == pytest.approx(expected, rel=1e-6)


def test_what_may_be_wrong_is_said() -> None:
    """Four shots with 8 mm between bend and blunder: the shots are named, and what was allowed."""
    level = np.array([0.0, 0.008, 0.0, 0.0])
    found = level_by_control(scanned(lambda x, y: 0.0 * x), shots(CORNERS, level))
    fit = found.control
    assert fit is not None
    assert fit.doubtful == ("P1", "P2", "P3", "P4")
    told = " ".join(notes_on(found)[1])
    assert "4 shots; three fix level and tilt, the fourth checks them and shows" in told
    assert "as wide as if any one of them might be wrong" in told
    # Without P2 the plane is level; with it, slopes of 8 mm / (2 * 5 m) each way are taken.
    assert RAYLEIGH_95 * found.shared.tilt_rad >= 0.9 * math.hypot(0.0008, 0.0008)


def test_a_pair_is_one_place_and_said() -> None:
    """Two shots 0.1 m apart: not refused, both named, and the rest is levelled as with one."""
    pair = np.vstack([LAYOUTS[6], LAYOUTS[6][0] + np.array([0.1, 0.0])])
    surface = scanned(lambda x, y: 0.0005 * x)
    found = level_by_control(surface, shots(pair, np.zeros(7)))
    alone = level_by_control(surface, shots(LAYOUTS[6], np.zeros(6)))
    assert any("P1 and P7 stand 0.10 m apart: they count as one place" in text
               for text in notes_on(found)[1])  # fmt: skip
    assert found.shared.tilt_rad == pytest.approx(alone.shared.tilt_rad, rel=0.15)
    assert np.abs(found.height_m - alone.height_m).max() < 1e-4


def badly_bent(off_m: float, rng: np.random.Generator) -> tuple[str, str | None]:
    """How six shots end on a scan bent by 8 to 14 mm within a floor's length, and what is said."""
    turn, way, phase = rng.uniform(0.0, math.tau, 3)
    lean = math.tan(math.radians(0.2)) * np.array([math.cos(turn), math.sin(turn)])
    high_m, long_m = rng.uniform(0.004, 0.007), rng.uniform(6.0, 12.0)

    def wrong(x: Array, y: Array) -> Array:
        along = x * math.cos(way) + y * math.sin(way)
        bend: Array = high_m * np.sin(math.tau * along / long_m + phase)
        out: Array = lean[0] * (x - 3.0) + lean[1] * (y - 3.0) + bend
        return out

    places = LAYOUTS[6] + rng.uniform(-0.3, 0.3, LAYOUTS[6].shape)
    level = rng.normal(0.0, math.hypot(0.0005, 0.0003), 6)
    level[2] += off_m
    try:
        found = level_by_control(scanned(wrong), shots(places, level))
    except JobError as reason:
        return f"refused {reason.id}", str(reason)
    assert found.control is not None
    mean, *slopes = plane_left(found, np.zeros(found.grid.shape))
    held = math.hypot(*slopes) <= RAYLEIGH_95 * found.shared.tilt_rad
    held &= abs(mean) <= 1.96 * found.shared.datum_m
    return "held" if held else "wrong", to_read_again(found.control)


def in_doubt(off_m: float, seed: int) -> tuple[int, list[str]]:
    """Of 60 campaigns how many are refused, and how those end that leave less known than before."""
    rng = np.random.default_rng(seed)
    ends = [badly_bent(off_m, rng) for _ in range(60)]
    refused = sum(end.startswith("refused") for end, _ in ends)
    return refused, [end for end, words in ends if words and "known of the scan alone" in words]


def test_sound_campaigns_on_badly_bent_scans_go_on() -> None:
    """Six sound shots cannot be checked on such scans: none is refused for it.

    Where they leave less known than the scan alone, that is said before any figure, and holds
    (all but one).
    """
    refused, ends = in_doubt(0.0, 2025)
    assert refused == 0
    assert len(ends) >= 4
    assert ends.count("held") >= len(ends) - 1


def test_a_wrong_shot_on_a_badly_bent_scan_makes_no_wrong_number() -> None:
    """With one 20 mm off, half of the campaigns leave less known: that holds in 14 of 15."""
    _, ends = in_doubt(0.020, 2026)
    assert len(ends) >= 20
    assert ends.count("held") >= 14 / 15 * len(ends)
