"""What a scan can say: closed forms of its error budget."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pourdatum.capability import capabilities, not_surer_than
from pourdatum.driftguess import LENGTHS_M
from pourdatum.finding import Flatness, WorstAt
from pourdatum.shareddraws import shared_draws
from pourdatum.straight import Straight
from pourdatum.uncertainty import COVER_95, SENSORS, SharedError
from test_spread import NOTHING, flat_surface


def by_name(**how):
    """The capabilities of a flat floor, with a control that nobody took."""
    surface = flat_surface(**how)
    return {one.question: one for one in capabilities(surface)}


def test_a_tripod_answers_and_a_phone_does_not() -> None:
    """A compensated scanner tells level, gap and depth; a phone tells none, and needs control."""
    good = by_name(error_m=0.0001, shared=SENSORS["tripod"])
    assert all(one.enough for one in good.values())
    assert all(one.remedy == "" for one in good.values())
    poor = by_name(error_m=0.0001, shared=SENSORS["phone"])
    assert not poor["level"].enough
    assert not poor["depth-1mm"].enough
    assert "control" in poor["level"].remedy
    # Its humps stand out all the same: they are small against its bends.
    assert poor["hump-2mm"].enough


def test_a_noisy_scan_is_to_be_taken_again() -> None:
    """Cells of 0.6 mm: a hump must stand out by six of them, 3.6 mm, and control does not help."""
    noisy = by_name(error_m=0.0006, shared=NOTHING)
    assert noisy["hump-2mm"].known_to == pytest.approx(0.0036)
    assert noisy["flatness-2m"].known_to == pytest.approx(COVER_95 * math.sqrt(1.5) * 0.0006)
    assert "again" in noisy["hump-2mm"].remedy


def test_the_level_is_the_tilt_in_any_direction() -> None:
    """Two independent tilts of s: their length stays below sqrt(-2 ln 0.05) s in 95 of 100."""
    found = by_name(shared=replace(NOTHING, tilt_rad=0.0004))["level"]
    rng = np.random.default_rng(2)
    lengths = np.hypot(*(0.0004 * rng.standard_normal((2, 40_000))))
    assert found.known_to == pytest.approx(float(np.quantile(lengths, 0.95)), rel=0.02)
    assert not found.enough


def test_a_bend_under_a_straightedge_of_2_m() -> None:
    """The middle of 2 m under drawn warps scatters as stated, to what 96 waves a length know."""
    warp = SharedError(0.0, 0.003, 0.0, "warp alone")
    found = by_name(shared=warp)["flatness-2m"]
    place = np.array([[-1.0, 0.0], [0.0, 0.0], [1.0, 0.0]])
    gaps = [
        shared_draws(warp, (0.0, 0.0), 2000, seed).at(place) @ [-0.5, 1.0, -0.5]
        for seed in range(20)
    ]
    assert found.known_to == pytest.approx(COVER_95 * float(np.std(gaps)), rel=0.1)
    assert len(LENGTHS_M) == 4


def test_what_a_scan_can_say_is_no_surer_than_what_it_found() -> None:
    """A worst place known to 1.4 mm, or a ridge of 5 mm left out, is what 2 m are known to."""
    each = capabilities(flat_surface(error_m=0.0001, shared=SENSORS["tripod"]))
    worst = WorstAt((1.0, 1.0), 0.0, 0.002, 2.0)
    found = Flatness("3mm/2m", "", "as asked", uncertainty=0.0014, value=0.002, worst=worst)
    heard = {one.question: one for one in not_surer_than(each, [found], ())}
    assert heard["flatness-2m"].known_to == 0.0014
    assert not heard["flatness-2m"].enough
    assert heard["flatness-2m"].remedy
    assert heard["depth-1mm"] in each
    ridge = Straight((1.0, 1.0), 0.0, 1.2, -0.005)
    heard = {one.question: one for one in not_surer_than(each, [found], [ridge])}
    assert heard["flatness-2m"].known_to == 0.005
    assert not_surer_than(each, (), ()) == each
