"""Worked examples of the guides to uncertainty, put to this project's own functions.

Source: gum_examples.json, and where a test says so, JCGM 101:2008 from memory. The rest of that
table, with guard bands and F-numbers, is checked where the function lies: test_decision.py,
test_fnumbers.py, test_placedepth.py; certified line data in test_outside_checks.py.

Without a counterpart here, and so not checked: effective degrees of freedom (GUM-G4-WELCH; our
standard errors come from thousands of points), the triangular error (GUM-TRI), and the risks of a
whole production (PFA-* of guard_band_examples.json; of a floor nothing is known beforehand).
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid
from pourdatum.rounding import rounding_of
from pourdatum.shareddraws import interval_of
from pourdatum.uncertainty import COVER_95, combined, interval, mean_error_m
from pourdatum.units import MM

SHARED = Path(__file__).parent.parent / "shared"
GUM = {
    case["id"]: case
    for case in json.loads((SHARED / "gum_examples.json").read_text(encoding="utf-8"))["examples"]
}
FITS = json.loads((SHARED / "plane_fit_reference.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("n", [5, 10, 30])
def test_how_well_a_deviation_is_known(n) -> None:
    """The standard error that a plane fit reads off its residuals scatters as the guide says.

    Source: GUM-TABLE-E1 and GUM-SD-OF-SD-30 (JCGM 100:2008, table E.1, whole percents). A plane
    takes three of n + 2 points' freedoms, which leaves the n - 1 of n readings. 4000 fits know
    the share to 1.1 % of itself, and the table is rounded to half a percent.
    """
    rng = np.random.default_rng([61, n])
    x, y = rng.uniform(-1.0, 1.0, (2, n + 2))
    error = [math.sqrt(fit_plane(x, y, one)[1][0, 0]) for one in rng.standard_normal((4000, n + 2))]
    scatter = 100.0 * np.std(error) / np.mean(error)
    published = GUM["GUM-TABLE-E1"]["percent_by_n"][str(n)]
    # The table divides by the true deviation; their mean is c4 of it (1 - 1 / (4 (n - 1))).
    assert scatter * (1.0 - 0.25 / (n - 1)) == pytest.approx(published, abs=0.5 + 0.045 * published)


def test_parts_add_in_quadrature() -> None:
    """Source: GUM-G4-WELCH (JCGM 100:2008, G.4.1), its combined uncertainty, as printed."""
    case = GUM["GUM-G4-WELCH"]
    found = combined(*case["relative_u_percent"])
    assert found == pytest.approx(case["uc_percent"], abs=5e-5)
    assert round(found, 2) == case["published"]["uc_percent"]


@pytest.mark.parametrize("step_m", [0.001, 0.01])
def test_a_rounded_level_errs_as_a_rectangle(step_m) -> None:
    """Half a step either way is a / sqrt(3) where no noise blurs it.

    Source: GUM-RECT (JCGM 100:2008, 4.3.7).
    """
    case = GUM["GUM-RECT"]
    grid = Grid(0.0, 0.0, 0.1, 30, 30)
    found = rounding_of(step_m, 0.0, np.zeros(grid.shape), np.ones(grid.shape, bool), grid)
    assert found.height_m == pytest.approx(0.5 * step_m * case["u"] / case["a"], rel=1e-12)


def test_a_volume_shrinks_its_noise_and_keeps_its_datum() -> None:
    """400 cells of 2 mm each average to a twentieth; a datum that is out by 1 mm stays.

    Source: GUM-MEAN and GUM-VOL-CORR (JCGM 100:2008, 4.2.3 and 5.2). Cells count as one within
    4 pi reach² of a cell: a reach of 1 / sqrt(4 pi) makes each its own.
    """
    case = GUM["GUM-VOL-CORR"]["example"]
    cells = np.full((20, 20), case["u_r_mm"] / MM)
    assert cells.size == case["N"]
    own = mean_error_m(cells, np.ones(cells.shape, bool), 1.0 / math.sqrt(4.0 * math.pi))
    random_m3, datum_m3 = case["A_m2"] * own, case["A_m2"] * case["u_d_mm"] / MM
    assert random_m3 == pytest.approx(case["u_vol_random_m3"], rel=1e-12)
    assert datum_m3 == pytest.approx(case["u_vol_datum_m3"], rel=1e-12)
    assert combined(random_m3, datum_m3) == pytest.approx(case["u_vol_total_m3"], rel=1e-12)


@pytest.mark.parametrize(("kind", "half"), [("normal", 3.92), ("rectangular", 3.88)])
def test_the_sum_of_four(kind, half) -> None:
    """Four errors of one unit each: 95 % within 3.92 if normal, within 3.88 if rectangular.

    Source: JCGM 101:2008, 9.2.2 and 9.2.3, from memory, printed to two figures after the point. A
    quantile of 2.5 % of 200 000 draws of deviation two errs by 0.012; the wider of two ends is
    taken, and the bound is four of those.
    """
    rng = np.random.default_rng([62, len(kind)])
    shape = (4, 200_000)
    draws = (
        rng.standard_normal(shape)
        if kind == "normal"
        else rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), shape)
    ).sum(axis=0)
    assert_allclose(interval_of(0.0, draws), (-half, half), atol=0.05)
    if kind == "normal":
        assert_allclose(interval(0.0, combined(1.0, 1.0, 1.0, 1.0)), (-half, half), atol=0.005)


def test_a_loss_that_can_only_grow() -> None:
    """Two unknown offsets of 0.005 about nothing, squared and added: between 0 and 150 millionths.

    Source: JCGM 101:2008, 9.4.2, from memory: the shortest 95 % interval is (0, 150) 1e-6, where
    first-order propagation gives no width at all. Ours takes 2.5 % on either side: its upper end is
    -2 u² ln 0.025 of an exponential, and it holds the shortest one.
    """
    u = 0.005
    x = u * np.random.default_rng(63).standard_normal((2, 200_000))
    low, high = interval_of(0.0, (x**2).sum(axis=0))
    assert low <= 0.0
    assert high > 150e-6
    # The quantile errs by sqrt(0.025 * 0.975 / 200 000) / (0.025 / (2 u²)) = 0.7e-6.
    assert high == pytest.approx(-2.0 * u**2 * math.log(0.025), abs=4 * 0.7e-6)


def test_a_plane_has_the_published_standard_errors() -> None:
    """Of the published regression on two predictors, to the figures that are printed.

    Source: two_predictor_plane of plane_fit_reference.json (Montgomery, Peck and Vining, Example
    3.1); its standard errors 1.097, 0.1707 and 0.003613 from memory.
    """
    z, x, y = np.array(FITS["two_predictor_plane"]["rows"]).T
    _, covariance = fit_plane(x, y, z)
    found = np.sqrt(np.diag(covariance))
    assert_allclose(found, [1.097, 0.1707, 0.003613], rtol=4e-4)


def test_ninety_five_percent_is_one_point_nine_six() -> None:
    """Source: JCGM 100:2008, table G.1, from memory: 1.960 for a normal distribution."""
    assert round(COVER_95, 3) == 1.960
