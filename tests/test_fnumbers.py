"""F-numbers: exact without noise, unbiased with it, and refused where noise is most of it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pourdatum.fnumbers import (
    FLATNESS_M,
    LEVELNESS_M,
    SPACING_M,
    FNumber,
    Line,
    MostlyNoise,
    combine_f,
    curvatures_m,
    f_numbers,
    falls_m,
)
from pourdatum.units import INCH_M, MM

SHARED = Path(__file__).parent.parent / "shared"
PUBLISHED = json.loads((SHARED / "e1155_worked_example.json").read_text(encoding="utf-8"))
EXACT = {
    case["id"]: case
    for case in json.loads((SHARED / "f_number_exact.json").read_text(encoding="utf-8"))["cases"]
}
FEET = np.arange(41.0)


def numbers(lines: list[Line], **how) -> tuple[FNumber, FNumber]:
    """Both numbers of lines that give them."""
    found = f_numbers(lines, **how)
    assert isinstance(found.flatness, FNumber)
    assert isinstance(found.levelness, FNumber)
    return found.flatness, found.levelness


# --- without noise -------------------------------------------------------------------------------


@pytest.mark.parametrize("case", PUBLISHED["lines"][:5], ids=lambda case: f"line-{case['line']}")
def test_published_lines(case) -> None:
    """Curvatures of a published sheet to what it prints, and what was derived from them.

    Source: e1155_worked_example.json (a laboratory's worked sheet after ASTM E1155M; curvatures as
    printed, to 0.0015 mm; means, deviations and F-numbers derived there, levels in mm / 25.4).
    """
    height_mm = np.array(case["published_elevation_mm"])
    assert_allclose(
        curvatures_m(height_mm), case["published_q_mm"], atol=PUBLISHED["tolerance_q_mm"]
    )
    derived = case["derived"]
    assert_allclose(falls_m(height_mm), derived["z_mm"], atol=1e-9)
    found = f_numbers([Line(height_mm / MM)])
    assert (found.curvatures, found.falls) == (derived["n_q"], derived["n_z"])
    # Curvatures from levels of 1 µm differ from the printed ones by up to 1 µm in 1 to 2 mm.
    assert found.flatness.value == pytest.approx(derived["FF_inch_constants"], rel=1e-3)
    assert found.levelness.value == pytest.approx(derived["FL_inch_constants"], rel=1e-5)


def test_published_lines_together() -> None:
    """All lines of the sheet as one floor, by the rule of the standard (from memory there).

    Source: composite_if_combine_rule_holds of e1155_worked_example.json.
    """
    wanted = PUBLISHED["composite_if_combine_rule_holds"]
    lines = [Line(np.array(one["published_elevation_mm"]) / MM) for one in PUBLISHED["lines"][:5]]
    flat, level = numbers(lines)
    assert flat.value == pytest.approx(wanted["FF_lines_0_to_4"], rel=1e-3)
    assert level.value == pytest.approx(wanted["FL_lines_0_to_4"], rel=1e-5)
    derived = [one["derived"] for one in PUBLISHED["lines"]]
    both = combine_f([one["FF_inch_constants"] for one in derived], [one["n_q"] for one in derived])
    assert both == pytest.approx(wanted["FF_lines_0_to_5"], abs=5e-5)


def test_closed_forms() -> None:
    """A parabola, two slopes and a sine have the F-numbers of their formulas.

    Source: F-PARABOLA, F-SLOPE, F-SLOPE2, F-SINE of f_number_exact.json.
    """
    parabola = f_numbers([Line(0.02285 * INCH_M * FEET**2)])
    assert parabola.flatness.value == pytest.approx(EXACT["F-PARABOLA"]["FF"], rel=1e-9)
    for name in ("F-SLOPE", "F-SLOPE2"):
        flat, level = numbers([Line(EXACT[name]["z_in"] * INCH_M * FEET / 10.0 + 312.0)])
        assert level.value == pytest.approx(EXACT[name]["FL"], rel=1e-9)
        # At 312 m over its zero point a level is stored to 6e-14 m.
        assert flat.value > 1e9
    case = EXACT["F-SINE"]
    # Two readings more than whole periods for the curvatures, ten more for the falls.
    sine = 0.125 * INCH_M * np.sin(2.0 * np.pi * np.arange(42) / 8.0)
    flat = f_numbers([Line(sine)]).flatness
    n = 40
    assert flat.value == pytest.approx(case["FF_population_sd"] / math.sqrt(n / (n - 1)), rel=1e-9)
    sine = 0.125 * INCH_M * np.sin(2.0 * np.pi * np.arange(50) / 8.0)
    level = f_numbers([Line(sine)]).levelness
    assert level.value == pytest.approx(case["FL_population_sd"] / math.sqrt(n / (n - 1)), rel=1e-9)


def test_f_numbers_are_linear() -> None:
    """Three times as rough is a third of the F-number.

    Source: F-SCALE of f_number_exact.json.
    """
    height = np.random.default_rng(21).standard_normal(30) * 0.001
    once, thrice = numbers([Line(height)]), numbers([Line(3.0 * height)])
    assert_allclose([3.0 * one.value for one in thrice], [one.value for one in once], rtol=1e-12)


def test_without_noise_nothing_is_taken_out() -> None:
    """Value, reading and both ends of the interval are one number."""
    height = np.random.default_rng(22).standard_normal(30) * 0.001
    for found in numbers([Line(height)]):
        assert found.value == found.as_read
        assert found.interval == (found.value, found.value)
        assert found.noise_share == 0.0


def test_lines_together_are_the_combined_numbers() -> None:
    """Several lines at once, and one at a time combined by their readings, agree."""
    rng = np.random.default_rng(23)
    lines = [Line(rng.standard_normal(n) * 0.001) for n in (14, 25, 40)]
    flat, level = numbers(lines)
    alone = [numbers([line]) for line in lines]
    readings = [f_numbers([line]) for line in lines]
    assert flat.value == pytest.approx(
        combine_f([one[0].value for one in alone], [one.curvatures for one in readings]), rel=1e-12
    )
    assert level.value == pytest.approx(
        combine_f([one[1].value for one in alone], [one.falls for one in readings]), rel=1e-12
    )


def test_a_short_line_has_no_levelness() -> None:
    """Under twelve readings there are no two falls of ten feet; under four no two curvatures."""
    assert f_numbers([Line(0.001 * FEET[:11] ** 2)]).levelness is None
    assert f_numbers([Line(0.001 * FEET[:3] ** 2)]).flatness is None
    assert f_numbers([]).flatness is None


@pytest.mark.parametrize(
    "line",
    [
        Line(np.array([0.0, math.nan, 0.0, 0.0, 0.0])),
        Line(FEET, -0.001),
        Line(FEET, np.zeros(4)),
        Line(FEET, 0.0, np.zeros((3, 3))),
    ],
)
def test_lines_that_cannot_be_are_refused(line) -> None:
    """Missing levels, errors below nothing, and shapes that do not fit are named by the line."""
    with pytest.raises(ValueError, match="line 1"):
        f_numbers([Line(FEET), line])


# --- noise ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["F-NOISE-CAP", "F-NOISE-CAP-02"])
def test_noise_alone_reads_as_its_ceiling_and_is_refused(name) -> None:
    """A perfect floor with white noise reads as sqrt(6) and sqrt(2) sigma, and gets no number.

    Source: F-NOISE-CAP, F-NOISE-CAP-02 of f_number_exact.json. The standard deviation of n
    curvatures errs by about sqrt(70 / (2 * 36 n)) of itself (covariances 6, -4, 1), of falls by
    1 / sqrt(2 n): bounds are four of those, and for the mean, 3 of its own.
    """
    case = EXACT[name]
    sigma, n = case["sigma_mm"] / MM, 1200
    found = f_numbers([Line(sigma * np.random.default_rng(24).standard_normal(n), sigma)])
    for number, key in ((found.flatness, "FF_cap"), (found.levelness, "FL_cap")):
        assert isinstance(number, MostlyNoise)
        assert number.as_read == pytest.approx(case[key], rel=4.0 / math.sqrt(n) + 0.01)
        assert number.noise_share == pytest.approx(1.0, abs=8.0 / math.sqrt(n))
        assert "mostly noise" in str(number)
        assert "\n" not in str(number)


def test_white_noise_adds_six_and_two_variances() -> None:
    """The share of noise is 9 * 6 sigma² (or 2 sigma²) over 9 s² + mean², in long lines.

    Source: rule of F-NOISE-CAP of f_number_exact.json.
    """
    rng = np.random.default_rng(25)
    height, sigma = np.cumsum(rng.standard_normal(1200)) * 0.001, 0.0001
    flat, level = numbers([Line(height, sigma)])
    for number, value, factor in ((flat, curvatures_m(height), 6), (level, falls_m(height), 2)):
        square = 9.0 * value.var(ddof=1) + value.mean() ** 2
        assert number.noise_share == pytest.approx(9.0 * factor * sigma**2 / square, rel=0.01)


def test_a_limit_of_noise_can_be_set() -> None:
    """What is refused at a third is given at two thirds."""
    rng = np.random.default_rng(26)
    truth = 0.001 * rng.standard_normal(400)
    line = Line(truth + 0.001 * rng.standard_normal(400), 0.001)
    assert isinstance(f_numbers([line], most_noise=0.33).flatness, MostlyNoise)
    assert isinstance(f_numbers([line], most_noise=0.67).flatness, FNumber)


def rough_floor(rng: np.random.Generator, count: int, length: int) -> list[np.ndarray]:
    """True levels of lines over one floor: long waves, short waves, and a fall."""
    place = SPACING_M * np.arange(length)
    lines = []
    for _ in range(count):
        phase = rng.uniform(0.0, 2.0 * np.pi, 4)
        waves = zip((2.4, 3.3, 1.4, 7.0), (0.7, 0.6, 0.35, 2.0), phase, strict=True)
        bent = sum(size * np.sin(2.0 * np.pi * place / wave + at) for wave, size, at in waves)
        lines.append(0.001 * (bent + 0.3 * place))
    return lines


@pytest.mark.parametrize("count", [1, 5])
@pytest.mark.parametrize("kind", ["white", "shared points", "tilt"])
def test_the_interval_holds_the_true_number(count, kind) -> None:
    """Floors of known truth read with fresh noise: held in 93 to 98 of 100, and not biased.

    400 readings know a share of 95 % to 1.1 %; the bounds leave that much on either side. White
    noise; errors that neighbours share (0.6 of one to the next); a vertical off for all lines.
    """
    rng = np.random.default_rng([27, count, len(kind)])
    sigma, length = 0.00012, 30
    steps = np.abs(np.subtract.outer(np.arange(length), np.arange(length)))
    lean_rad = 0.0002 if kind == "tilt" else 0.0
    own = 0.0 if kind == "shared points" else sigma
    extra = (sigma**2 - own**2) * 0.6**steps
    root = np.linalg.cholesky(extra + sigma**2 * 1e-9 * np.eye(length))
    held, ratio = [], []
    for _ in range(400):
        truth = rough_floor(rng, count, length)
        wanted = numbers([Line(height) for height in truth])
        lean = lean_rad * rng.standard_normal() * SPACING_M * np.arange(length)
        noise = rng.standard_normal((2, count, length))
        read = [
            Line(height + lean + own * one + root @ other, own, extra)
            for height, one, other in zip(truth, *noise, strict=True)
        ]
        found = numbers(read, tilt_rad=lean_rad)
        pairs = list(zip(found, wanted, strict=True))
        held.append([low <= true.value <= high for (low, high), true in
                     ((one.interval, true) for one, true in pairs)])  # fmt: skip
        ratio.append([(true.value / one.value) ** 2 - 1.0 for one, true in pairs])
    assert (np.mean(held, axis=0) > 0.93 - 0.011).all()
    assert (np.mean(held, axis=0) < 0.98 + 0.011).all()
    spread = np.std(ratio, axis=0)
    # Floors add by 1 / F²: its mean is the truth, within a fifth of what one reading errs by.
    assert (np.abs(np.mean(ratio, axis=0)) < 0.2 * spread).all()


def test_doubt_of_the_noise_widens_the_interval() -> None:
    """A tenth of doubt in sigma is a fifth of what was taken out, and enters in quadrature.

    On a long line little else is uncertain: the half-width in s² is 1.96 * 2 * 0.1 * 6 sigma².
    """
    rng = np.random.default_rng(28)
    sigma, n = 0.0003, 1000
    line = Line(0.001 * rng.standard_normal(n) + sigma * rng.standard_normal(n), sigma)
    sure, _ = numbers([line])
    doubtful, _ = numbers([line], noise_doubt=0.1)
    assert sure.value == doubtful.value
    width_m2 = [
        (FLATNESS_M / one.interval[0]) ** 2 - (FLATNESS_M / one.interval[1]) ** 2
        for one in (sure, doubtful)
    ]
    wanted = 2.0 * 1.96 * 0.2 * 9.0 * 6.0 * sigma**2
    assert math.sqrt(width_m2[1] ** 2 - width_m2[0] ** 2) == pytest.approx(wanted, rel=0.1)


def test_constants_are_inches() -> None:
    """4.57 and 12.5 inches in metres."""
    assert_allclose([FLATNESS_M, LEVELNESS_M], [0.116078, 0.3175], rtol=1e-12)
