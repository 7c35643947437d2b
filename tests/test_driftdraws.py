"""What control shots leave open, drawn: against plain conditioning, and against drawn scans."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from pourdatum import drift as drifting
from pourdatum.drift import Drift, fit_drift
from pourdatum.driftdraws import drift_draws
from pourdatum.driftguess import Guess, guesses
from pourdatum.uncertainty import SENSORS

Array = NDArray[np.float64]

MOBILE = SENSORS["mobile"]
MIDDLE = (3.0, 3.0)
REACH_M = 4.2
SIX = np.array([[0.4, 0.4], [5.6, 0.4], [0.4, 5.6], [5.6, 5.6], [0.4, 3.0], [5.6, 3.0]])
PLACES = np.array([[0.1, 0.1], [3.0, 0.1], [3.0, 3.0], [4.4, 1.6], [5.9, 5.9], [1.7, 4.4]])
OWN_M = 0.0006


def drift_of(places: Array, lack: Array) -> Drift:
    """Drift of a hand-held scan over a floor of 6 by 6 m."""
    own = OWN_M**2 * np.eye(len(places))
    return fit_drift(places, lack, own, MOBILE, middle_m=MIDDLE, reach_m=REACH_M)


def left_by_conditioning(guess: Guess, nodes: Array) -> Array:
    """Covariance at nodes [mm²] of a joint normal held at six shots, its plane as good as free."""
    every = np.concatenate([SIX, nodes])
    off = every - np.array(MIDDLE)
    apart = ((off[:, None] - off[None]) ** 2).sum(axis=2)
    around = (off**2).sum(axis=1) / REACH_M**2
    joint = 1e6 * guess.size_m**2 * np.exp(-apart / (2 * guess.length_m**2)) + 1e4
    joint += 1e6 * guess.bowl_m**2 * np.outer(around, around)
    joint += (1e2 if guess.tilt_rad is None else 1e3 * guess.tilt_rad) ** 2 * off @ off.T
    gain = joint[6:, :6] @ np.linalg.inv(joint[:6, :6] + 1e6 * OWN_M**2 * np.eye(6))
    out: Array = joint[6:, 6:] - gain @ joint[:6, 6:]
    return out


@pytest.mark.parametrize(
    "guess",
    [
        Guess(0.004, 3.0, 0.0, None, 1.0),
        Guess(0.004, 1.75, 0.0, None, 1.0),
        Guess(0.003, 5.0, 0.002, None, 1.0),
        Guess(0.002, 3.0, 0.0, 0.001, 1.0),
    ],
    ids=["field", "short field", "bowl", "compensated"],
)
def test_draws_have_the_covariance_of_a_joint_normal(
    guess: Guess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One guess: standard deviation at each place, and against the mean of all, by conditioning.

    4000 draws know one to 1.1 %; a field of 256 waves has its covariance to 6 %, and what shots
    leave of it is a difference of such.
    """
    monkeypatch.setattr(drifting, "guesses", lambda shared: (guess,))
    lack = np.array([0.001, -0.002, 0.0005, 0.003, 0.0, -0.001])
    fields = 1e3 * drift_draws(drift_of(SIX, lack), 4000).at(PLACES)
    wanted = left_by_conditioning(guess, PLACES)
    assert fields.mean(axis=0) == pytest.approx(0.0, abs=0.1)
    assert fields.std(axis=0) == pytest.approx(np.sqrt(np.diag(wanted)), rel=0.15)
    centre = np.eye(len(PLACES)) - 1.0 / len(PLACES)
    apart = np.sqrt(np.diag(centre @ wanted @ centre))
    assert (fields @ centre).std(axis=0) == pytest.approx(apart, rel=0.15)


def test_without_a_benchmark_the_mean_of_the_floor_stays(seed: int) -> None:
    """A level that is the scan's own is not moved by what shots leave open."""
    nodes = np.random.default_rng(seed).uniform(0.0, 6.0, (60, 2))
    fields = drift_draws(drift_of(SIX, 0.002 * SIX[:, 0]), 50, nodes_m=nodes).at(nodes)
    assert fields.mean(axis=1) == pytest.approx(0.0, abs=1e-12)


def test_a_high_place_against_its_floor_is_covered(seed: int) -> None:
    """Fresh scans as hand-held ones are thought to be: what the floor needs holds in 92 to 98 %.

    The level of a place against the mean of its floor is what a high-point datum rests on. Drawn
    from tilt, bend and mean level apart, it held in 87 to 89 %: a bend was as large at the shots
    as between them, and half of it was level and tilt again.
    """
    first = seed
    rng = np.random.default_rng(first)
    before = guesses(MOBILE)
    weights = np.array([guess.weight for guess in before])
    axis = np.linspace(0.2, 5.8, 8)
    nodes = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2)
    held = []
    for _ in range(240):
        guess = before[rng.choice(len(before), p=weights)]
        shots = SIX + rng.uniform(-0.3, 0.3, SIX.shape)
        every = np.concatenate([shots, PLACES, nodes])
        off = every - np.array(MIDDLE)
        apart = ((off[:, None] - off[None]) ** 2).sum(axis=2)
        joint = guess.size_m**2 * np.exp(-apart / (2 * guess.length_m**2))
        wrong = np.linalg.cholesky(joint + 1e-13 * np.eye(len(every))) @ rng.standard_normal(
            len(every)
        )
        wrong += guess.bowl_m * rng.standard_normal() * (off**2).sum(axis=1) / REACH_M**2
        wrong += off @ rng.normal(0.0, math.tan(math.radians(0.2)), 2)
        found = drift_of(shots, wrong[:6] + rng.normal(0.0, OWN_M, 6))
        high_by = found.at(*every[6:].T) - wrong[6:]
        count = len(PLACES)
        true = high_by[:count] - high_by[count:].mean()
        fields = drift_draws(found, 400).at(every[6:])
        fields = fields[:, :count] - fields[:, count:].mean(axis=1, keepdims=True)
        low, high = np.quantile(fields, (0.025, 0.975), axis=0)
        held.append((low <= true) & (true <= high))
    # 240 scans know a share of 95 % to 1.4 %; six places of one scan are no six scans.
    assert 0.91 < np.mean(held) < 0.985, first


def test_a_budget_is_one_standard_deviation_of_a_bend() -> None:
    """Sizes are thought of as those of a normal variable, its sign aside (JCGM 100:2008, 4.3.8).

    Between the geometric means of the sizes tried its table gives 0.276, 0.520 and 0.843 below
    0.354, 0.707 and 1.414 standard deviations. And a wave as long as a room of 6 m, which bends as
    a field of 6 m / 2 pi, is among the bends that are thought of.
    """
    before = guesses(MOBILE)
    below = [
        sum(guess.weight for guess in before if guess.size_m < share * MOBILE.warp_m)
        for share in (0.354, 0.707, 1.414)
    ]
    assert below == pytest.approx([0.276, 0.520, 0.843], abs=0.001)
    assert min(guess.length_m for guess in before) < 1.1 * 6.0 / (2.0 * math.pi)


def bent_scan(rng: np.random.Generator) -> tuple[Drift, Array, Array]:
    """A room of 15 to 90 m², a scan bent over its length, six shots spread over it.

    Two waves of one amplitude, one to twice as long as the room, of a size as the budget says.
    Drift, places in corners, by walls and anywhere, then a net; and how far each is still too high.
    """
    area_m2, longer = rng.uniform(15.0, 90.0), rng.uniform(1.0, 1.8)
    sides = np.array([math.sqrt(area_m2 * longer), math.sqrt(area_m2 / longer)])
    free = rng.uniform(0.4, sides - 0.4, (2000, 2))
    chosen = [free[0]]
    while len(chosen) < 6:
        away = np.min([np.hypot(*(free - place).T) for place in chosen], axis=0)
        chosen.append(free[int(np.argmax(away))])
    places = rng.uniform(0.05, sides - 0.05, (6, 2))
    places[:2] = [sides - 0.05, [0.05, 0.05]]
    places[2, 0] = places[3, 1] = 0.05
    axis = np.linspace(0.02, 0.98, 7)
    net = np.stack(np.meshgrid(axis, axis), axis=-1).reshape(-1, 2) * sides
    every = np.concatenate([chosen, places, net])
    high_m = abs(float(rng.normal(0.0, MOBILE.warp_m)))
    bearing, wave_m = (
        rng.uniform(0.0, 2.0 * math.pi),
        rng.uniform(1.0, 2.0) * math.sqrt(sides.prod()),
    )
    wrong = (every - sides / 2) @ rng.normal(0.0, MOBILE.tilt_rad, 2)
    for longer, aside in ((1.0, 0.0), (1.37, 1.9)):
        along = every @ [math.cos(bearing + aside), math.sin(bearing + aside)]
        turns = along / (wave_m * longer) + rng.random()
        wrong += high_m * np.sin(2.0 * math.pi * turns)
    found = fit_drift(
        every[:6],
        rng.normal(0.0, OWN_M, 6) - wrong[:6],
        OWN_M**2 * np.eye(6),
        MOBILE,
        middle_m=(sides[0] / 2, sides[1] / 2),
        reach_m=float(np.hypot(*sides)) / 2,
    )
    return found, every[6:], wrong[6:] + found.at(*every[6:].T)


def test_bends_over_the_length_of_a_floor_are_covered(seed: int) -> None:
    """Fresh scans as the budget of hand-held ones says: the level of a place holds in 92 to 98.5 %.

    Of 1000 such it held in 95.7 %, against the mean of its floor in 95.4; with each size up to
    twice the budget as likely as the others, and no bend shorter than a wave of 11 m, in 93.6 and
    92.7.
    """
    first = seed
    rng = np.random.default_rng(first)
    level, apart = [], []
    for _ in range(300):
        found, places, high_by = bent_scan(rng)
        fields = drift_draws(found, 400).at(places)
        for held, draws, true in (
            (level, fields[:, :6], high_by[:6]),
            (
                apart,
                fields[:, :6] - fields[:, 6:].mean(axis=1, keepdims=True),
                high_by[:6] - high_by[6:].mean(),
            ),
        ):
            low, high = np.quantile(draws, (0.025, 0.975), axis=0)
            held.append((low <= true) & (true <= high))
    # 300 scans know a share of 95 % to 1.3 %; six places of one scan are no six scans.
    assert 0.92 < np.mean(level) < 0.985, first
    assert 0.92 < np.mean(apart) < 0.985, first
