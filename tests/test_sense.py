"""Control levels in another unit than their head says, and staff readings under a level's head."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from leaning import scanned, shots
from pourdatum.errors import JobError
from pourdatum.sense import FOOT, Head, check_sense
from pourdatum.uncertainty import SENSORS, SensorKind

Array = NDArray[np.float64]

SIX = np.array([[0.4, 0.4], [5.6, 0.4], [0.4, 5.6], [5.6, 5.6], [2.0, 3.0], [4.0, 3.2]])


FEET = "taken as levels in metres, .*: these look like levels in feet"
STAFF = "these look like staff readings in metres"


def relief(x: Array, y: Array) -> Array:
    """A worn floor: 30 mm from its lowest to its highest place."""
    out: Array = 0.015 * np.sin(1.1 * x) * np.cos(0.8 * y) + 0.002 * x
    return out


def levels(rng: np.random.Generator) -> Array:
    """True levels at the six places, read to half a millimetre."""
    return relief(*SIX.T) + rng.normal(0.0, 0.0005, 6)


@pytest.mark.parametrize(
    ("kind", "factor", "said", "code"),
    [
        ("tripod", 1.0 / FOOT, FEET, "control-unit"),
        ("mobile", 1.0 / FOOT, FEET, "control-unit"),
        # A bend of a hand-held scan may hide levels that swing too little.
        ("tripod", FOOT, "levels in feet, .*: these look like levels in metres", "control-unit"),
        ("tripod", -1.0, STAFF, "control-mirrored"),
        ("mobile", -1.0, STAFF, "control-mirrored"),
        ("tripod", -1.0 / FOOT, "these look like staff readings in feet", "control-mirrored"),
        ("mobile", -1.0 / FOOT, "these look like staff readings in feet", "control-mirrored"),
    ],
)
def test_numbers_that_fit_otherwise_are_a_question(
    kind: SensorKind, factor: float, said: str, code: str
) -> None:
    """A worn floor: its levels times 3.28, by 3.28 or mirrored are asked about, with a remedy."""
    rng = np.random.default_rng(31)
    surface = scanned(relief, shared=SENSORS[kind])
    with pytest.raises(JobError, match=said) as refused:
        check_sense(
            surface,
            shots(SIX, factor * levels(rng) + 1.4),
            has_level=False,
            where="c.csv",
            head=Head("ft" if factor == FOOT else "m"),
        )
    assert refused.value.id == code
    assert refused.value.hint is not None
    assert refused.value.hint.startswith("name the column")


@pytest.mark.parametrize("kind", ["tripod", "mobile", "phone"])
def test_levels_that_are_right_are_no_question(kind: SensorKind) -> None:
    """Scans that lean by up to twice their budget and bend by one: never asked.

    Thirty of each kind; of a hundred and eighty none was.
    """
    rng = np.random.default_rng(32)
    shared = SENSORS[kind]
    for k in range(30):
        turn, phase = rng.uniform(0.0, math.tau, 2)
        lean = 2.0 * shared.tilt_rad * np.array([math.cos(turn), math.sin(turn)])
        flat = 0.1 if k % 2 else 1.0

        def height(x: Array, y: Array, lean: Array = lean, phase: float = phase,
                   flat: float = flat) -> Array:  # fmt: skip
            bend = shared.warp_m * np.sin(math.tau * x / 11.0 + phase)
            out: Array = flat * relief(x, y) + lean[0] * x + lean[1] * y + bend
            return out

        given = shots(SIX, flat * levels(rng) + (1.0 if k % 3 else 0.0))
        check_sense(scanned(height, shared=shared), given, has_level=True, where="c.csv")


def test_heights_over_a_datum_tell_feet() -> None:
    """A flat floor at 101.2 m over the site's datum: 332.02 is its level in feet."""
    surface = scanned(lambda x, y: 0.0 * x, z0_m=101.2)
    feet = [replace(one, level_m=101.2 / FOOT - 101.2) for one in shots(SIX, np.zeros(6))]
    with pytest.raises(JobError, match=r"lie at 332\.021 m, the scanned floor there at 101\.200 m"):
        check_sense(surface, feet, has_level=True, where="c.csv")
    # Levels that hang on nothing have no height to compare.
    check_sense(surface, feet, has_level=False, where="c.csv")


def test_a_site_that_lies_elsewhere_is_no_question() -> None:
    """The scan at 1.6 m, the control at 88.1 m: another datum, not another unit."""
    surface = scanned(relief, z0_m=1.6)
    given = shots(SIX, levels(np.random.default_rng(3)) + 86.5)
    check_sense(surface, given, has_level=True, where="c.csv")


LEANS = [(0.0035, 0.0), (0.005, 0.005)]


@pytest.mark.parametrize("lean", LEANS, ids=["0.2 degrees", "0.4 degrees"])
@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (-1.0, STAFF),
        (1.0 / FOOT, FEET),
        (1000.0, "these look like levels in millimetres"),
        (-1000.0, "these look like staff readings in millimetres"),
    ],
)
def test_a_scan_that_leans_hides_no_wrong_reading(
    lean: tuple[float, float], factor: float, said: str
) -> None:
    """A compensated scan that leans far beyond its budget and bends by 2 mm: the tilt is fitted
    for each reading, and the right one alone fits all places to the shots' own errors.
    """
    rng = np.random.default_rng(41)
    bent = scanned(
        lambda x, y: relief(x, y) + lean[0] * x + lean[1] * y + 0.001 * np.cos(0.5 * x),
        shared=SENSORS["tripod"],
    )
    with pytest.raises(JobError, match=said):
        check_sense(bent, shots(SIX, factor * levels(rng)), has_level=False, where="c.csv")


@pytest.mark.parametrize("factor", [3.0, 1.0 / FOOT])
def test_a_unit_that_was_stated_is_not_called_another(factor: float) -> None:
    """Whatever the numbers are: where the head says metres, nothing else is asked about."""
    rng = np.random.default_rng(42)
    given = shots(SIX, factor * levels(rng))
    check_sense(scanned(relief), given, has_level=True, where="c.csv", head=Head("m", stated=True))


def test_levels_under_the_head_of_a_staff() -> None:
    """Levels booked as readings come out mirrored: the head that is meant is level."""
    given = shots(SIX, -levels(np.random.default_rng(43)))
    with pytest.raises(JobError, match=r"these look like levels in metres; name .*level_m"):
        check_sense(scanned(relief), given, has_level=False, where="c.csv", head=Head(staff=True))


def test_exchanged_places_that_all_stand_on_the_floor() -> None:
    """A square floor, y under x: every shot stands on it, and none fits but exchanged."""
    rng = np.random.default_rng(44)
    places = np.array([[0.5, 0.6], [4.5, 1.0], [4.2, 4.6], [0.7, 5.3], [2.9, 2.0], [1.1, 3.6]])
    level = relief(*places.T) + rng.normal(0.0, 0.0005, 6)
    surface = scanned(lambda x, y: relief(x, y) + 0.003 * x)
    with pytest.raises(JobError, match="the columns look exchanged; exchange the names") as refused:
        check_sense(surface, shots(places[:, ::-1], level), has_level=True, where="c.csv")
    assert refused.value.id == "control-swapped"
    check_sense(surface, shots(places, level), has_level=True, where="c.csv")


def test_a_question_of_sign_or_order_can_be_answered() -> None:
    """A user who checked signs and columns is asked no more about them, but still about units."""
    rng = np.random.default_rng(46)
    sure = Head(checked=True)
    turned = shots(SIX, -levels(rng) + 1.4)
    with pytest.raises(JobError, match=r"checked = true under \[control\] in the job") as refused:
        check_sense(scanned(relief), turned, has_level=False, where="c.csv")
    assert refused.value.id == "control-mirrored"
    check_sense(scanned(relief), turned, has_level=False, where="c.csv", head=sure)
    stated = Head(stated=True, checked=True)
    check_sense(scanned(relief), turned, has_level=False, where="c.csv", head=stated)
    feet = shots(SIX, levels(rng) / FOOT)
    with pytest.raises(JobError, match=FEET):
        check_sense(scanned(relief), feet, has_level=False, where="c.csv", head=sure)


@pytest.mark.parametrize("off_m", [0.02, -0.05])
def test_a_wrong_shot_is_no_riddle_of_units(off_m: float) -> None:
    """One or two shots that are wrong by centimetres: not told by another unit or sign."""
    rng = np.random.default_rng(45)
    for _ in range(6):
        level = levels(rng) + off_m * (np.arange(6) == rng.integers(6))
        check_sense(scanned(relief), shots(SIX, level), has_level=True, where="c.csv")
